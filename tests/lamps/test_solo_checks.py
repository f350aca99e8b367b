"""Checks of solos: refused, bounded or doubted, each with what to do."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stopwise.frame import Camera
from stopwise.grid import combine
from stopwise.lamps.solo_checks import check_solos, holds_other
from stopwise.lamps.solos import lamp_set
from support.lit_sets import LitSet, doubled, plan_for
from support.made_set import LAMPS

NAMES = tuple(lamp.name for lamp in LAMPS)


@pytest.fixture(scope="module")
def studio():
    made = LitSet(seed=41)
    return made, plan_for(LitSet(seed=41, noise=False).frame(), NAMES), made.frame()


def checked(studio, full=None, **changed):
    made, plan, _ = studio
    solos = dict(made.solos) | changed
    return check_solos(solos, made.ambient, plan, full=full)


def kinds(report):
    return {(note.lamp, note.code) for note in report}


def refused(report):
    return tuple(dict.fromkeys(note.lamp for note in report if note.is_refused))


def opened(report):
    """Return the share of ambient light that is warned of; 0 where none is."""
    return max((note.share for note in report if note.code == "ambient share"), default=0.0)


def test_good_solos_are_all_used(studio):
    report = checked(studio, full=studio[2])
    assert refused(report) == ()


def test_a_lone_head_that_got_the_others_energy_is_refused(studio):
    report = checked(studio, full=studio[2], key=doubled(studio[0].solos["key"], 2.0))
    assert refused(report) == ("key",)
    note = report[0]
    assert (note.code, note.stops) == ("overfed", pytest.approx(1.0, abs=0.05))


def test_what_was_turned_since_is_no_reason_to_refuse(studio):
    made, plan, _ = studio
    full = made.frame({"key": -1.0})
    report = check_solos(made.solos, made.ambient, plan, full=full, turns={"key": -1.0})
    assert refused(report) == ()


def test_a_solo_that_no_lamp_lit_is_refused(studio):
    report = checked(studio, hair=studio[0].frame(out=NAMES))
    assert refused(report) == ("hair",)
    assert report[0].code == "unlit"


def test_a_solo_with_two_lamps_lit_is_refused(studio):
    both = studio[0].frame(out=("hair", "paper left", "paper right"))
    report = checked(studio, fill=both)
    assert ("fill", "two lit") in kinds(report)
    assert refused(report) == ("fill",)


def test_no_true_solo_is_taken_to_hold_another(studio):
    lamps = studio[0].lamp_set
    for name in NAMES:
        for other in NAMES:
            assert name == other or not holds_other(lamps, name, other)


def test_a_solo_of_another_body_is_refused(studio):
    stranger = replace(studio[0].solos["fill"], camera=Camera("Other", "O-2", None))
    report = checked(studio, fill=stranger)
    assert refused(report) == ("fill",)
    assert (report[0].code, report[0].names) == ("other body", ("key",))


def test_a_clipped_solo_is_a_bound_and_stays_in_use(studio):
    report = checked(studio, key=studio[0].solo("key", 2.2))
    assert ("key", "clipped") in kinds(report)
    assert refused(report) == ()


def test_ambient_is_warned_of_where_it_opens_a_shadow(studio):
    made, plan, _ = studio
    before = opened(checked(studio))
    assert before == 0.0 or before > 0.03
    brighter = combine([made.ambient], [20.0])
    solos = {name: combine([solo, made.ambient], [1.0, 19.0]) for name, solo in made.solos.items()}
    report = check_solos(solos, brighter, plan)
    assert opened(report) > 0.2
    assert ("", "ambient share") in kinds(report)


def test_a_reading_that_missed_the_hot_centre_is_named(studio):
    made, plan, _ = studio
    lamps = lamp_set(made.solos, made.ambient)
    peak = {
        name: max(
            float(lamps.nets[name].box_luminance(patch).max())
            for patch in ("lit cheek", "shadow cheek")
        )
        for name in ("key", "fill")
    }
    true = {name: 11.0 * (peak[name] / 0.1) ** 0.5 for name in peak}

    def with_meters(key_stops):
        meters = {"key": true["key"] * 2.0 ** (key_stops / 2.0), "fill": true["fill"]}
        lights = tuple(
            light.model_copy(update={"meter": meters.get(light.name)}) for light in plan.lights
        )
        return plan.model_copy(update={"lights": lights})

    right = check_solos(made.solos, made.ambient, with_meters(0.0))
    wrong = check_solos(made.solos, made.ambient, with_meters(-1.2))
    assert ("key", "meter") not in kinds(right)
    assert ("key", "meter") in kinds(wrong)
