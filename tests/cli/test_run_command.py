"""`stopwise run` and a comparison of takes, over records that a ledger keeps."""

from __future__ import annotations

import hashlib
import json

import pytest

from stopwise.cli import run
from stopwise.ledger import Ledger, Place, Stamp
from stopwise.shoot.watches import remember
from support.records import kept as kept_record
from support.records import patch

BOX = (0.4, 0.4, 0.5, 0.5)


def keep(ledger, name, *, take, zone, key, look=None):
    whole = kept_record(
        file=name,
        take=take,
        look=look,
        patches={"lit cheek": patch(zone, BOX, log2_y=zone - 8.0)},
        lamps={"key": {"stops": key, "uncertainty": 0.02, "state": "fired"}},
    )
    place = Place("/made", name, Stamp(1, len(name), hash(name) & 0xFFFF))
    digest = hashlib.sha256(name.encode()).hexdigest()
    return ledger.frames.keep(whole, place, sha256=digest)


@pytest.fixture
def kept(tmp_path):
    """Return a ledger of two takes: the key steps by 0.3 in the first, and is turned between."""
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        first = ledger.takes.begin(name="hard light").number
        for at in range(8):
            down = 0.3 if at >= 5 else 0.0
            keep(ledger, f"F{at:04d}.dng", take=first, zone=6.5 - down, key=-down)
        second = ledger.takes.begin({"key": -0.5}).number
        for at in range(8, 12):
            keep(ledger, f"F{at:04d}.dng", take=second, zone=6.0, key=-0.5)
    return path


def test_the_frame_that_began_a_step_is_named(kept, capsys):
    assert run(["run", "--ledger", str(kept), "--take", "hard light", "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["take"] == 1
    assert len(answer["frames"]) == 8
    assert answer["lamps"]["key"]["median"] == 0.0
    [flag] = answer["flags"]
    assert (flag["file"], flag["of"], flag["kind"]) == ("F0005.dng", "key", "step")


def test_the_take_that_is_on_is_shown_when_none_is_named(kept, capsys):
    assert run(["run", "--ledger", str(kept)]) == 0
    shown = capsys.readouterr().out
    assert "Take 2: 4 frames count" in shown
    assert "Nothing steps, drifts or falls out" in shown


def test_all_takes_are_one_line_each(kept, capsys):
    assert run(["run", "--ledger", str(kept), "--all", "--json"]) == 1
    assert [json.loads(line)["take"] for line in capsys.readouterr().out.splitlines()] == [1, 2]


def test_two_takes_are_compared_by_what_was_said_between_them(kept, capsys):
    assert run(["compare", "take 1", "take 2", "--ledger", str(kept), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["lamps"] == {"key": pytest.approx(-0.5)}
    key = next(one for one in answer["findings"] if one["of"] == "key")
    assert key["planned"] == -0.5
    assert answer["patches"]["lit cheek"]["stops"] == pytest.approx(-0.5)


def test_today_is_held_against_an_earlier_days_take(kept, tmp_path, capsys):
    today = tmp_path / "today.sqlite"
    with Ledger(today) as ledger:
        keep(ledger, "G0001.dng", take=None, zone=6.3, key=0.0)
    call = ["compare", "G0001.dng", "--ledger", str(today), "--to", str(kept), "--take", "1"]
    assert run([*call, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["before"] == "take 1 (hard light)"
    assert answer["patches"]["lit cheek"]["stops"] == pytest.approx(-0.2)
    assert answer["lamps"] == {}, "lamps stand on other solos, so they can't be compared"


def test_with_no_option_the_last_watch_is_spoken_of(kept, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    for command in (["run"], ["ledger", "export"]):
        assert run(command) == 2
        assert "No folder was ever watched here" in capsys.readouterr().err
    with Ledger(kept) as ledger:
        remember(ledger, str(tmp_path), None)
    assert run(["run"]) == 0
    assert "Take 2: 4 frames count" in capsys.readouterr().out
    assert run(["ledger", "export"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 12


@pytest.mark.parametrize("command", [["run"], ["compare", "take 9", "take 1"]])
def test_what_is_not_there_is_said_with_what_is(kept, capsys, command):
    more = ["--take", "9"] if command == ["run"] else []
    assert run([*command, "--ledger", str(kept), *more]) == 2
    assert "take 1 (hard light), take 2" in capsys.readouterr().err


def test_a_file_that_is_there_counts_as_it_was_kept_unless_a_plan_is_named(
    kept, tmp_path, capsys, monkeypatch
):
    (tmp_path / "F0000.dng").write_bytes(b"not what was kept")
    monkeypatch.chdir(tmp_path)
    assert run(["compare", "F0000.dng", "F0007.dng", "--ledger", str(kept), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["patches"]["lit cheek"]["stops"] == pytest.approx(-0.3)
