"""A day on a made set: the real watcher on a folder, commands as they are typed, frames landing."""

from __future__ import annotations

import re
import threading
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest.mock import patch

import pytest

from lightmodel import dngfile
from lightmodel.shoots import SMALL, Shoot
from lightmodel.view import View
from stopwise.cli import run
from stopwise.cli.watching import Shown, WatchRun
from stopwise.folder import watcher
from stopwise.folder.watcher import Options
from stopwise.ledger import Ledger
from support.watching import QUICK, InlinePool, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator

    from lightmodel.shoots import Shot

SAMPLES = Path(__file__).parents[2] / "sample_frames"


@dataclass
class SetDay:
    """A watched folder, its ledger and plan, and what the watcher has said.

    Attributes
    ----------
    folder, ledger, plan
        The files.
    records
        Every record, in landing order.
    notes
        All else that was said.
    """

    folder: Path
    ledger: Path
    plan: Path
    records: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    run: WatchRun | None = None

    def say(self, *words: str) -> int:
        """Type a command, with no option that names the watch, and wait until it was heard."""
        with Ledger(self.ledger) as ledger:
            before = len(ledger.orders.all())
            code = run([*words])
            if code == 0 and len(ledger.orders.all()) > before:
                wait_until(lambda: not ledger.orders.open())
        return code

    def lands(self, content: bytes, name: str) -> dict[str, Any]:
        """Let a file land, and return its record."""
        count = len(self.records)
        (self.folder / name).write_bytes(content)
        wait_until(lambda: len(self.records) > count)
        return self.records[-1]

    def sample(self, name: str, *, as_: str = "") -> dict[str, Any]:
        """Let one of the sample frames land, told from others of its content by its last bytes."""
        content = (SAMPLES / f"{name}.dng").read_bytes() + b"%04d" % len(self.records)
        return self.lands(content, f"{as_ or name}.dng")

    def shot(self, shot: Shot) -> dict[str, Any]:
        """Let an exposure of a made shoot land."""
        return self.lands(raw_of(shot, self.folder.parent), f"{shot.recipe.name}.dng")

    def said(self, words: str) -> bool:
        """Tell whether something was said with these words in it."""
        return any(words in note for note in self.notes)


def raw_of(shot: Shot, folder: Path) -> bytes:
    """Return an exposure as a raw file's bytes."""
    place = folder / f"made-{shot.recipe.name}.dng"
    dngfile.write(place, shot.exposed.mosaic, shot.recipe, shot.sensor)
    content = place.read_bytes()
    place.unlink()
    return content


@contextmanager
def on_set(
    stage: Path, plan: str, *, before: Any = None, with_workers: bool = False
) -> Iterator[SetDay]:
    """Watch `stage/shoot` with a plan's text in a thread while the block runs.

    `before` is called with the set before the watch begins. Frames are judged in that thread, or by
    worker processes, which have to be started for each set.
    """
    folder = stage / "shoot"
    folder.mkdir(exist_ok=True)
    day = SetDay(folder, stage / "ledger.sqlite", stage / "plan.toml")
    day.plan.write_text(plan, encoding="utf-8")
    if before is not None:
        before(day)
    stop, ready = threading.Event(), threading.Event()
    failed: list[BaseException] = []
    thread = threading.Thread(target=_watch, args=(day, stop, ready, failed, with_workers))
    with pytest.MonkeyPatch.context() as patched:
        # a watch of another test may run meanwhile, and commands here name none
        patched.setenv("XDG_DATA_HOME", str(stage / "data"))
        thread.start()
        try:
            wait_until(lambda: ready.is_set() or failed)
            wait_until(lambda: failed or (day.run is not None and day.run.watcher.is_watching))
            yield day
        finally:
            stop.set()
            if day.run is not None:
                day.run.watcher.wake()
            thread.join(30)
    assert not thread.is_alive(), "the watch did not end"
    if failed:
        raise failed[0]


def _watch(
    day: SetDay,
    stop: threading.Event,
    ready: threading.Event,
    failed: list[BaseException],
    with_workers: bool,
) -> None:
    try:
        with Ledger(day.ledger) as ledger:
            with nullcontext() if with_workers else _judging_in_this_thread():
                day.run = WatchRun(
                    day.folder,
                    ledger,
                    Shown(
                        frame=lambda record: day.records.append(record.to_json()),
                        note=day.notes.append,
                    ),
                    plan_path=day.plan,
                    options=Options(waits=QUICK, sweep_s=0.5, workers=1),
                )
            ready.set()
            day.run.run(stop)
    except BaseException as error:  # noqa: BLE001 (handed to the test)
        failed.append(error)


def _judging_in_this_thread() -> Any:
    """Have watches that are made in the block judge frames themselves."""
    return patch.object(
        watcher, "ProcessPool", lambda assess, supplied, **_: InlinePool(assess, supplied=supplied)
    )


PARTS = ("ambient", "key", "fill", "hair", "paper left", "paper right")


def view_of(width: int, *, upright: bool = False) -> View:
    """Return a small camera, level or turned."""
    return View(width=width, height=width * 3 // 4, orientation=6 if upright else 1)


@lru_cache(maxsize=4)
def solos(view: View = SMALL) -> dict[str, Shot]:
    """Return the ambient frame and each lamp's solo of the made set, shot once."""
    shoot = Shoot(view=view)
    found = {"ambient": shoot.ambient()}
    return found | {name: shoot.solo(name) for name in shoot.names}


@lru_cache(maxsize=4)
def lit_set(view: View = SMALL) -> Shoot:
    """Return the same set, its frames counted on from the solos."""
    return Shoot(view=view, seed=20)


def plan_without_frames(*, look: str = "in black") -> str:
    """Return the sample frames' plan with no frame marked, and one look."""
    text = (SAMPLES / "plan.toml").read_text(encoding="utf-8")
    text = re.sub(r"\[frames\].*?(?=\[set\])", "", text, flags=re.DOTALL)
    looks = text.split("[[look]]\n")
    kept = [part for part in looks[1:] if part.startswith(f'name = "{look}"')]
    return "[[look]]\n".join([looks[0], *kept])


def plan_with_solos(stage: Path, *, plan: str | None = None, view: View = SMALL) -> str:
    """Lay the solos beside the plan, and return the plan's text with them marked."""
    lamps = []
    for part, shot in solos(view).items():
        name = f"set-{part.replace(' ', '-')}.dng"
        (stage / name).write_bytes(raw_of(shot, stage))
        lamps.append(f'"{part}" = "{name}"')
    frames = "\n".join(["", "[frames]", lamps[0], "", "[frames.solo]", *lamps[1:], ""])
    head, mark, rest = (plan or plan_without_frames()).partition("[set]")
    return f"{head}{frames}\n{mark}{rest}"


def fails(record: dict[str, Any]) -> dict[tuple[str, str], dict[str, Any]]:
    """Return a record's failed findings by what was checked of what."""
    return {
        (finding["check"], finding["of"]): finding
        for finding in record["findings"]
        if finding["state"] == "fails"
    }
