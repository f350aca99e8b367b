"""A turned head blames no lamp, and a lamp that is out is named; on a portrait not made by us."""

from __future__ import annotations

import numpy as np
import pytest

from stopwise.lamps.blame import know
from stopwise.lamps.seen import Announced, see_lamps
from stopwise.measurement import Known, read
from stopwise.plan.now import plan_now
from stopwise.verdict import verdict_on
from support.outside import FIRST_PROVING
from support.outside_sets import LAMPS, MARK, Pose, outside_set

SEED = FIRST_PROVING + 911


@pytest.fixture(scope="module")
def told():
    """Return what judges a frame of one set by its solos, the sitter up to 1 % off in each."""
    return judging(SEED, misplaced=0.01)


def judging(seed, *, misplaced):
    """Return what judges a frame of a set by its solos."""
    made = outside_set(seed)
    own = made.shot(np.random.default_rng(seed), misplaced=misplaced)
    now = plan_now(made.plan)
    knowledge = know(own.lamps, now)

    def judged(stops, pose):
        frame = made.frame(stops, pose, draw=31)
        reading = read(frame, made.plan, known=Known(reference=own.reference))
        seen = see_lamps(
            reading.grid, own.lamps, knowledge, reading.measurement, Announced(turned={}), {}
        )
        return seen, verdict_on(reading.measurement, now, lamps=seen)

    return judged


@pytest.mark.parametrize("degrees", [-18.0, 15.0])
def test_a_turned_head_fails_and_no_lamp_is_blamed_or_turned(told, degrees):
    seen, verdict = told(dict.fromkeys(LAMPS, 0.0), Pose(turned=degrees))
    failing = [one for one in verdict.findings if one.state == "fails"]
    assert failing
    assert not [one.of for one in failing if one.cause == "lamp"]
    assert not verdict.turns
    for name in ("key", "fill", "paper"):
        reading = seen.readings[name]
        assert reading.state in ("fired", "not seen")
        if reading.state == "fired":
            assert abs(reading.stops) <= max(0.1, 2.0 * reading.uncertainty)


def test_a_lamp_that_is_turned_is_read_within_its_uncertainty_and_blamed(told):
    seen, verdict = told({**dict.fromkeys(LAMPS, 0.0), "key": 0.8}, MARK)
    key = seen.readings["key"]
    assert key.stops == pytest.approx(0.8, abs=max(0.1, 2.0 * key.uncertainty))
    assert any(one.cause == "lamp" for one in verdict.findings if one.state == "fails")
    assert [turn.light for turn in verdict.turns] == ["key"]


@pytest.mark.parametrize("lamp", ["key", "fill", "paper"])
def test_a_lamp_that_is_out_is_named(told, lamp):
    seen, _ = told({name: 0.0 for name in LAMPS if name != lamp}, MARK)
    assert [name for name, one in seen.readings.items() if one.state == "out"] == [lamp]


@pytest.mark.slow
def test_a_hair_lamp_of_which_little_is_seen_is_out_and_not_unseen():
    """It gives 0.4 stop of one patch of hair, so that what is read of it is unsure."""
    seen, _ = judging(438, misplaced=0.02)({name: 0.0 for name in LAMPS if name != "hair"}, MARK)
    assert [name for name, one in seen.readings.items() if one.state == "out"] == ["hair"]
