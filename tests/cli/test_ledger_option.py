"""Whatever is named as a ledger and isn't one is refused by name, by every command, untouched."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest

from stopwise.cli import run
from stopwise.ledger import Ledger
from support.made_takes import MadeShoot

SAMPLES = Path(__file__).resolve().parents[2] / "sample_frames"

COMMANDS = (
    "ledger export",
    "run",
    "compare F0011.dng F0011.dng",
    "lit key",
    "expect key",
    "take",
    "look dark",
    "adopt F0011.dng --plan plan.toml",
    "check F0011.dng",
    "dial --plan plan.toml",
    "watch elsewhere",
)


@pytest.fixture
def shoot(tmp_path, monkeypatch):
    for name in ("F0009.dng", "F0011.dng", "plan.toml"):
        shutil.copy(SAMPLES / name, tmp_path)
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


def lying_there(folder):
    return {
        path.relative_to(folder): (
            path.stat().st_mtime_ns,
            path.is_file() and hashlib.sha256(path.read_bytes()).hexdigest(),
        )
        for path in folder.rglob("*")
    }


def refused(words, name, capsys):
    assert run(words) == 2
    told = capsys.readouterr()
    assert f"{name} isn't a ledger of stopwise. It was left as it is" in told.err
    assert told.out == ""


@pytest.mark.parametrize("name", ["F0009.dng", "plan.toml"])
@pytest.mark.parametrize("command", COMMANDS)
def test_a_raw_file_or_a_plan_that_is_named_as_a_ledger_is_refused(shoot, capsys, command, name):
    before = lying_there(shoot)
    refused([*command.split(), "--ledger", name], name, capsys)
    assert lying_there(shoot) == before


def test_so_is_one_that_is_named_as_an_earlier_days_ledger(shoot, capsys):
    before = lying_there(shoot)
    again = "dial --plan plan.toml --match F0009.dng --take 1"
    refused(again.split(), "F0009.dng", capsys)
    rebuilt = "rebuild F0009.dng key=F0011.dng --plan plan.toml --take 1"
    refused(rebuilt.split(), "F0009.dng", capsys)
    assert lying_there(shoot) == before


READING = (
    "ledger export",
    "run",
    "compare F0011.dng F0011.dng --plan plan.toml",
    "dial --plan plan.toml",
    "rebuild LEDGER key=F0004.dng --plan plan.toml --take 1",
)
"""Commands that only read a ledger; how they end is no matter here."""


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """Return a folder with a small made shoot, and a ledger that keeps its reference."""
    made = MadeShoot(tmp_path_factory.mktemp("made"))
    ledger = made.folder / "kept" / "l.sqlite"
    run(["check", str(made.reference), "--plan", str(made.plan), "--ledger", str(ledger)])
    with Ledger(ledger) as written:
        assert [one.record.file for one in written.frames.all()] == [str(made.reference)]
    return ledger


@pytest.mark.parametrize("command", READING)
def test_commands_that_read_never_write(kept, monkeypatch, command):
    monkeypatch.chdir(kept.parent.parent)
    before = lying_there(kept.parent)
    words = [str(kept) if word == "LEDGER" else word for word in command.split()]
    named = () if "LEDGER" in command else ("--ledger", str(kept))
    assert run([*words, *named]) in {0, 1, 2}
    assert lying_there(kept.parent) == before
