"""A narrow key's spot, through the real watcher: sitter, lamp and spot told apart by a white card.

What lamps, sitter and white card did is the light model's, and known.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import lru_cache

import pytest

from lightmodel import studio
from lightmodel.lamps import Beam, placed
from lightmodel.scene import Card, Scene
from lightmodel.shoots import Shoot
from stopwise.cli import run
from stopwise.plan import load_plan
from stopwise.record import record_from_json
from support.set_day import fails, on_set, plan_without_frames, raw_of

AIM = (0.0, -0.04, 0.08)
KEY = replace(
    studio.KEY,
    aim=AIM,
    position=placed(AIM, 40.0, 30.0, 1.7),
    beam=Beam(half_angle_deg=4.0, edge_deg=2.0),
)
LAMPS = (KEY, *studio.LAMPS[1:])
SHEET = Scene(card=Card(centre=(0.0, -0.05, 0.11), facing=(0.0, 0.0, 1.0), half=(0.4, 0.4, 0.003)))
ON = dict.fromkeys((lamp.name for lamp in LAMPS), 0.0)


@lru_cache(maxsize=1)
def shoot() -> Shoot:
    return Shoot(lamps=LAMPS)


@lru_cache(maxsize=1)
def own_frames():
    """Return the frames that the plan names: ambient, solos, reference, the key's white card."""
    made = shoot()
    found = {"ambient": made.ambient(), "reference": made.frame()}
    found |= {name: made.solo(name) for name in made.names}
    return found | {"card": made.solo("key", scene=SHEET)}


def plan_with_sheet(stage, *, stand=""):
    """Lay the plan's own frames beside it, and return its text with all but the white card."""
    for part, shot in own_frames().items():
        (stage / f"set-{part.replace(' ', '-')}.dng").write_bytes(raw_of(shot, stage))
    solos = [f'"{name}" = "set-{name.replace(" ", "-")}.dng"' for name in shoot().names]
    frames = ['ambient = "set-ambient.dng"', 'reference = "set-reference.dng"', "[frames.solo]"]
    head, mark, rest = plan_without_frames().partition("[set]")
    head = re.sub(r'(name = "key"\n)', rf"\1{stand}", head, count=1)
    text = "\n".join(["[frames]", *frames, *solos, ""])
    return f"{head}{text}\n{mark}{rest}"


def lower(metres):
    """Return the lamps with the key's aim dropped."""
    dropped = replace(KEY, aim=(AIM[0], AIM[1] - metres, AIM[2]))
    return (dropped, *LAMPS[1:])


def spot_findings(record):
    return [
        one
        for one in record["findings"]
        if one["check"] == "lamp" and one["state"] == "fails" and "spot" in one["say"]
    ]


def test_sitter_lamp_and_spot_are_told_apart_from_a_white_card_that_landed(tmp_path):
    made = shoot()
    with on_set(tmp_path, plan_with_sheet(tmp_path, stand='stand = "boom"\n')) as day:
        assert day.say("expect", "key", "white", "card") == 0
        card = day.shot(made.solo("key", scene=SHEET))
        straight = day.shot(made.frame())
        turned = day.shot(made.frame(scene=made.moved(head_turn_deg=10.0)))
        weaker = day.shot(made.frame(ON | {"key": -0.5}))
        dropped = day.shot(made.frame(lamps=lower(0.04)))
        left = day.shot(made.frame(scene=made.moved(right_m=-0.12)))
    assert card["reason"] == "the plan's own frame: white card of key"
    assert load_plan(day.plan).frames.white_card["key"] == f"shoot/{card['file']}"
    for record, stops in ((straight, 0.0), (turned, 0.0), (weaker, -0.5)):
        assert not spot_findings(record)
        assert record["lamps"]["key"]["state"] == "fired"
        assert record["lamps"]["key"]["stops"] == pytest.approx(stops, abs=0.1)
    assert straight["lamps"]["key"]["spot"]["state"] == "steady"
    assert weaker["lamps"]["key"]["spot"]["output_stops"] == pytest.approx(-0.5, abs=0.05)
    assert straight["lamps"]["fill"]["spot"] is None

    (moved,) = spot_findings(dropped)
    assert (moved["of"], moved["cause"], moved["turn"]) == ("key", "lamp", None)
    say, do = record_from_json(dropped).headline
    assert say.startswith("Key's spot dropped about ")
    assert do == "Step away. Check the boom, secure it."
    assert dropped["lamps"]["key"]["stops"] == pytest.approx(0.0, abs=0.1)
    assert dropped["lamps"]["key"]["state"] == "fired"

    (out,) = spot_findings(left)
    assert (out["of"], out["cause"], out["turn"]) == ("key", "sitter", None)
    assert record_from_json(left).headline == (
        "Sitter is out of the key's spot.",
        "Sitter back to camera right, 12 %.",
    )
    assert left["lamps"]["key"]["state"] not in ("weak", "out")
    led = {"lit cheek", "brow"}
    for (check, of), finding in fails(left).items():
        if check == "patch" and of in led and finding["measured"] < finding["planned"]:
            assert (finding["cause"], finding["turn"]) == ("sitter", None)
    for record in (dropped, left):
        assert all(len(line) <= 38 for line in record_from_json(record).headline)


def test_check_tells_of_a_spot_by_a_white_card_that_was_marked(tmp_path, capfd):
    made = shoot()
    plan = tmp_path / "plan.toml"
    plan.write_text(plan_with_sheet(tmp_path), encoding="utf-8")
    assert (
        run(["mark", str(tmp_path / "set-card.dng"), "key", "--white-card", "--plan", str(plan)])
        == 0
    )
    assert capfd.readouterr().out == "plan.toml: white card of key is set-card.dng.\n"
    frame = tmp_path / "dropped.dng"
    frame.write_bytes(raw_of(made.frame(lamps=lower(0.04)), tmp_path))
    assert run(["check", str(frame), "--plan", str(plan), "--json"]) == 1
    record = json.loads(capfd.readouterr().out)
    assert record["lamps"]["key"]["spot"]["state"] == "spot moved"
    (finding,) = spot_findings(record)
    assert (finding["unit"], finding["turn"]) == ("fraction", None)
    assert finding["measured"] == record["lamps"]["key"]["spot"]["size"]
    assert (
        finding["do"] == "Check its boom."
    )  # 35 degrees up and 1.8 m away: it stands off the sitter
    assert run(["check", str(frame), "--plan", str(plan)]) == 1
    assert finding["say"] in capfd.readouterr().out


def test_a_frame_without_a_white_card_in_it_is_no_white_card(tmp_path):
    made = shoot()
    with on_set(tmp_path, plan_with_sheet(tmp_path)) as day:
        assert day.say("expect", "key", "white", "card") == 0
        record = day.shot(made.solo("key"))
    assert record["reason"].startswith(
        "not taken as the key white card: No spot with its edge is seen"
    )
    assert not load_plan(day.plan).frames.white_card
