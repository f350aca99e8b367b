"""Ten thousand files at the start: worked off with progress, while what is shot now goes first."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING

import pytest

from stopwise.folder.watcher import Hooks, Options, Seams
from stopwise.ledger import Ledger
from support.watching import QUICK, Heard, InlinePool, read, tiny_raw, wait_until, watching

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.folder.watcher import Landing

OLD, SHOT = 10_000, 20
MOST_BEFORE = 100
"""Old files, one in a hundred, that may be told while one that is shot meanwhile is being seen."""


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_ten_thousand_files_are_worked_off_while_what_is_shot_goes_first(tmp_path: Path) -> None:
    folder = tmp_path / "shoot"
    folder.mkdir()
    for number in range(OLD):
        (folder / f"A{number:05d}.dng").write_bytes(tiny_raw(number, size=64))
        landed_ns = (1_000_000 + number) * 1_000_000_000
        os.utime(folder / f"A{number:05d}.dng", ns=(landed_ns, landed_ns))
    heard, waits = Heard(), {}

    def shoot(landing: Landing) -> None:
        """Land a frame now and then, and count the old ones that are told before it is."""
        heard.landings.append(landing)
        told = len(heard.landings)
        name = landing.path.name
        if name.startswith("B"):
            waits[name] = told - waits[name] - 1
        elif told % 400 == 200 and len(waits) < SHOT:
            shot = folder / f"B{len(waits):03d}.dng"
            waits[shot.name] = told
            shot.write_bytes(tiny_raw(OLD + len(waits), size=64))

    hooks = Hooks(on_record=shoot, on_note=heard.notes.append)
    with (
        Ledger(tmp_path / "l.sqlite") as ledger,
        watching(
            folder,
            ledger,
            heard=heard,
            hooks=hooks,
            options=Options(waits=QUICK),
            seams=Seams(pool=InlinePool(read)),
        ),
    ):
        wait_until(lambda: len(heard.landings) == OLD + SHOT, limit_s=500)
        wait_until(lambda: "all" in heard.notes[-1].text)
        kept = [one.record.file for one in ledger.frames.all()]
    old = [file for file in heard.files if file.startswith("A")]
    assert old == [f"A{number:05d}.dng" for number in range(OLD)]
    assert sorted(kept) == sorted(heard.files) == sorted(set(heard.files))
    assert len(waits) == SHOT
    assert sorted(waits.values())[SHOT // 2] <= MOST_BEFORE, waits
    told = [note.text.partition("there already: ")[2] for note in heard.notes]
    assert told[0] == f"{OLD} to judge"
    assert told[-1] == f"all {OLD} judged"
    left = [int(re.fullmatch(rf"(\d+) of {OLD} still to judge", words)[1]) for words in told[1:-1]]  # type: ignore[index]
    assert len(left) >= 5
    assert left == sorted(left, reverse=True)
