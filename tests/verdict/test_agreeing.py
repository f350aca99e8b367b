"""One lamp, one turn: what findings ask of a lamp comes to one figure."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stopwise.verdict.agreeing import with_one_turn_a_lamp
from stopwise.verdict.findings import Finding, Turn

from stopwise.plan.now import plan_now
from support.readings import patch, plan

LAMPS = [
    {"name": "key", "role": "key", "power": -2.0, "step": 0.1},
    {"name": "fill", "role": "fill", "power": -3.0, "step": 0.1},
]
TARGETS = plan_now(plan(light=LAMPS, patch=[patch("cheek", zone=6.5, lit_by=["key"])]))


def asks(check, of, stops, light="key", state="fails"):
    turn = None if stops is None else Turn(light, stops)
    return Finding(check, of, 7.0, 6.0, (None, 0.2), "stops", state, f"{of}.", turn=turn)


def turns(*findings):
    return [
        None if finding.turn is None else finding.turn.stops
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
    assert clip.turn == cheek.turn == Turn("key", -0.8)
    assert clip.cause == "lamp"
    assert clip.do == "Key down 0.8, to -2.8."


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
