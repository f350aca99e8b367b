"""Ended politely or killed: what the real watch leaves, and that the next one goes on from it.

`tests/soak/test_land_and_kill.py` kills it again and again while files land.
"""

from __future__ import annotations

import os
import signal
import sys
from typing import TYPE_CHECKING

import pytest

from lightmodel.dng import DngSpec, write_dng
from stopwise.ledger import Ledger
from support.commanding import WatchCommand
from support.made_raws import levels_for

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks for workers in /proc")

WATCHING = "watching "


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "shoot"
    made.mkdir()
    return made


def land(folder: Path, name: str, *, seed: int) -> None:
    """Land a small whole raw file, hidden until it is whole."""
    part = folder / f".{name}.part"
    spec = DngSpec(compression="none", bits=16)
    write_dng(part, levels_for("gbrg uncompressed", (64, 96), seed=seed), spec=spec)
    part.rename(folder / name)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_and_sigterm_end_the_watch_with_zero_though_its_workers_hang(
    folder: Path, tmp_path: Path, number: signal.Signals
) -> None:
    with WatchCommand(folder, tmp_path / "l.sqlite") as watch:
        watch.wait_for(WATCHING)
        land(folder, "F1.dng", seed=1)
        watch.wait(lambda: watch.files == ["F1.dng"])
        workers = watch.workers()
        for worker in workers:
            os.kill(worker, signal.SIGSTOP)
        land(folder, "F2.dng", seed=2)
        watch.process.send_signal(number)
        assert watch.ended() == 0
        assert workers
        usual = (WATCHING, f"{folder}: frames are there already")
        assert [note for note in watch.notes if not note.startswith(usual)] == []


def test_a_record_that_was_told_outlives_a_kill_and_its_lock_holds_nobody_up(
    folder: Path, tmp_path: Path
) -> None:
    place = tmp_path / "l.sqlite"
    for number in range(1, 3):
        with WatchCommand(folder, place) as watch:
            watch.wait_for(WATCHING)
            land(folder, f"F{number}.dng", seed=number)
            watch.wait(lambda watch=watch, name=f"F{number}.dng": watch.files == [name])
            watch.process.kill()
        with Ledger(place) as ledger:
            kept = [kept.record.file for kept in ledger.frames.all()]
        assert kept == [f"F{one}.dng" for one in range(1, number + 1)]
    with WatchCommand(folder, place) as watch:
        watch.wait_for(WATCHING)
        assert watch.stop() == 0
        assert watch.files == []
