"""The spot: measured on a sheet, and told apart from lamp and sitter in later frames."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from stopwise.lights.outputs import stack_of
from stopwise.lights.spot import find_spot, read_spot
from support.lit_sets import LitSet, shift_of
from support.made_set import HEIGHT, LAMPS, WIDTH, Sitter

ROWS, COLUMNS = 160, 240
NARROW = replace(LAMPS[0], half_angle=6.0, edge=2.0)


def disc(radius, edge, *, centre=(120.0, 70.0), noise=0.002, seed=1):
    """Return a spot with a logistic edge on an even sheet, 10 to 90 % over `edge` blocks."""
    y, x = np.mgrid[0:ROWS, 0:COLUMNS]
    away = np.hypot(x + 0.5 - centre[0], y + 0.5 - centre[1])
    light = 0.5 / (1.0 + np.exp((away - radius) * 2.0 * math.log(9.0) / edge))
    return light + np.random.default_rng(seed).normal(0, noise, light.shape)


@pytest.mark.parametrize(("radius", "edge"), [(30, 8), (20, 12), (40, 10)])
def test_a_spot_on_a_sheet_has_its_true_centre_width_and_edge(radius, edge):
    spot = find_spot(disc(radius, edge))
    assert spot.centre == pytest.approx((0.5, 70 / ROWS), abs=0.005)
    assert spot.width == pytest.approx(2 * radius / COLUMNS, rel=0.03)
    assert spot.edge == pytest.approx(edge / COLUMNS, rel=0.15)


def test_light_without_an_end_in_the_picture_has_no_spot():
    assert find_spot(np.full((ROWS, COLUMNS), 0.3)) is None
    assert find_spot(np.zeros((ROWS, COLUMNS))) is None


@pytest.fixture(scope="module")
def studio():
    """Return a set whose key is a narrow spot, and the spot as a sheet at the face shows it."""
    made = LitSet((NARROW, *LAMPS[1:]), seed=51)
    return made, find_spot(on_sheet(NARROW))


def on_sheet(lamp):
    """Return what a lamp lays on a matt sheet at the face, square to the camera."""
    x = ((np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5) * WIDTH
    y = (0.5 - (np.arange(ROWS) + 0.5) / ROWS) * HEIGHT
    points = np.stack([*np.meshgrid(x, y), np.full((ROWS, COLUMNS), 0.05)], axis=-1)
    way = np.asarray(lamp.at) - points
    far = np.linalg.norm(way, axis=-1)
    axis = np.asarray(lamp.to) - np.asarray(lamp.at)
    cosine = -(way / far[..., None]) @ (axis / np.linalg.norm(axis))
    angle = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    off = np.clip((angle - lamp.half_angle) / (lamp.edge / 4.4), -60.0, 60.0)
    return way[..., 2] / far**3 / (1.0 + np.exp(off))


def reading(studio, frame, *, placement=None, key=1.0):
    made, spot = studio
    outputs = np.ones(len(made.lamps))
    outputs[0] = key
    return read_spot(stack_of(frame, made.lamp_set), 0, spot, outputs, placement)


def test_an_untouched_spot_is_steady(studio):
    read = reading(studio, studio[0].frame())
    assert read.state == "steady"
    assert math.hypot(*read.moved) < 0.005


def test_a_turned_head_leaves_the_spot_steady(studio):
    assert reading(studio, studio[0].frame(sitter=Sitter(yaw=10.0))).state == "steady"


def test_a_lamp_turned_down_is_the_lamp_and_not_the_spot(studio):
    read = reading(studio, studio[0].frame({"key": -0.5}))
    assert read.state == "lamp changed"
    assert read.output_stops == pytest.approx(-0.5, abs=0.05)
    assert math.hypot(*read.moved) < 0.01


def test_a_boom_that_dropped_is_a_moved_spot_and_no_weak_lamp(studio):
    lower = replace(NARROW, to=(0.0, 0.14, 0.05))  # 6 cm, 0.033 of the picture's width
    frame = studio[0].frame(lamps=(lower, *LAMPS[1:]))
    read = reading(studio, frame)
    assert read.state == "spot moved"
    assert read.moved[1] > 0.02
    assert read.output_stops == pytest.approx(0.0, abs=0.15)


def test_a_sitter_who_left_the_spot_is_sent_back_the_way_he_came(studio):
    sitter = Sitter(0.2, 0.0)
    read = reading(studio, studio[0].frame(sitter=sitter), placement=shift_of(sitter))
    assert read.state == "sitter out of the spot"
    assert read.lost_stops < -0.3
    assert read.way_back == pytest.approx((-1.0, 0.0), abs=1e-6)


def test_a_sitter_hardly_moved_is_not_sent_anywhere(studio):
    sitter = Sitter(0.04, 0.0)
    read = reading(studio, studio[0].frame(sitter=sitter), placement=shift_of(sitter))
    assert read.state == "not seen"
    assert read.way_back is None
