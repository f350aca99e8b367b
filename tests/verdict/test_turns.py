"""A lamp's turn at its pack, where its dial stands then, and what it explains."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.findings import Detail, Finding, Turn, verdict_of
from stopwise.lamps.joint_turns import Remedy
from stopwise.lamps.outputs import LampReading, setting_now
from stopwise.messages import headline, say, told
from stopwise.plan.model import Plan
from stopwise.verdict import judge
from stopwise.verdict.causes import turn_of, turn_of_remedy, with_what_they_mend
from support.readings import measurement, patch, plan, reading


def failed(check, of, lamp=None):
    return Finding(check, of, "over", "fails", 7.0, 6.0, (None, 0.2), explained_by=lamp)


def lamp(power=-2.0, **more):
    (light,) = plan(light=[{"name": "key", "power": power, "step": 0.1, **more}]).lights
    return light


def test_a_blown_patch_takes_over_the_lamp_that_makes_it_too_bright():
    findings = [failed("clip", "cheek"), failed("patch", "cheek", "key"), failed("clip", "brow")]
    told, (turn,) = with_what_they_mend(findings, [Turn("key", -0.8)], Plan())
    assert [one.explained_by for one in told] == ["key", "key", None]
    assert turn.explains == ("cheek",)


def test_a_blown_patch_is_not_laid_to_a_lamp_that_is_turned_up():
    findings = [failed("clip", "cheek"), failed("patch", "cheek", "key")]
    told, _ = with_what_they_mend(findings, [Turn("key", 0.5)], Plan())
    assert told[0].explained_by is None


# A pack at -0.2 has 0.2 left to full: whatever is asked beyond it, it can't give (common practice).
@pytest.mark.parametrize(
    ("setting", "stops", "turn"),
    [
        (-0.2, 0.5, Turn("key", 0.2, 0.0, "to full", limit="full", short_by=0.3)),
        (-7.9, -0.5, Turn("key", -0.1, -8.0, "to -8.0", limit="least", short_by=-0.4)),
        (-2.0, 0.04, None),
        (None, -0.5, Turn("key", -0.5)),
        (-2.0, -0.5, Turn("key", -0.5, -2.5, "to -2.5")),
        (0.0, 0.5, Turn("key", 0.0, 0.0, "to full", limit="full", short_by=0.5)),
    ],
)
def test_a_turn_ends_where_the_packs_range_does(setting, stops, turn):
    assert turn_of(lamp(), stops, setting) == turn


@pytest.mark.parametrize(
    ("remedy", "setting", "turn"),
    [
        (Remedy("key", -0.8), -1.2, Turn("key", -0.8, -2.0, "to -2.0")),
        (Remedy("key", -0.8), None, Turn("key", -0.8)),
        (Remedy("key", 0.0, 1, 0.4), 0.0, Turn("key", 0.0, 0.0, "to full", (), "full", 0.4)),
    ],
)
def test_a_part_of_the_joint_answer_is_a_turn_from_where_the_lamp_stands(remedy, setting, turn):
    assert turn_of_remedy(lamp(), remedy, setting) == turn


@pytest.mark.parametrize(
    ("stops", "doubt", "said", "stands"),
    [
        (0.8, 0.03, None, -1.2),  # silence announces nothing: the reading holds
        (0.83, 0.03, None, -1.2),  # a dial stands on its steps
        (0.8, 0.03, 0.8, -1.2),
        (0.8, 0.03, 0.5, None),  # announced by half a stop, and it reads otherwise
        (0.8, 0.2, 0.5, -1.5),  # the reading is no surer than that
        (2.03, 0.03, None, 0.0),
        (2.6, 0.03, None, None),  # more than full: the solo wasn't shot at the plan's power
    ],
)
def test_a_dial_stands_at_its_solos_power_and_what_it_gave_since(stops, doubt, said, stands):
    """The plan's power is -2.0, of a pack that ends at full."""
    assert setting_now(LampReading(stops, doubt, "fired"), lamp(), said) == stands


def test_where_a_dial_stands_is_not_known_of_a_lamp_that_is_not_seen():
    assert setting_now(LampReading(0.1, 0.9, "not seen"), lamp()) is None
    assert setting_now(LampReading(None, None, "out"), lamp()) is None
    assert setting_now(LampReading(0.1, 0.02, "fired"), None) is None


@given(st.floats(-7.9, -0.1), st.floats(-3.0, 3.0))
def test_a_turn_stays_in_the_range_and_on_the_steps(power, stops):
    turn = turn_of(lamp(), stops, power)
    if turn is not None and turn.to is not None:
        assert -8.05 <= turn.to <= 0.05
        assert turn.needed == pytest.approx(stops, abs=0.0501)  # half a step


def test_without_solos_heads_on_one_pack_are_turned_together_and_both_are_named():
    """What is led by either is over by 0.4 and 0.6: one dial does 0.5 for both."""
    heads = [{"name": name, "power": -2.0, "pack": "pack A"} for name in ("key", "fill")]
    led = {"cheek": "key", "brow": "key", "temple": "fill", "jaw": "fill", "crown": "hair"}
    over = {"cheek": 0.4, "brow": 0.4, "temple": 0.6, "jaw": 0.6, "crown": 0.0}
    targets = plan(
        light=[*heads, {"name": "hair"}],
        patch=[patch(name, zone=5.0, lit_by=[lamp]) for name, lamp in led.items()],
    )
    verdict = judge(measurement({name: reading(5.0 + by) for name, by in over.items()}), targets)
    assert {(one.light, one.stops, one.together) for one in verdict.turns} == {
        ("key", -0.5, ("fill",)),
        ("fill", -0.5, ("key",)),
    }
    assert headline(verdict)[1] in ("Fill and key down 0.5.", "Key and fill down 0.5.")


def test_without_solos_a_lamp_is_turned_by_its_patches_and_nobody_knows_to_where():
    """No light shows where the dial stands: the plan's power may be long gone."""
    targets = plan(
        light=[{"name": "key", "power": -2.0}],
        patch=[patch(name, zone=6.5, lit_by=["key"]) for name in ("cheek", "brow")],
    )
    verdict = judge(measurement({"cheek": reading(6.0), "brow": reading(6.04)}), targets)
    assert verdict.turns == (Turn("key", 0.5, explains=("cheek", "brow")),)
    assert headline(verdict) == ("Key 0.5 low. Cheek 0.5 under.", "Key up 0.5.")


def test_a_blown_patch_of_a_lamp_without_a_solo_asks_for_it_at_the_plan_s_power_once():
    """Less light there: of which lamp, and by how much, only its own light tells."""
    targets = plan(
        light=[{"name": "key", "power": -2.0}, {"name": "fill", "power": -4.5}],
        patch=[
            patch("cheek", zone=6.5, lit_by=["key", "fill"]),
            patch("jacket", zone=7.0, material="white cloth", lit_by=["key", "fill"]),
            patch("shadow", zone=4.5, lit_by=["fill"]),
        ],
        ratio=[
            {"lit": "cheek", "shadow": "shadow", "stops": 2.0},
            {"lit": "jacket", "shadow": "cheek", "stops": 0.5},
        ],
    )
    readings = {
        "cheek": reading(6.5),
        "jacket": reading(7.7, clipped=0.02, headroom=0.0),
        "shadow": reading(4.0),
    }
    verdict = judge(measurement(readings), targets)
    lines = {say(one).partition(" ")[0]: text for one, text in told(verdict) if text}
    assert headline(verdict)[1] == "Shoot the key alone at -2.0, mark it."
    assert lines["Jacket"] == "Shoot the key alone at -2.0, mark it."
    assert list(lines.values()).count(lines["Jacket"]) == 1
    assert "Fill up a little." not in lines.values()
    assert {one.advice for one in verdict.findings if one.state == "fails"} == {"solo"}


def test_a_ratio_whose_patches_hold_is_left_to_the_fill():
    targets = plan(
        light=[{"name": "key"}, {"name": "fill"}],
        patch=[
            patch("cheek", zone=6.5, within=0.3, lit_by=["key"]),
            patch("shadow", zone=4.5, within=0.3, lit_by=["fill"]),
        ],
        ratio=[{"lit": "cheek", "shadow": "shadow", "stops": 2.0, "within": 0.2}],
    )
    verdict = judge(measurement({"cheek": reading(6.65), "shadow": reading(4.3)}), targets)
    assert headline(verdict) == ("Shadow 0.4 too deep.", "Fill up a little.")


def test_what_can_be_turned_now_is_told_before_a_solo_that_lacks():
    turn = Turn("key", -0.8, to=-2.0, shown="to -2.0", explains=("mask",))
    blown = Finding("clip", "brow", "blown", "fails", 0.2, 0.0, (None, 0.0), unit="fraction",
                    advice="solo", detail=Detail(material="skin", lamps=("hair",)))  # fmt: skip
    verdict = verdict_of([blown, failed("patch", "mask", "key")], [turn])
    assert headline(verdict)[1] == "Key down 0.8, to -2.0."
