"""Wrong use and full disks: a sentence and an exit code from every command, never a traceback."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from stopwise.cli import _COMMANDS, run
from stopwise.cli.demo_command import Replay, empty_stage, made_frames
from stopwise.errors import PathMissing, WrongUse
from support.made_raws import write_kind

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

PLAN = """schema = 1
[camera]
iso = 100
f_number = "f/11"
[[light]]
name = "key"
power = -2.0
[[patch]]
name = "cheek"
box = [0.4, 0.4, 0.5, 0.5]
zone = 5.0
"""
FULL = "/dev/full"


@pytest.fixture(scope="module")
def shoot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a plan, two small frames and a ledger that keeps one."""
    folder = tmp_path_factory.mktemp("shoot")
    for seed in (1, 2):
        write_kind(folder / f"F{seed}.dng", "rggb lossless", seed=seed)
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        run(["check", "F1.dng", "--ledger", "kept.sqlite"])
    return folder


PRINTING = [
    ["--help"],
    ["--version"],
    ["check", "F1.dng"],
    ["check", "F1.dng", "--json"],
    ["compare", "F1.dng", "F2.dng"],
    ["compare", "F1.dng", "F2.dng", "--json"],
    ["run", "--ledger", "kept.sqlite"],
    ["rebuild", "--help"],
    ["plan", "check", "plan.toml"],
    ["plan", "draw", "plan.toml", "--out", "floor.svg"],
    ["plan", "patch", "nose", "--plan", "plan.toml", "--box", ".1,.1,.2,.2"],
    ["plan", "undo", "plan.toml"],
    ["plan", "new", "new.toml", "--iso", "100"],
    ["mark", "F1.dng", "ambient", "--plan", "plan.toml"],
    ["adopt", "F1.dng", "--plan", "plan.toml"],
    ["dial", "--help"],
    ["stops", "add", "8", "8"],
    ["ledger", "export", "--ledger", "kept.sqlite"],
    ["ledger", "export", "--ledger", "kept.sqlite", "--csv"],
    ["demo", "--help"],
    ["audit", ".", "--ledger", "audited.sqlite"],
    ["sheet", "--check", "--ledger", "kept.sqlite"],
    ["hand-over", "--help"],
    ["self-check"],
    *([name, "--help"] for name in ("grey", "watch", "expect", "lit", "moved", "look", "take")),
]
"""A call of every command that prints something."""


def test_every_command_is_among_them() -> None:
    assert {call[0] for call in PRINTING} == {*_COMMANDS, "--help", "--version"}


@pytest.mark.parametrize("call", PRINTING, ids=" ".join)
def test_output_to_a_full_disk_is_told_in_a_sentence(
    shoot: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    call: Sequence[str],
) -> None:
    monkeypatch.chdir(shoot)
    with open(FULL, "w", encoding="utf-8", buffering=1) as full:  # noqa: PTH123
        monkeypatch.setattr(sys, "stdout", full)
        code = run(call)
        monkeypatch.undo()
        with pytest.raises(OSError, match="No space"):
            full.close()
    told = capsys.readouterr().err.strip()
    assert code == 2, told
    last = told.splitlines()[-1]
    assert last.startswith("stopwise: The output can't be written: No space left on device."), told


@pytest.mark.parametrize("call", [["stops", "add", "8", "8"], ["check", "gone.dng"], ["--help"]])
@pytest.mark.parametrize("full", ["stdout", "stderr"])
def test_a_process_whose_output_is_full_ends_without_a_traceback(
    call: Sequence[str], full: str
) -> None:
    with open(FULL, "wb") as device:  # noqa: PTH123
        streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, full: device}
        done = subprocess.run([sys.executable, "-m", "stopwise", *call], check=False, **streams)
    assert done.returncode == (2 if full == "stdout" or call[0] == "check" else 0)
    assert b"Traceback" not in (done.stderr or b"")
    assert b"Exception ignored" not in (done.stderr or b"")


NUMBERS = (
    "nan", "inf", "-inf", "1e999", "-1e999", "0", "-0", "-1", "1e-320", "9" * 400, "1:0", "0:1",
    "0:0", "1/0", "0/0", "f/0", "f/nan", "8+inf", "8 1/0", "0m", "-1m", "nanm", "infm", "1e308m",
    "0 Ws", "1/1e400", "",
)  # fmt: skip
RECKONING = [
    *(["add", "{}"], ["add", "8", "--without", "{}"]),
    *(["between", "8", "{}"], ["between", "{}", "8", "--of", "readings"]),
    *(["between", "{}", "1m", "--of", "distances"], ["between", "{}", "1", "--of", "powers"]),
    *(["between", "{}", "100", "--of", "isos"], ["between", "{}", "1/100", "--of", "times"]),
    *(["ratio", "{}"], ["ratio", "11", "{}"], ["distance", "{}", "2m"], ["distance", "1m", "{}"]),
    *(["distance", "1m", "--stops", "{}"], ["distance", "1m", "2m", "--meter", "{}"]),
    *(["power", "{}"], ["power", "1/4", "--full-ws", "{}"], ["power", "1/4", "--turn", "{}"]),
    *(["guide", "{}", "3m"], ["guide", "36", "{}"], ["guide", "36", "--f-number", "{}"]),
    *(["guide", "36", "3m", "--iso", "{}"], ["guide", "36", "3m", "--power", "{}"]),
    *(["ev", "{}", "1/125"], ["ev", "8", "{}"], ["ev", "8", "1/125", "--iso", "{}"]),
    ["zone", "{}"],
]


@pytest.mark.skipif(sys.platform == "win32", reason="descriptors are POSIX's here")
@pytest.mark.parametrize("closed", [(1,), (0, 1, 2)])
def test_a_command_whose_standard_streams_are_closed_does_its_work_in_silence(
    shoot: Path, closed: tuple[int, ...]
) -> None:
    """As under a system's own jobs; Python has None in the place of such a stream (sys.stdout)."""
    begin = (
        f"import os, sys; [os.close(one) for one in {closed}]; "
        "os.execv(sys.executable, [sys.executable, *sys.argv[1:]])"
    )
    call = ("-m", "stopwise", "ledger", "export", "--ledger", "kept.sqlite")
    done = subprocess.run(
        [sys.executable, "-c", begin, *call], cwd=shoot, capture_output=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


@pytest.mark.parametrize("call", RECKONING, ids=" ".join)
def test_a_number_that_cant_be_is_refused_in_a_sentence(
    capsys: pytest.CaptureFixture[str], call: Sequence[str]
) -> None:
    for number in NUMBERS:
        code = run(["stops", *(word.format(number) for word in call), "--why"])
        out, err = capsys.readouterr()
        assert code in (0, 2), number
        assert bool(out) is (code == 0), number
        assert bool(err.strip()) is (code == 2), number
        assert not any(word in out for word in ("nan", "inf", "Traceback")), (number, out)
        assert "float division" not in err, number


@pytest.mark.parametrize(
    "call",
    [
        ["stops", "ratio", "1:0"],
        *(["stops", "power", "1/4", "--full-ws", bad] for bad in ("nan", "inf", "-500", "0")),
        *(["watch", ".", "--settle", bad] for bad in ("nan", "inf", "-1")),
        *(["watch", ".", "--workers", bad] for bad in ("0", "-1", "nan")),
        *(["watch", ".", "--page", "--port", bad] for bad in ("-1", "65536", "nan")),
        *(
            ["grey", "F1.dng", "--plan", "plan.toml", "--box", ".4,.4,.5,.5", "--card", bad]
            for bad in ("nan", "inf", "0", "-1")
        ),
        *(
            ["grey", "F1.dng", "--plan", "plan.toml", "--box", box]
            for box in ("nan,0,1,1", "0,0,inf,1", "0,0,0,0", "1,1,0,0", "0,0,1")
        ),
        ["grey", "F1.dng", "--plan", "plan.toml", "--box", ".4,.4,.5,.5", "--meter", "nan"],
        *(["compare", "F1.dng", "F2.dng", "--turned", f"key={n}"] for n in ("nan", "inf", "1/0")),
        *(
            ["plan", "new", "other.toml", "--iso", bad]
            for bad in ("nan", "inf", "0", "-1", "1e999")
        ),
    ],
    ids=" ".join,
)
def test_a_wrong_number_of_an_option_ends_with_2(
    shoot: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    call: Sequence[str],
) -> None:
    monkeypatch.chdir(shoot)
    assert run(call) == 2
    told = capsys.readouterr().err
    assert told.strip()
    assert "Traceback" not in told


def test_the_demo_refuses_a_folder_that_isnt_empty_or_cant_be_made(tmp_path: Path) -> None:
    (tmp_path / "mine.dng").write_bytes(b"mine")
    with pytest.raises(WrongUse, match="isn't empty"):
        empty_stage(tmp_path)
    with pytest.raises(WrongUse, match="can't be made"):
        empty_stage(tmp_path / "mine.dng")
    assert os.listdir(tmp_path) == ["mine.dng"]  # noqa: PTH208
    made = empty_stage(tmp_path / "deep" / "new")
    assert made.is_dir()


@pytest.mark.parametrize(
    ("truth", "lacks"),
    [
        (None, "truth.json"),
        ("not JSON", "truth.json"),
        ("[]", "truth.json"),
        ('{"frames": {"F1.dng": {}}}', "truth.json"),
        (
            json.dumps({"frames": {"F1.dng": {"verdict": None, "look": None, "shows": ""}}}),
            "F1.dng",
        ),
        ('{"frames": {}}', "plan.toml"),
    ],
)
def test_the_demo_refuses_a_folder_that_holds_no_made_frames(
    tmp_path: Path, truth: str | None, lacks: str
) -> None:
    if truth is not None:
        (tmp_path / "truth.json").write_text(truth, encoding="utf-8")
    with pytest.raises(PathMissing, match=lacks):
        made_frames(tmp_path)
    assert run(["demo", "--frames", str(tmp_path)]) == 2


@pytest.fixture
def small_demo(tmp_path: Path) -> Path:
    """Return a folder of two made frames that the demo replays in a moment."""
    folder = tmp_path / "made"
    folder.mkdir()
    (folder / "plan.toml").write_text("schema = 1", encoding="utf-8")
    for seed in (1, 2):
        write_kind(folder / f"F{seed}.dng", "rggb lossless", seed=seed)
    frames = {f"F{n}.dng": {"verdict": None, "look": None, "shows": "Light."} for n in (1, 2)}
    (folder / "truth.json").write_text(json.dumps({"frames": frames}), encoding="utf-8")
    return folder


def test_the_demo_replays_another_folder(
    small_demo: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    stage = small_demo.parent / "in"
    assert run(["demo", "--frames", str(small_demo), "--into", str(stage)]) == 0
    assert "2 frames in " in capfd.readouterr().out
    assert sorted(slip.name for slip in (stage / "slips").iterdir()) == ["F1.png", "F2.png"]


def test_the_demo_tells_of_a_frame_that_cant_land_in_a_sentence(
    small_demo: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: Replay, name: str) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", str(self.shoot / name))

    monkeypatch.setattr(Replay, "_land", full)
    stage = small_demo.parent / "in"
    assert run(["demo", "--frames", str(small_demo), "--into", str(stage)]) == 2
    [told] = [line for line in capfd.readouterr().err.splitlines() if "stopwise: " in line]
    assert told.startswith(f"stopwise: {stage / 'shoot' / 'F1.dng'}: No space left on device.")


def test_the_demo_ends_at_once_where_its_output_is_full(small_demo: Path) -> None:
    call = [sys.executable, "-m", "stopwise", "demo", "--frames", str(small_demo)]
    with open(FULL, "wb") as device:  # noqa: PTH123
        done = subprocess.run(call, stdout=device, stderr=subprocess.PIPE, check=False)
    assert done.returncode == 2
    assert done.stderr.count(b"The output can't be written") == 1
    assert b"Traceback" not in done.stderr
