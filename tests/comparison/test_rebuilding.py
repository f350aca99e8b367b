"""Build a light again: solos of lamps that were moved, widened and turned by known amounts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stopwise.comparison.rebuilding import caution, do, match_solo, say
from stopwise.lamps.solos import lamp_set
from stopwise.plan.model import Light
from support.lit_sets import EXPOSURE, LitSet, reduced
from support.made_set import HEIGHT, LAMPS, WIDTH

ROWS, COLUMNS = 160, 240
KEY = replace(LAMPS[0], half_angle=6.0, edge=2.0)
MID = np.array(KEY.to)
AWAY = (np.array(KEY.at) - MID) / np.linalg.norm(np.array(KEY.at) - MID)
METRES = float(np.linalg.norm(np.array(KEY.at) - MID))


def sheet(lamp, turn=0.0, seed=1):
    """Return a solo of a matt sheet at the face, square to the lamp's way in plan and height.

    Light by the inverse square and the cosine (CIE photometric distance law, Lambert).
    """
    x = ((np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5) * WIDTH
    y = (0.5 - (np.arange(ROWS) + 0.5) / ROWS) * HEIGHT
    points = np.stack([*np.meshgrid(x, y), np.full((ROWS, COLUMNS), 0.05)], axis=-1)
    way = np.asarray(lamp.at) - points
    far = np.linalg.norm(way, axis=-1)
    axis = np.asarray(lamp.to) - np.asarray(lamp.at)
    cosine = -(way / far[..., None]) @ (axis / np.linalg.norm(axis))
    angle = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    profile = 1.0 / (1.0 + np.exp(np.clip((angle - lamp.half_angle) / (lamp.edge / 4.4), -60, 60)))
    light = 0.9 * 2.0**turn * way[..., 2] / far**3 * profile
    light = light + np.random.default_rng(seed).normal(0.0, 0.001, light.shape)
    planes = np.stack([light] * 3).astype(np.float32)
    made = reduced(planes)
    return replace(made, exposure=EXPOSURE)


@pytest.fixture(scope="module")
def old():
    return lamp_set({"key": sheet(KEY)})


def moved(metres):
    """Return the key further away along its own beam."""
    return replace(KEY, at=tuple(MID + AWAY * (METRES + metres)))


def test_an_untouched_lamp_matches(old):
    match = match_solo("key", old, sheet(KEY, seed=2))
    assert match.is_matched
    assert say(match) == "Key solo matches."
    assert do(match, None) == ""


@pytest.mark.parametrize("turn", [-0.5, 0.3])
def test_a_power_that_is_off_is_turned_back(old, turn):
    match = match_solo("key", old, sheet(KEY, turn))
    assert match.stops == pytest.approx(turn, abs=0.03)
    assert not match.is_matched
    assert do(match, None) == f"Power {'up' if turn < 0 else 'down'} {abs(turn):.1f}."


def test_the_take_that_is_built_again_may_have_turned_it(old):
    assert match_solo("key", old, sheet(KEY, -0.5), take_stops=-0.5).is_matched


@pytest.mark.parametrize("low_m", [0.04, -0.05, 0.08])
def test_a_spot_that_fell_is_said_in_percent_of_the_frame(old, low_m):
    aimed = replace(KEY, to=(KEY.to[0], KEY.to[1] - low_m, KEY.to[2]))
    match = match_solo("key", old, sheet(aimed))
    assert match.down == pytest.approx(low_m / WIDTH, abs=0.008)
    assert not match.is_matched
    assert f"spot {100 * abs(match.down):.0f} % {'low' if low_m > 0 else 'high'}" in say(match)
    assert ("Raise" if low_m > 0 else "Lower") in do(match, None)


@pytest.mark.parametrize("metres", [0.3, -0.3])
def test_a_lamp_that_stands_too_far_is_brought_in_by_as_much(old, metres):
    """A cone's spot is as wide as it is far; its light falls by the inverse square."""
    match = match_solo("key", old, sheet(moved(metres)))
    assert match.width == pytest.approx((METRES + metres) / METRES, rel=0.03)
    assert match.stops == pytest.approx(-2.0 * np.log2((METRES + metres) / METRES), abs=0.08)
    told = do(match, Light(name="key", distance=METRES))
    centimetres = float(told.split(" about ")[1].split()[0])
    assert told.startswith("Bring it in" if metres > 0 else "Take it back")
    assert centimetres == pytest.approx(abs(100.0 * metres), abs=8.0)
    assert "ower" not in told, "where it stands makes up for its light"


def test_a_softer_edge_is_said(old):
    match = match_solo("key", old, sheet(replace(KEY, edge=3.5)))
    assert "edge softer" in say(replace(match, stops=0.3))


@pytest.fixture(scope="module")
def studio():
    return LitSet((KEY, *LAMPS[1:]), seed=51)


def test_on_a_sitter_output_is_read_and_a_lamp_that_was_moved_never_matches(studio):
    rest = studio.names[1:]
    brighter = match_solo("key", studio.lamp_set, studio.solo("key", 0.3))
    assert brighter.stops == pytest.approx(0.3, abs=0.05)
    assert not brighter.falls_otherwise
    lower = replace(KEY, to=(0.0, 0.14, 0.05))
    frame = studio.frame(out=rest, lamps=(lower, *LAMPS[1:]))
    match = match_solo("key", studio.lamp_set, frame)
    assert match.right is None
    assert not match.is_matched


@pytest.mark.parametrize("lamp", [lamp.name for lamp in LAMPS[1:]])
def test_broad_lamps_are_matched_by_their_output(studio, lamp):
    assert match_solo(lamp, studio.lamp_set, studio.solo(lamp)).is_matched
    off = match_solo(lamp, studio.lamp_set, studio.solo(lamp, -0.2))
    assert off.stops == pytest.approx(-0.2, abs=0.05)
    assert not off.is_matched


def test_a_lamp_over_a_person_comes_with_its_caution():
    assert "safety cable" in caution(Light(name="hair", stand="boom"))
    assert "safety cable" in caution(Light(name="hair", elevation=60))
    assert caution(Light(name="fill", elevation=10)) == ""
