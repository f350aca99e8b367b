"""Lamps in each frame: outputs against solos, and the states that follow from them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stopwise.lamps.outputs import (
    LampReading,
    expect,
    lit_lamps,
    no_lamp_fired,
    over_ambient,
    read_lamps,
)
from stopwise.lamps.unmixing import Shift
from support.lit_sets import BOXES, EXPOSURE, PAPER, SHAPE, LitSet, shift_of
from support.made_set import Sitter

EVERY = ("key", "fill", "hair", "paper left", "paper right")


@pytest.fixture(scope="module")
def made():
    return LitSet(seed=11)


def states(readings):
    return {name: reading.state for name, reading in readings.items()}


def test_a_still_frame_reads_every_lamp_as_in_its_solo(made):
    for reading in read_lamps(made.frame(), made.lamp_set, said={}).values():
        assert reading.state == "fired"
        assert abs(reading.stops) < 0.05
        assert reading.uncertainty < 0.1


def test_turned_lamps_read_what_was_turned(made):
    turns = {"key": -0.7, "fill": 0.4, "hair": -1.2, "paper left": 0.3, "paper right": -0.2}
    readings = read_lamps(made.frame(turns), made.lamp_set)
    for name, turn in turns.items():
        assert readings[name].stops == pytest.approx(turn, abs=0.1)


@pytest.mark.parametrize("lamp", EVERY)
def test_a_lamp_that_did_not_fire_is_out_and_no_other_is(made, lamp):
    readings = read_lamps(made.frame(out=(lamp,)), made.lamp_set, said={})
    wanted = dict.fromkeys(EVERY, "fired") | {lamp: "out"}
    assert states(readings) == wanted
    assert readings[lamp].stops is None


def test_out_is_told_though_nothing_was_said_and_no_run_is_known(made):
    readings = read_lamps(made.frame(out=("hair",)), made.lamp_set)
    assert states(readings)["hair"] == "out"


def test_with_nothing_said_and_no_run_a_weak_lamp_has_fired_and_its_output_is_reported(made):
    reading = read_lamps(made.frame({"key": -0.9}), made.lamp_set)["key"]
    assert reading.state == "fired"
    assert reading.stops == pytest.approx(-0.9, abs=0.05)


@pytest.mark.parametrize(
    ("turn", "state"), [(-0.9, "weak"), (0.6, "strong"), (-0.2, "fired"), (0.2, "fired")]
)
def test_weak_and_strong_are_told_against_what_was_said(made, turn, state):
    readings = read_lamps(made.frame({"key": -0.5 + turn}), made.lamp_set, said={"key": -0.5})
    assert readings["key"].state == state


def test_under_a_sixth_of_what_was_said_is_out(made):
    said = {"key": -1.0}
    barely = read_lamps(made.frame({"key": -3.4}), made.lamp_set, said=said)
    out = read_lamps(made.frame({"key": -3.75}), made.lamp_set, said=said)
    assert barely["key"].state == "weak"
    assert out["key"].state == "out"
    assert out["key"].stops == pytest.approx(-3.75, abs=0.1)


def run_of(*stops):
    return [{"key": LampReading(value, 0.03, "fired")} for value in stops]


def test_a_takes_own_median_is_expected_once_it_has_three_frames():
    assert expect("key", {"key": -0.5}, run_of(-0.7, -0.72)).stops == -0.5
    expected = expect("key", {"key": -0.5}, run_of(-0.7, -0.72, -0.68))
    assert expected.stops == -0.7
    assert expected.spread == pytest.approx(1.482602 * 0.02)  # MAD to sigma, 1 / Phi^-1(3/4)


def test_misfires_and_unseen_frames_are_no_part_of_the_run():
    run = [
        *run_of(-0.7, -0.7, -0.7),
        {"key": LampReading(None, None, "out")},
        {"key": LampReading(2.0, 0.9, "not seen")},
    ]
    assert expect("key", None, run).stops == -0.7
    assert not expect("fill", None, run).known


def test_a_take_that_scatters_lets_its_lamps_scatter(made):
    frame = made.frame({"key": -0.4})
    steady = run_of(0.0, 0.01, -0.01, 0.0)
    scattered = run_of(0.0, 0.12, -0.12, 0.1, -0.1)
    assert read_lamps(frame, made.lamp_set, run=steady)["key"].state == "weak"
    assert read_lamps(frame, made.lamp_set, run=scattered)["key"].state == "fired"


def test_a_turned_head_is_no_lamps_doing(made):
    for yaw in (-10.0, 10.0):
        readings = read_lamps(made.frame(sitter=Sitter(yaw=yaw)), made.lamp_set, said={})
        assert set(states(readings).values()) == {"fired"}
        assert abs(readings["key"].stops) < 0.05
        assert readings["key"].uncertainty < 0.1


@pytest.mark.parametrize("place", [(0.08, 0.0), (-0.07, 0.03), (0.05, -0.06)])
def test_a_sitter_who_moved_is_within_four_tenths_or_not_seen(made, place):
    sitter = Sitter(*place)
    readings = read_lamps(
        made.frame(sitter=sitter), made.lamp_set, said={}, placement=shift_of(sitter)
    )
    for reading in readings.values():
        assert reading.state in ("fired", "not seen")
        assert reading.state == "not seen" or abs(reading.stops) < 0.4
    assert states(readings)["paper left"] == states(readings)["paper right"] == "fired"


def test_a_sitter_nobody_placed_is_looked_for(made):
    sitter = Sitter(0.08, 0.0)
    readings = read_lamps(made.frame(sitter=sitter), made.lamp_set, said={})
    for reading in readings.values():
        assert reading.state == "not seen" or abs(reading.stops) < 0.4


@pytest.mark.parametrize("lamp", ["key", "fill", "paper left"])
def test_an_out_lamp_is_named_though_the_sitter_moved(made, lamp):
    sitter = Sitter(-0.06, 0.02)
    frame = made.frame(sitter=sitter, out=(lamp,))
    readings = read_lamps(frame, made.lamp_set, said={}, placement=shift_of(sitter))
    assert states(readings)[lamp] == "out"


def test_a_hint_that_the_picture_does_not_bear_out_is_not_believed(made):
    readings = read_lamps(
        made.frame(), made.lamp_set, said={}, placement=Shift(0.06, 0.0, is_sure=False)
    )
    for reading in readings.values():
        assert reading.state == "fired"
        assert abs(reading.stops) < 0.1


def test_a_hint_that_the_picture_bears_out_names_a_lamp_that_is_out(made):
    sitter = Sitter(-0.06, 0.02)
    place = shift_of(sitter)
    frame = made.frame(sitter=sitter, out=("hair",))
    readings = read_lamps(
        frame, made.lamp_set, said={}, placement=Shift(place.dx, place.dy, is_sure=False)
    )
    assert states(readings)["hair"] == "out"
    assert {states(readings)[name] for name in EVERY if name != "hair"} <= {"fired", "not seen"}


def test_other_clothes_leave_the_lamps_to_be_read_from_chip_and_paper(made):
    light = made.light({"key": 0.3})
    black = light.copy()
    black[:, 75:, 80:160] *= 0.06  # the jacket is another now
    frame = made.picture(black)
    readings = read_lamps(frame, made.lamp_set, said={}, only=[BOXES["chip"], *PAPER])
    for name in ("paper left", "paper right"):
        assert readings[name].state == "fired"
        assert abs(readings[name].stops) < 0.05
    assert readings["hair"].state == "not seen"


def test_aperture_and_iso_are_taken_out(made):
    # ISO 517: f/11 and f/9 mark 2^(7/2) and 2^(19/6), two thirds of a stop apart
    light = made.light() * 2.0 ** (2.0 / 3.0)
    frame = made.picture(light, exposure=replace(EXPOSURE, f_number=9.0))
    for reading in read_lamps(frame, made.lamp_set, said={}).values():
        assert reading.state == "fired"
        assert abs(reading.stops) < 0.05


def test_no_lamp_at_all_is_the_trigger(made):
    frame = made.frame(out=EVERY)
    readings = read_lamps(frame, made.lamp_set, said={})
    assert set(states(readings).values()) == {"out"}
    assert no_lamp_fired(readings)
    assert no_lamp_fired(over_ambient=over_ambient(frame, made.ambient))


def test_one_lamp_is_not_the_trigger(made):
    for name in EVERY:
        solo = made.solos[name]
        assert not no_lamp_fired(
            read_lamps(solo, made.lamp_set), over_ambient=over_ambient(solo, made.ambient)
        )


@pytest.mark.parametrize(
    ("off", "unlit"),
    [((-3.1, -4.0, -3.0), True), ((-3.1, -4.0, -2.9), False), ((-5.0, -5.0), False)],
)
def test_without_an_ambient_frame_all_zones_far_under_target_are_the_trigger(off, unlit):
    assert no_lamp_fired(off_target=off) is unlit


def test_the_lamps_that_are_lit_are_told(made):
    assert lit_lamps(read_lamps(made.solos["key"], made.lamp_set)) == ("key",)
    both = made.frame(out=("hair", "paper left", "paper right"))
    assert lit_lamps(read_lamps(both, made.lamp_set)) == ("key", "fill")


def test_a_frame_of_another_size_is_refused(made):
    small = replace(made.ambient, mean=made.ambient.mean[:, ::2, ::2], cells=(80, 120))
    with pytest.raises(ValueError, match="of another size"):
        read_lamps(small, made.lamp_set)


def test_a_clipped_place_is_left_out_and_the_lamp_still_read():
    made = LitSet(seed=12, fullest=0.6)
    reading = read_lamps(made.frame({"key": 1.2}), made.lamp_set, said={"key": 1.2})["key"]
    assert reading.state == "fired"
    assert reading.stops == pytest.approx(1.2, abs=0.1)


def test_of_a_frame_that_is_blown_all_over_no_lamp_is_seen(made):
    blown = made.picture(np.full((3, *SHAPE), 2.0))
    assert set(states(read_lamps(blown, made.lamp_set)).values()) == {"not seen"}
