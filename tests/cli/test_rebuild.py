"""`stopwise rebuild`: a made set built again, lamp by lamp, from the solos of its day."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest

from lightmodel import studio
from lightmodel.lamps import Beam, placed
from lightmodel.scene import Card, Scene
from lightmodel.shoots import Shoot
from stopwise.cli import run
from stopwise.ledger import Ledger, Place, Stamp
from support.made_takes import VIEW, MadeShoot
from support.records import kept, patch


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
        whole = kept(file="F1.dng", take=take, patches={"a": patch(6.5, box)}, lamps=lamps)
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
    assert said.startswith("Next: light the key alone and shoot it. It stood: snoot, 60° to")


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


AIM = (0.0, -0.04, 0.08)
NARROW = replace(
    studio.KEY,
    aim=AIM,
    position=placed(AIM, 40.0, 30.0, 1.7),
    beam=Beam(half_angle_deg=4.0, edge_deg=2.0),
)
SHEET = Scene(card=Card(centre=(0.0, -0.05, 0.11), facing=(0.0, 0.0, 1.0), half=(0.4, 0.4, 0.003)))


@pytest.fixture(scope="module")
def narrow(tmp_path_factory):
    """Return an old day whose key is a narrow spot, once with a white card in its plan."""
    lamps = (NARROW, *studio.LAMPS[1:])
    made = MadeShoot(tmp_path_factory.mktemp("july"), shoot=Shoot(lamps=lamps, view=VIEW))
    made._write("card.dng", made.shoot.solo("key", scene=SHEET))
    with_sheet = made.plan.with_name("with card.toml")
    text = made.plan.read_text(encoding="utf-8")
    with_sheet.write_text(f'{text}\n[frames.white_card]\nkey = "card.dng"\n', encoding="utf-8")
    with Ledger(made.folder / "june.sqlite") as ledger:
        take = ledger.takes.begin(name="final").number
        whole = kept(file="F1.dng", take=take, patches={"a": patch(6.5, (0.4, 0.4, 0.5, 0.5))})
        ledger.frames.keep(whole, Place("/x", "F1.dng", Stamp(1, 1, 1)), sha256="1" * 64)
    return made, with_sheet


def rebuilt(narrow, capsys, lamp, *, turn=0.0, scene=None, card=True):
    """Return what `rebuild` says of the key alone today, the lamp as it stands now."""
    made, with_sheet = narrow
    changes = {} if scene is None else {"scene": scene}
    lamps = (lamp, *studio.LAMPS[1:])
    path = made._write("today.dng", made.shoot.frame({"key": turn}, lamps=lamps, **changes))
    plan = with_sheet if card else made.plan
    words = [str(made.folder / "june.sqlite"), f"key={path}", "--take", "final", "--json"]
    run(["rebuild", *words, "--plan", str(plan)])
    return json.loads(capsys.readouterr().out)["lamps"]["key"]


@pytest.mark.parametrize(("aim_m", "way"), [(-0.05, "low"), (0.04, "high")])
def test_a_spot_is_placed_on_the_sitter_where_a_white_card_of_then_is_known(
    narrow, capsys, aim_m, way
):
    """A card of today is the truth here; on a sitter half of a move or more is seen."""
    aimed = replace(NARROW, aim=(0.0, -0.04 + aim_m, 0.08))
    sure = rebuilt(narrow, capsys, aimed, scene=SHEET)
    about = rebuilt(narrow, capsys, aimed, turn=-0.3)
    assert abs(sure["down"]) > 0.02
    assert not sure["rough"]
    assert about["rough"]
    assert 0.4 < about["down"] / sure["down"] < 1.1
    assert about["right"] == pytest.approx(sure["right"], abs=0.01)
    assert about["stops"] == pytest.approx(-0.3, abs=0.08)
    assert f"spot about {100 * abs(about['down']):.0f} % {way}" in about["say"]
    beam = "raise" if way == "low" else "lower"
    assert f"{beam} its beam by about" in about["do"].lower()
    assert re.search(r"then power up 0\.[23]\.$", about["do"])
    assert not about["matches"]


@pytest.mark.slow
def test_doing_what_it_says_again_and_again_brings_the_light_back(narrow, capsys):
    """Each round raises beam and power by what was told; a white card then says how near it is.

    It is to match within a tenth of a stop and a hundredth of the frame.
    """
    down_m, turn = -0.05, -0.3
    metres = abs(down_m / rebuilt(narrow, capsys, _aimed(down_m), scene=SHEET)["down"])
    for _ in range(6):
        told = rebuilt(narrow, capsys, _aimed(down_m), turn=turn)
        if told["matches"]:
            break
        down_m += (told["down"] or 0.0) * metres
        turn -= told["stops"]
    assert told["matches"]
    truth = rebuilt(narrow, capsys, _aimed(down_m), turn=turn, scene=SHEET)
    assert abs(truth["down"]) <= 0.01
    assert abs(turn) <= 0.1


def _aimed(down_m):
    return replace(NARROW, aim=(AIM[0], AIM[1] + down_m, AIM[2]))


def test_a_spot_that_is_back_matches_on_the_sitter_too(narrow, capsys):
    found = rebuilt(narrow, capsys, NARROW)
    assert found["matches"]
    assert found["say"] == "Key solo matches."


def test_without_a_white_card_of_then_it_says_why_and_goes_on_by_level(narrow, capsys):
    aimed = replace(NARROW, aim=(0.0, -0.09, 0.08))
    found = rebuilt(narrow, capsys, aimed, turn=-0.4, card=False)
    assert found["right"] is None
    assert found["stops"] == pytest.approx(-0.4, abs=0.2)
    why = "its light falls otherwise. Its spot can't be placed: no frame of a white card was marked"
    assert why in found["say"]
    assert found["do"].startswith("Put lamp and sitter on their old marks, then power up 0.")
    assert not found["matches"]


def test_a_sitter_off_the_old_mark_is_sent_back_to_it_and_no_lamp_is_turned(narrow, capsys):
    scene = narrow[0].shoot.moved(right_m=0.05)
    found = rebuilt(narrow, capsys, NARROW, scene=scene)
    assert "the sitter isn't as he was then" in found["say"]
    assert found["do"] == "Put lamp and sitter on their old marks, then shoot again."


@pytest.mark.parametrize(
    ("more", "said"), [(["key"], "LAMP=FRAME"), (["kye=F1.dng"], "key"), (["key=gone"], "gone")]
)
def test_wrong_use_is_one_sentence(day, capsys, more, said):
    assert call(day, *more) == 2
    assert said in capsys.readouterr().err
