"""Solos whose sitter drifted: found, followed, added up, and said; on portraits not made by us."""

from __future__ import annotations

import numpy as np
import pytest

from stopwise.lamps.dial import Dials
from stopwise.lamps.solos import LOST, find_places, place_notes, sought_in
from stopwise.measurement import Known, read
from stopwise.plan.now import plan_now
from support.outside import FIRST_PROVING
from support.outside_sets import LAMPS, TALL, WIDE, outside_set

SEED = FIRST_PROVING + 901
MISPLACED = 0.02


@pytest.fixture(scope="module")
def drifted():
    """Return a set and its solos, the sitter up to 2 % of the width off the reference in each."""
    made = outside_set(SEED)
    return made, made.shot(np.random.default_rng(SEED), misplaced=MISPLACED)


@pytest.mark.parametrize("lamp", LAMPS)
def test_a_sitter_is_found_in_each_solo_by_what_its_lamp_lights(drifted, lamp):
    """Within half a block of two photosites; the paper's lamp shows his outline alone."""
    _, own = drifted
    place, pose = own.lamps.places[lamp], own.poses[lamp]
    assert place.right * WIDE == pytest.approx(pose.right, abs=1.3)
    assert place.down * TALL == pytest.approx(pose.down, abs=1.3)
    assert 0.0 < place.error < 0.003


def test_boxes_of_the_sitter_are_read_where_he_stood_and_still_things_stay(drifted):
    made, own = drifted
    for name, net in own.lamps.nets.items():
        place = own.lamps.places[name]
        for patch in made.plan.patches:
            right = 0.0 if patch.still else place.right
            assert net.boxes[patch.name].box[0] == pytest.approx(patch.box[0] + right, abs=1 / WIDE)
            assert len(net.boxes[patch.name].clipped) == len(
                own.reference.boxes[patch.name].clipped
            )


def test_a_sitter_who_stood_elsewhere_is_said_and_one_who_is_not_found_too(drifted):
    _, own = drifted
    far = {
        name for name, pose in own.poses.items() if np.hypot(pose.right, pose.down) > 0.011 * WIDE
    }
    said = {note.lamp for note in own.lamps.notes if note.code == "sitter off"}
    assert far <= said
    dark = {"key": own.reference, "fill": own.reference.scaled(0.5)}
    notes = list(place_notes(dark, {"key": LOST, "fill": LOST}))
    assert [(note.code, note.lamp) for note in notes] == [
        ("sitter not placed", "key"),
        ("sitter not placed", "fill"),
    ]


def test_nothing_of_a_sitter_is_found_in_a_frame_without_him(drifted):
    made, own = drifted
    empty = made.light(made.frame({}, draw=77), made.plan)
    sought = sought_in(own.reference, plan_now(made.plan))
    assert find_places({"key": empty}, sought) == {"key": LOST}


@pytest.mark.parametrize("seed", [FIRST_PROVING + number for number in (902, 903)])
def test_what_a_dial_promises_holds_in_the_frame_that_is_then_made(seed):
    """Solos up to 1 % of the width off: whatever isn't unsure holds within 0.15 stop."""
    made, rng = outside_set(seed), np.random.default_rng(seed)
    plan = made.planned({name: float(rng.uniform(-1.0, 1.0)) for name in LAMPS})
    own = made.shot(rng, misplaced=0.01, plan=plan)
    answer = Dials(own.lamps, plan_now(plan)).solved()
    then = made.frame({name: lamp.turn for name, lamp in answer.lamps.items()}, draw=50)
    measured = read(then, plan, known=Known(reference=own.reference)).measurement.patches
    unsure = {one.of for one in answer.unsure}
    sure = [name for name in answer.predicted.patches if name not in unsure]
    assert len(sure) >= 3
    for name in sure:
        assert answer.predicted.patches[name].zone == pytest.approx(measured[name].zone, abs=0.15)
    for one in answer.unsure:
        assert one.uncertainty > 0.075
        assert "within" in one.say


def test_solos_far_off_are_not_promised():
    """At a twentieth of the width nothing that a spot lights is sure."""
    made, rng = outside_set(FIRST_PROVING + 904), np.random.default_rng(4)
    own = made.shot(rng, misplaced=0.05)
    answer = Dials(own.lamps, plan_now(made.plan)).solved()
    assert answer.unsure
