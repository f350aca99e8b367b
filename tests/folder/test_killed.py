"""Ended politely or killed: the watcher in a process of its own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from stopwise.ledger import Ledger
from support.killing import begin, run_with_kills, running, wait_for
from support.watching import tiny_raw

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX's here")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "shoot"
    made.mkdir()
    return made


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_and_sigterm_end_the_watch_with_zero_and_not_a_word(
    folder: Path, tmp_path: Path, number: signal.Signals
) -> None:
    process = subprocess.Popen(
        [sys.executable, *begin_arguments(folder, tmp_path / "l.sqlite")],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    wait_for(process, "watching")
    (folder / "F1.dng").write_bytes(tiny_raw(1, part=b"HANG"))
    os.killpg(process.pid, number)
    _, errors = process.communicate(timeout=20)
    assert process.returncode == 0
    assert errors == ""


def begin_arguments(folder: Path, place: Path) -> list[str]:
    from support.killing import SCRIPT

    return [str(SCRIPT), str(folder), str(place)]


def test_a_record_that_was_told_outlives_a_kill_at_that_very_moment(
    folder: Path, tmp_path: Path
) -> None:
    place = tmp_path / "l.sqlite"
    process = begin(folder, place)
    wait_for(process, "watching")
    (folder / "F1.dng").write_bytes(tiny_raw(1))
    wait_for(process, ["F1.dng", "measured"])
    process.kill()
    process.communicate(timeout=20)
    with Ledger(place) as ledger:
        assert [kept.record.file for kept in ledger.frames.all()] == ["F1.dng"]


def test_the_lock_of_a_killed_watcher_holds_nobody_up(folder: Path, tmp_path: Path) -> None:
    for _ in range(2):
        told: list[str] = []
        with running(begin(folder, tmp_path / "l.sqlite"), told) as process:
            process.kill()
    process = begin(folder, tmp_path / "l.sqlite")
    wait_for(process, "watching")
    process.terminate()
    process.communicate(timeout=20)
    assert process.returncode == 0


def test_every_frame_is_kept_once_in_landing_order_though_the_watcher_is_killed(
    tmp_path: Path,
) -> None:
    outcome = run_with_kills(tmp_path, count=80, kills=5, seed=8, pause_s=0.8)
    assert outcome.lost == []
    assert outcome.is_in_landing_order
    assert {verdict for _, _, verdict in outcome.kept} == {"measured"}
    assert len(outcome.told) == len(set(outcome.told))
    assert set(outcome.told) <= {name for name, _, _ in outcome.kept}
