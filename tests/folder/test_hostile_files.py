"""Files made to hurt, through the real watch and through `check`: each costs itself alone."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from lightmodel.dng import DngSpec, write_dng
from stopwise import pipeline
from stopwise.cli import run
from stopwise.ledger import Ledger
from stopwise.raw.bounds import MOST_MEMORY
from support.commanding import WatchCommand, highest_mb
from support.hostile_files import UNREADABLE, WHOLE
from support.made_raws import levels_for, write_kind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.frame import Frame
    from stopwise.measurement import Reading

SCRIPT = Path(__file__).parents[1] / "support" / "faulty_stopwise.py"
VERDICTS = {
    **{f"{make.__name__}.dng": "unreadable" for make in UNREADABLE},
    **{f"{make.__name__}.dng": "measured" for make in WHOLE},
    "good.dng": "measured",
}


@pytest.fixture
def hostile(tmp_path: Path) -> Path:
    """Return a folder with each hostile file."""
    folder = tmp_path / "shoot"
    folder.mkdir()
    for make in (*UNREADABLE, *WHOLE):
        make(folder / f"{make.__name__}.dng")
    return folder


def lying_there(folder: Path) -> dict[str, tuple[str, int]]:
    return {
        path.name: (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
        for path in folder.iterdir()
    }


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
def test_no_hostile_file_ends_the_watch_or_a_restart_of_it_or_hides_a_good_one(
    hostile: Path, tmp_path: Path
) -> None:
    write_kind(hostile / "good.dng", "rggb lossless")
    before = lying_there(hostile)
    for records in (VERDICTS, {}):
        with WatchCommand(hostile, tmp_path / "l.sqlite", options=("--settle", "0.5")) as watch:
            watch.wait_for("watching ")
            watch.wait(lambda watch=watch, records=records: len(watch.records) >= len(records))
            highest = [highest_mb(pid) for pid in (watch.process.pid, *watch.workers())]
            assert watch.stop() == 0
        assert {record["file"]: record["verdict"] for record in watch.records} == records
        assert "Traceback" not in watch.said
        assert max(highest) < MOST_MEMORY >> 20
    assert lying_there(hostile) == before


def test_check_gives_a_record_for_each_hostile_file_and_goes_on(
    hostile: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_kind(hostile / "good.dng", "rggb lossless")
    before = lying_there(hostile)
    assert run(["check", str(hostile), "--json"]) == 3
    told = capsys.readouterr()
    records = [json.loads(line) for line in told.out.splitlines()]
    assert {Path(record["file"]).name: record["verdict"] for record in records} == VERDICTS
    assert "Traceback" not in told.err
    assert lying_there(hostile) == before


@pytest.fixture
def two_frames(tmp_path: Path) -> Iterator[tuple[Path, Path]]:
    large, small = tmp_path / "large.dng", tmp_path / "small.dng"
    spec = DngSpec(compression="none", bits=16)
    write_dng(large, levels_for("gbrg uncompressed", (4000, 6000)), spec=spec)
    write_kind(small, "gbrg uncompressed")
    yield large, small
    large.unlink()


CHECK_IN_64_MB = """
import sys
from functools import partial
from resource import RLIMIT_AS, getrlimit

from stopwise.cli import check_command, run

large, small = sys.argv[1:]
run(["check", small, "--json"])
limits = getrlimit(RLIMIT_AS)
check_command.hold_memory = partial(check_command.hold_memory, 64 << 20)
code = run(["check", large, small, "--json"])
assert getrlimit(RLIMIT_AS) == limits
sys.exit(code)
"""
"""A process of its own, as a person's `check` is: in one that has run long, memory that was freed
and is still held would be taken again before the bound is met. The small frame goes first, so that
what loading libraries takes isn't counted."""


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux holds a process to its memory")
def test_a_file_that_takes_too_much_memory_is_unreadable_and_the_batch_goes_on(
    two_frames: tuple[Path, Path],
) -> None:
    done = subprocess.run(
        [sys.executable, "-c", CHECK_IN_64_MB, *map(str, two_frames)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 3, done.stderr
    _, large, small = map(json.loads, done.stdout.splitlines())
    assert (large["verdict"], small["verdict"]) == ("unreadable", "measured")
    assert large["reason"].startswith("it claims a size that can't be true")


CHECK_WITH_A_HANGING_DECODER = """
import signal
import sys
import time
from pathlib import Path

import rawpy

from stopwise.__main__ import main
from stopwise.cli import check_command
from stopwise.raw.bounds import Limits


class Hangs(rawpy.RawPy):
    def unpack(self):
        print("hangs", flush=True)
        time.sleep(3600)


seconds, *paths = sys.argv[1:]


class ShortForOne(Limits):
    def time_s(self, size):
        return float(seconds) if size == Path(paths[0]).stat().st_size else 600.0


signal.signal(signal.SIGINT, signal.default_int_handler)  # that a shell's background job ignores
rawpy.RawPy = Hangs
check_command.Limits = ShortForOne
sys.argv[1:] = ["check", *paths, "--json"]
main()
"""
"""A process of its own, whose decoder hangs; that of a worker which it begins doesn't."""


def test_a_file_on_which_the_decoder_hangs_costs_check_that_file_alone(tmp_path: Path) -> None:
    hangs, good, cut = (tmp_path / name for name in ("hangs.dng", "good.dng", "cut.dng"))
    write_kind(hangs, "rggb lossless")
    write_kind(good, "gbrg uncompressed")
    cut.write_bytes(good.read_bytes()[:-99])
    done = subprocess.run(
        [sys.executable, "-c", CHECK_WITH_A_HANGING_DECODER, "0.2", *map(str, (hangs, good, cut))],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 3, done.stderr
    first, *lines = done.stdout.splitlines()
    late, measured, short = map(json.loads, lines)
    assert first == "hangs"
    assert (late["verdict"], late["reason"]) == (
        "unreadable",
        "the decoder failed on it: it took too long",
    )
    assert (measured["verdict"], short["verdict"]) == ("measured", "unreadable")
    said = done.stderr.splitlines()
    assert [line.split(":")[1].strip() for line in said] == [str(hangs), str(cut)]


@pytest.mark.skipif(sys.platform == "win32", reason="signals are POSIX's here")
def test_ctrl_c_ends_check_though_its_decoder_hangs(tmp_path: Path) -> None:
    hangs = tmp_path / "hangs.dng"
    write_kind(hangs, "rggb lossless")
    with subprocess.Popen(
        [sys.executable, "-c", CHECK_WITH_A_HANGING_DECODER, "600", str(hangs)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "hangs\n"
        process.send_signal(signal.SIGINT)
        out, said = process.communicate(timeout=120)
    assert (process.returncode, out, said.strip()) == (1, "", "stopwise: stopped.")


def test_whatever_fails_over_a_file_costs_check_that_file_alone(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    bad, good = tmp_path / "bad.dng", tmp_path / "good.dng"
    write_kind(bad, "rggb lossless")
    write_kind(good, "gbrg uncompressed")
    whole = pipeline.read

    def fails_once(frame: Frame, *rest: Any, **known: Any) -> Reading:
        if frame.path == bad:
            msg = "made to fail"
            raise OverflowError(msg)
        return whole(frame, *rest, **known)

    monkeypatch.setattr(pipeline, "read", fails_once)
    assert run(["check", str(bad), str(good), "--json"]) == 3
    failed, whole_one = map(json.loads, capsys.readouterr().out.splitlines())
    assert failed["reason"] == "the decoder failed on it: OverflowError: made to fail"
    assert whole_one["verdict"] == "measured"


def test_a_file_that_cant_be_read_now_costs_check_that_file_alone_and_isnt_kept(
    two_frames: tuple[Path, Path], tmp_path: Path
) -> None:
    (tmp_path / "frames-fail").touch()
    place = tmp_path / "l.sqlite"
    done = subprocess.run(
        [sys.executable, SCRIPT, "check", *two_frames, "--json", "--ledger", place],
        env={**os.environ, "STOPWISE_TEST_FAULTS": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 3, done.stderr
    reasons = [json.loads(line)["reason"] for line in done.stdout.splitlines()]
    assert reasons == ["it can't be opened: input/output error"] * 2
    with Ledger(place) as ledger:
        assert ledger.frames.count() == 0


def test_a_hole_that_is_filled_later_gets_one_verdict_and_no_other(tmp_path: Path) -> None:
    folder = tmp_path / "shoot"
    folder.mkdir()
    made, path = tmp_path / "made.dng", folder / "F1.dng"
    write_dng(made, levels_for("gbrg uncompressed", (300, 400)), spec=DngSpec(compression="none"))
    whole, hole = made.read_bytes(), slice(20 * 4096, 21 * 4096)
    with WatchCommand(folder, tmp_path / "l.sqlite", options=("--settle", "600")) as watch:
        watch.wait_for("watching ")
        with path.open("wb") as stream:
            stream.write(whole[: hole.start])
            stream.seek(hole.stop)
            stream.write(whole[hole.stop :])
        write_kind(folder / "F2.dng", "rggb lossless")
        watch.wait(lambda: watch.files == ["F2.dng"])
        with path.open("r+b") as stream:
            stream.seek(hole.start)
            stream.write(whole[hole])
        watch.wait(lambda: len(watch.files) == 2)
        assert watch.stop() == 0
    assert watch.files == ["F2.dng", "F1.dng"]
    assert {record["verdict"] for record in watch.records} == {"measured"}


def test_a_watch_without_workers_is_refused_with_a_word(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["watch", str(tmp_path), "--ledger", ":memory:", "--workers", "0"]) == 2
    assert "0 is not in the range x>=1" in capsys.readouterr().err
