"""`stopwise rebuild`: a made set built again, lamp by lamp, from the solos of its day."""

from __future__ import annotations

import json

import pytest

from stopwise.cli import run
from stopwise.ledger import Ledger, Place, Stamp
from support.made_takes import MadeShoot
from support.records import patch, record


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    """Return the old day's folder: its plan and solos, and a take with the fill turned by -0.3."""
    made = MadeShoot(tmp_path_factory.mktemp("june"))
    with Ledger(made.folder / "june.sqlite") as ledger:
        take = ledger.takes.begin(name="final").number
        lamps = {
            name: {"stops": -0.3 if name == "fill" else 0.0, "uncertainty": 0.02, "state": "fired"}
            for name in made.shoot.names
        }
        box = (0.4, 0.4, 0.5, 0.5)
        whole = record(file="F1.dng", take=take, patches={"a": patch(6.5, box)}, lamps=lamps)
        ledger.frames.keep(whole, Place("/x", "F1.dng", Stamp(1, 1, 1)), sha256="1" * 64)
    return made


def call(day, *more):
    old = ["--take", "final", "--plan", str(day.plan)]
    return run(["rebuild", str(day.folder / "june.sqlite"), *more, *old])


def solo(day, lamp, turn):
    path = day._write(f"new {lamp} {turn}.dng", day.shoot.frame({lamp: turn}))
    return f"{lamp}={path}"


def test_the_walk_begins_with_the_first_lamp_and_where_it_stood(day, capsys):
    assert call(day) == 1
    said = capsys.readouterr().out
    assert said.startswith("Next: light the key alone and shoot it. It stood: snoot, 60 degrees")


def test_each_lamp_is_held_against_its_solo_as_the_take_had_it(day, capsys):
    given = [solo(day, "key", 0.25), solo(day, "fill", -0.3), solo(day, "paper left", 0.0)]
    assert call(day, *given, "--json") == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["lamps"]["key"]["stops"] == pytest.approx(0.25, abs=0.05)
    assert answer["lamps"]["key"]["do"].startswith("Power down 0.")
    assert answer["lamps"]["fill"]["matches"]
    assert answer["lamps"]["paper left"]["matches"]
    assert answer["missing"] == ["hair", "paper right"]


def test_the_hair_lamp_on_its_boom_comes_with_a_caution(day, capsys):
    assert call(day, solo(day, "hair", 0.4)) == 1
    said = capsys.readouterr().out
    assert "Hair solo: 0.4 over. Power down 0.4." in said
    assert "hangs over the sitter" in said


def test_it_ends_with_0_once_all_match(day, capsys):
    turned = {"fill": -0.3}
    given = [solo(day, name, turned.get(name, 0.0)) for name in day.shoot.names]
    assert call(day, *given) == 0
    assert "All lamps match." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("more", "said"), [(["key"], "LAMP=FRAME"), (["kye=F1.dng"], "key"), (["key=gone"], "gone")]
)
def test_wrong_use_is_one_sentence(day, capsys, more, said):
    assert call(day, *more) == 2
    assert said in capsys.readouterr().err
