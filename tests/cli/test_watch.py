"""`stopwise watch` as a process: frames land, verdicts are printed, and it ends with 0."""

from __future__ import annotations

import json
import multiprocessing
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from pathlib import Path
from queue import Queue

import pytest

from stopwise.cli import run
from stopwise.cli.watching import Shown, WatchRun
from stopwise.errors import LedgerError
from stopwise.ledger import Ledger

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))["frames"]
PATIENCE_S = 120.0
WATCH = (sys.executable, "-m", "stopwise", "watch", "--workers", "1")


class Watch:
    """A watch in a process of its own, with the lines that it prints."""

    def __init__(self, folder, *options, **more):
        self.process = subprocess.Popen(
            [*WATCH, str(folder), *map(str, options)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            **more,
        )
        self._lines = Queue()
        self.said = []
        self._readers = [
            threading.Thread(target=self._read, daemon=True),
            threading.Thread(target=self._hear, daemon=True),
        ]
        for reader in self._readers:
            reader.start()

    def _read(self):
        with self.process.stdout as lines:
            for line in lines:
                self._lines.put(line)

    def _hear(self):
        with self.process.stderr as lines:
            for line in lines:
                self.said.append(line)

    def record(self):
        return json.loads(self._lines.get(timeout=PATIENCE_S))

    def hears(self, word):
        """Wait until a word is said on stderr."""
        until = time.monotonic() + PATIENCE_S
        while not any(word in line for line in self.said):
            assert time.monotonic() < until, f"{word!r} was never said: {self.said}"
            time.sleep(0.05)

    def end(self, number):
        self.process.send_signal(number)
        code = self.process.wait(PATIENCE_S)
        self.close()
        return code

    def close(self):
        self.process.kill()
        self.process.wait(PATIENCE_S)
        for reader in self._readers:
            reader.join(PATIENCE_S)


@contextmanager
def watching(folder, *options):
    watch = Watch(folder, "--json", *options)
    try:
        yield watch
    finally:
        watch.close()


@pytest.fixture
def shoot(tmp_path):
    folder = tmp_path / "shoot"
    folder.mkdir()
    shutil.copy(SAMPLES / "plan.toml", folder)
    return folder


@pytest.fixture
def ledger(tmp_path):
    return tmp_path / "kept" / "ledger.sqlite"


def land(folder, name):
    """Write a frame as a camera's program does: under another name, then renamed."""
    part = folder / f".{name}.part"
    shutil.copy(SAMPLES / name, part)
    part.rename(folder / name)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_frames_are_judged_as_they_land_and_a_signal_ends_it_with_0(shoot, ledger, number):
    land(shoot, "F0011.dng")
    with watching(shoot, "--plan", shoot / "plan.toml", "--ledger", ledger) as watch:
        first = watch.record()
        land(shoot, "F0010.dng")
        (shoot / "F0010.jpg").write_bytes(b"a picture beside its raw is silent")
        second = watch.record()
        assert watch.end(number) == 0
    assert [first["file"], second["file"]] == ["F0011.dng", "F0010.dng"]
    assert [first["verdict"], second["verdict"]] == ["on plan", "off plan"]
    assert not any("Traceback" in line or "jpg" in line for line in watch.said)
    with Ledger(ledger) as kept:
        assert [frame.record.file for frame in kept.frames.all()] == ["F0011.dng", "F0010.dng"]


def test_a_frame_in_the_ledger_is_not_judged_again(shoot, ledger):
    for name in ("F0011.dng", "F0010.dng"):
        with watching(shoot, "--ledger", ledger) as watch:
            land(shoot, name)
            assert watch.record()["file"] == name
            assert watch.end(signal.SIGINT) == 0


def test_a_cut_file_is_waited_for_and_judged_once_it_is_whole(shoot, ledger):
    content = (SAMPLES / "F0011.dng").read_bytes()
    options = ("--plan", shoot / "plan.toml", "--ledger", ledger, "--settle", 3600)
    with watching(shoot, *options) as watch:  # no time that passes may call it unreadable
        with (shoot / "F0011.dng").open("wb") as file:
            file.write(content[: len(content) // 2])
            file.flush()
            land(shoot, "F0010.dng")
            other = watch.record()
            file.write(content[len(content) // 2 :])
        whole = watch.record()
        assert watch.end(signal.SIGINT) == 0
    assert (other["file"], other["verdict"]) == ("F0010.dng", "off plan")
    assert (whole["file"], whole["verdict"]) == ("F0011.dng", "on plan")


def test_a_cut_file_that_stays_cut_is_unreadable_and_the_watch_goes_on(shoot, ledger):
    with watching(shoot, "--ledger", ledger, "--settle", "0.5") as watch:
        land(shoot, "F0021.dng")
        assert watch.record()["verdict"] == "unreadable"
        land(shoot, "F0011.dng")
        assert watch.record()["verdict"] == "measured"
        assert watch.end(signal.SIGINT) == 0


def test_an_edited_plan_holds_from_the_next_frame(shoot, ledger):
    plan = shoot / "plan.toml"
    with watching(shoot, "--plan", plan, "--ledger", ledger) as watch:
        land(shoot, "F0011.dng")
        assert watch.record()["verdict"] == "on plan"
        text = plan.read_text(encoding="utf-8")
        plan.write_text(text.replace("f_number =", "f_numbr =", 1), encoding="utf-8")
        land(shoot, "F0010.dng")
        assert watch.record()["verdict"] == "off plan"
        watch.hears("f_numbr")
        plan.write_text('schema = 1\ntitle = "no target"\n', encoding="utf-8")
        watch.hears("the plan is read again")  # a loss of targets is taken once it has stood
        land(shoot, "F0013.dng")
        assert watch.record()["verdict"] == "measured"
        assert watch.end(signal.SIGINT) == 0


def test_records_without_a_reader_end_the_watch_without_a_traceback(shoot, ledger):
    read, write = os.pipe()
    os.close(read)
    process = subprocess.Popen(
        [*WATCH, str(shoot), "--json", "--ledger", str(ledger)],
        stdout=write,
        stderr=subprocess.PIPE,
        text=True,
    )
    os.close(write)
    land(shoot, "F0011.dng")
    _, said = process.communicate(timeout=PATIENCE_S)
    assert process.returncode in (0, 1)
    assert "Traceback" not in said


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (("--plan", "gone.toml"), "gone.toml"),
        (("--look", "in red", "--plan", str(SAMPLES / "plan.toml")), "in red"),
    ],
)
def test_wrong_use_is_told_before_anything_is_watched(shoot, ledger, capsys, options, told):
    assert run(["watch", str(shoot), "--ledger", str(ledger), *options]) == 2
    said = capsys.readouterr().err
    assert told in said
    assert said.count("\n") == 1


def test_a_folder_that_is_not_there_is_told_and_leaves_no_ledger(tmp_path, ledger, capsys):
    assert run(["watch", str(tmp_path / "gone"), "--ledger", str(ledger)]) == 2
    assert "gone" in capsys.readouterr().err
    assert not ledger.exists()


def test_a_ledger_that_cannot_be_written_is_told(shoot, tmp_path, capsys):
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    place = tmp_path / "taken" / "ledger.sqlite"
    assert run(["watch", str(shoot), "--ledger", str(place)]) == 2
    said = capsys.readouterr().err
    assert str(place) in said
    assert ":memory:" in said


def test_a_watch_without_workers_is_refused(shoot, ledger, capsys):
    assert run(["watch", str(shoot), "--ledger", str(ledger), "--workers", "0"]) == 2
    assert "--workers" in capsys.readouterr().err


def test_a_watch_that_fails_before_it_runs_leaves_no_process(tmp_path, ledger, monkeypatch):
    def fail(*_):
        raise LedgerError("locked")

    folder = tmp_path / "shoot"
    folder.mkdir()
    monkeypatch.setattr("stopwise.cli.watching.remember", fail)
    with Ledger(ledger) as kept, pytest.raises(LedgerError, match="locked"):
        WatchRun(folder, kept, Shown(print, print))
    assert not multiprocessing.active_children()
