"""One lamp, one turn: what findings ask of a lamp comes to one figure."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.findings import Finding, Turn
from stopwise.messages import do, headline
from stopwise.plan.now import plan_now
from stopwise.verdict import judge
from stopwise.verdict.turns import turn_of, with_one_turn_a_lamp
from support.readings import measurement, patch, plan, reading

LAMPS = [
    {"name": "key", "role": "key", "power": -2.0, "step": 0.1},
    {"name": "fill", "role": "fill", "power": -3.0, "step": 0.1},
]
TARGETS = plan_now(plan(light=LAMPS, patch=[patch("cheek", zone=6.5, lit_by=["key"])]))


def asks(check, of, stops, light="key", state="fails"):
    turn = None if stops is None else Turn(light, stops)
    code = {"patch": "over", "clip": "blown", "headroom": "near_clip"}.get(check, "over")
    return Finding(check, of, code, state, 7.0, 6.0, (None, 0.2), turn=turn)


def turns(*findings):
    return [
        None if finding.turn is None else finding.turn.needed
        for finding in with_one_turn_a_lamp(findings, TARGETS)
    ]


def test_zones_settle_a_lamps_turn_by_their_median():
    found = turns(
        asks("patch", "cheek", -0.9), asks("patch", "brow", -0.8), asks("patch", "chip", -0.8)
    )
    assert found == [-0.8, -0.8, -0.8]


def test_each_lamp_has_a_turn_of_its_own():
    assert turns(asks("patch", "a", -0.8), asks("patch", "b", 0.4, "fill")) == [-0.8, 0.4]


def test_a_highlight_that_needs_more_has_its_way():
    assert turns(asks("patch", "cheek", -0.3), asks("headroom", "brow", -0.6)) == [-0.6, -0.6]


def test_a_highlight_that_needs_less_goes_along():
    assert turns(asks("patch", "cheek", -0.8), asks("headroom", "brow", -0.5)) == [-0.8, -0.8]


def test_a_blown_patch_takes_over_the_lamp_that_makes_it_too_bright():
    clip, cheek = with_one_turn_a_lamp(
        [asks("clip", "cheek", None), asks("patch", "cheek", -0.8)], TARGETS
    )
    assert clip.turn == cheek.turn == Turn("key", -0.8, -2.8, "to -2.8")
    assert clip.cause == "lamp"
    assert do(clip) == "Key down 0.8, to -2.8."


def test_a_blown_patch_that_is_not_over_keeps_its_own_cause():
    assert turns(asks("clip", "cheek", None), asks("patch", "brow", -0.8)) == [None, -0.8]
    assert turns(asks("clip", "cheek", None), asks("patch", "cheek", 0.5)) == [None, 0.5]


def test_targets_that_pull_a_lamp_both_ways_are_left_as_they_are():
    assert turns(asks("patch", "a", -0.8), asks("patch", "b", 0.4)) == [-0.8, 0.4]


@given(st.lists(st.integers(1, 40), min_size=1, max_size=9), st.sampled_from([-1, 1]))
def test_the_turn_lies_among_those_asked_and_in_the_lamps_steps(tenths, way):
    asked = [way * number / 10 for number in tenths]
    (stops,) = set(turns(*(asks("patch", f"p{i}", one) for i, one in enumerate(asked))))
    assert min(asked) - 1e-9 <= stops <= max(asked) + 1e-9
    assert round(stops * 10) == pytest.approx(stops * 10)


# A pack at -0.2 has 0.2 left to full: whatever is asked beyond it, it can't give (common practice).
@pytest.mark.parametrize(
    ("power", "stops", "turn"),
    [
        (-0.2, 0.5, Turn("key", 0.2, 0.0, "to full", "full", 0.3)),
        (-7.9, -0.5, Turn("key", -0.1, -8.0, "to -8.0", "least", -0.4)),
        (-2.0, 0.04, None),
        (None, -0.5, Turn("key", -0.5)),
        (-2.0, -0.5, Turn("key", -0.5, -2.5, "to -2.5")),
    ],
)
def test_a_turn_ends_where_the_packs_range_does(power, stops, turn):
    (light,) = plan(light=[{"name": "key", "power": power}]).lights
    assert turn_of(light, stops) == turn


def test_record_and_headline_say_alike_that_a_lamp_is_at_its_end():
    targets = plan(
        light=[{"name": "key", "power": -0.2}],
        patch=[patch(name, zone=6.5, lit_by=["key"]) for name in ("cheek", "brow")],
    )
    verdict = judge(measurement({"cheek": reading(6.0), "brow": reading(6.0)}), targets)
    told = [do(finding) for finding in verdict.findings if finding.turn is not None]
    assert told == ["Key is at full: move it nearer."] * 2
    assert headline(verdict)[1] == "Key is at full: move it nearer."
