"""The spot: measured on a white card, and told apart from lamp and sitter in later frames."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from stopwise.lamps.beam_spots import Followed, Lit, read_spot
from stopwise.lamps.unmixing import Shift, stack_of
from stopwise.lamps.white_card import read_white_card
from support.lit_sets import BOXES, LitSet, on_sheet, shift_of
from support.made_set import LAMPS, WIDTH, Sitter

ROWS, COLUMNS = 160, 240
NARROW = replace(LAMPS[0], half_angle=6.0, edge=2.0)


def disc(radius, edge, *, centre=(120.0, 70.0), noise=0.002, seed=1):
    """Return a spot with a logistic edge on an even card, 10 to 90 % over `edge` blocks."""
    y, x = np.mgrid[0:ROWS, 0:COLUMNS]
    away = np.hypot(x + 0.5 - centre[0], y + 0.5 - centre[1])
    light = 0.5 / (1.0 + np.exp((away - radius) * 2.0 * math.log(9.0) / edge))
    return light + np.random.default_rng(seed).normal(0, noise, light.shape)


@pytest.mark.parametrize(("radius", "edge"), [(30, 8), (20, 12), (40, 10)])
def test_a_spot_on_a_white_card_has_its_true_centre_width_and_edge(radius, edge):
    card = read_white_card(disc(radius, edge))
    assert card.level == pytest.approx(0.5, rel=0.02)
    assert card.centre == pytest.approx((0.5, 70 / ROWS), abs=0.005)
    assert card.width == pytest.approx(2 * radius / COLUMNS, rel=0.03)
    assert card.edge == pytest.approx(edge / COLUMNS, rel=0.15)


def test_light_without_an_end_in_the_picture_has_no_spot():
    assert read_white_card(np.full((ROWS, COLUMNS), 0.3)) is None
    assert read_white_card(np.zeros((ROWS, COLUMNS))) is None


def test_a_spot_that_a_small_white_card_cuts_off_is_no_spot():
    light = disc(60, 10)
    light[:, :85] = light[:, 155:] = 0.0
    light[:35] = light[105:] = 0.0
    assert read_white_card(light) is None


def test_a_lamp_alone_on_a_sitter_is_no_white_card():
    made = LitSet((NARROW, *LAMPS[1:]), seed=51)
    assert read_white_card(made.lamp_set.nets["key"].luminance) is None


def test_a_slanted_spot_is_as_long_as_its_slant_makes_it():
    """A round beam on a plane at 60 degrees to it is an ellipse twice as long (1 / cos 60)."""
    y, x = np.mgrid[0:ROWS, 0:COLUMNS]
    away = np.hypot((x - 120.0) / 2.0, y - 80.0)
    card = read_white_card(0.5 / (1.0 + np.exp((away - 25.0) / 1.5)))
    assert card.length == pytest.approx(2.0, rel=0.02)
    assert card.width == pytest.approx(2 * 25 * math.sqrt(2.0) / COLUMNS, rel=0.02)


@pytest.fixture(scope="module")
def studio():
    """Return a set whose key is a narrow spot, and its spot as a white card shows it."""
    made = LitSet((NARROW, *LAMPS[1:]), seed=51)
    return made, read_white_card(on_sheet(NARROW))


def reading(studio, frame, *, sitter=None, key=1.0):
    made, card = studio
    outputs = np.ones(len(made.lamps))
    outputs[0] = key
    shift = Shift() if sitter is None else shift_of(sitter)
    return read_spot(
        Lit(stack_of(frame, made.lamp_set), 0, outputs),
        card,
        shift=shift,
        followed=followed(shift),
    )


def followed(shift):
    """Return the key's patches where a sitter who moved as a whole has them."""
    dx, dy = shift.dx, shift.dy
    boxes = (BOXES[name] for name in ("lit cheek", "jacket"))
    return [Followed(box, (box[0] + dx, box[1] + dy, box[2] + dx, box[3] + dy)) for box in boxes]


def test_an_untouched_spot_is_steady(studio):
    read = reading(studio, studio[0].frame())
    assert read.state == "steady"
    assert read.moved is None
    assert read.output_stops == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("yaw", [-20.0, -10.0, 5.0, 10.0, 15.0])
def test_a_turned_head_leaves_the_spot_steady(studio, yaw):
    read = reading(studio, studio[0].frame(sitter=Sitter(yaw=yaw)))
    assert read.state == "steady"
    assert read.moved is None


@pytest.mark.parametrize("stops", [-1.0, -0.5, 0.4])
def test_a_lamp_turned_is_a_steady_spot_with_another_output(studio, stops):
    read = reading(studio, studio[0].frame({"key": stops}))
    assert read.state == "steady"
    assert read.output_stops == pytest.approx(stops, abs=0.05)


@pytest.mark.parametrize("stops", [0.0, -0.5])
def test_a_boom_that_dropped_is_a_moved_spot_and_no_weak_lamp(studio, stops):
    lower = replace(NARROW, to=(0.0, 0.14, 0.05))  # 6 cm, 0.05 of the picture's height
    read = reading(studio, studio[0].frame({"key": stops}, lamps=(lower, *LAMPS[1:])))
    assert read.state == "spot moved"
    assert read.output_stops == pytest.approx(stops, abs=0.15)
    assert read.way_back is None


def test_a_sitter_who_left_the_spot_is_sent_back_the_way_he_came(studio):
    sitter = Sitter(0.2, 0.0)
    read = reading(studio, studio[0].frame(sitter=sitter), sitter=sitter)
    assert read.state == "sitter out of the spot"
    assert read.lost_stops < -0.3
    assert read.way_back == pytest.approx((-0.2 / WIDTH, 0.0), abs=1e-6)


def test_a_sitter_hardly_moved_is_not_sent_anywhere(studio):
    sitter = Sitter(0.04, 0.0)
    read = reading(studio, studio[0].frame(sitter=sitter), sitter=sitter)
    assert read.state == "not seen"
    assert read.way_back is None


def test_where_nobody_knows_the_sitters_place_nothing_is_said_of_the_spot(studio):
    made, card = studio
    lower = replace(NARROW, to=(0.0, 0.14, 0.05))
    lit = Lit(stack_of(made.frame(lamps=(lower, *LAMPS[1:])), made.lamp_set), 0, np.ones(5))
    assert read_spot(lit, card).state == "not seen"


def test_a_lamp_that_did_not_fire_is_no_sitter_out_of_its_spot(studio):
    sitter = Sitter(0.14, 0.0)
    frame = studio[0].frame(sitter=sitter, out=("key",))
    assert reading(studio, frame, sitter=sitter, key=0.0).state == "not seen"
