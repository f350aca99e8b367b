"""The shutter's edge and a soft flash tail, in made sets and upright ones."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from stopwise.measurement.paper import find_parts
from stopwise.measurement.shutter import read_shutter
from support.grids import grid_of
from support.sitter_scene import Lamps, Pose, Scene, render

PAPER = ((0.02, 0.05, 0.30, 0.60), (0.70, 0.05, 0.98, 0.60))
UPRIGHT = Scene(shape=(720, 480))


@cache
def light_of(scene):
    return render(scene)


def covered(light, share, side):
    """Return a frame whose last or first curtain hides a share along one side, softly."""
    axis = 0 if side in {"top", "bottom"} else 1
    at = (np.arange(light.shape[axis]) + 0.5) / light.shape[axis]
    far = at if side in {"top", "left"} else 1.0 - at
    open_part = 1.0 / (1.0 + np.exp(-(far - share) / 0.003))
    shape = (-1, 1) if axis == 0 else (1, -1)
    # what the flash doesn't reach is left to ambient light, 0.0006
    return ((light - 0.0006) * open_part.reshape(shape) + 0.0006).astype(np.float32)


def tail(light, stops, axis):
    """Return a frame that falls by so many stops over the shutter's travel: a soft flash tail."""
    at = (np.arange(light.shape[axis]) + 0.5) / light.shape[axis] - 0.5
    return (light * np.exp2(-stops * at).reshape((-1, 1) if axis == 0 else (1, -1))).astype("f4")


def reading(light, *, orientation=1, reference=None):
    grid = grid_of(light, orientation=orientation)
    return read_shutter(grid, parts=find_parts(grid, PAPER), reference=reference)


# --- the edge -----------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.05, 0.15, 0.4])
@pytest.mark.parametrize("side", ["top", "bottom"])
@pytest.mark.parametrize("compared", [False, True])
def test_a_level_frames_edge_is_named_with_its_side_and_share(share, side, compared):
    reference = grid_of(light_of(Scene())) if compared else None
    found = reading(covered(light_of(Scene(seed=3)), share, side), reference=reference)
    assert found.edge_side == side
    assert found.edge_share == pytest.approx(share, abs=0.02)


@pytest.mark.parametrize("orientation", [6, 8])
@pytest.mark.parametrize("side", ["left", "right"])
def test_upright_the_edge_stands_along_the_left_or_right(orientation, side):
    # the curtains run along the sensor's columns; turned upright that is across the picture
    found = reading(covered(light_of(UPRIGHT), 0.15, side), orientation=orientation)
    assert found.edge_side == side
    assert found.edge_share == pytest.approx(0.15, abs=0.02)


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_dark_band_across_the_shutters_travel_is_no_edge_of_it(side):
    found = reading(covered(light_of(Scene(seed=3)), 0.15, side), orientation=1)
    assert found.edge_side is None


@pytest.mark.parametrize(
    "scene",
    [
        Scene(),
        Scene(Pose(dx=0.2, tilt=8.0)),
        Scene(lamps=Lamps(hair=None)),
        Scene(lamps=Lamps(key=None)),
        Scene(lamps=Lamps(paper_left=None, paper_right=None)),
        Scene(lamps=Lamps(None, None, None, None, None)),
        UPRIGHT,
    ],
    ids=str,
)
def test_a_sitter_who_moves_and_lamps_that_are_out_make_no_edge(scene):
    orientation = 6 if scene.shape[0] > scene.shape[1] else 1
    for reference in (None, grid_of(light_of(Scene(shape=scene.shape, seed=9)))):
        found = reading(light_of(scene), orientation=orientation, reference=reference)
        assert (found.edge_share, found.edge_side) == (0.0, None)


def test_dark_cloth_along_the_bottom_is_no_edge():
    light = light_of(Scene(seed=3)).copy()
    rows = slice(int(0.85 * len(light)), None)
    light[rows, 200:500] *= 0.02  # a black skirt before paper that goes on beside it
    assert reading(light).edge_side is None


# --- the tail -----------------------------------------------------------------------------------


@pytest.mark.parametrize("stops", [-0.3, 0.2, 0.3, 0.5])
@pytest.mark.parametrize(("axis", "orientation"), [(0, 1), (1, 6), (1, 8)])
def test_a_soft_tail_is_a_slope_that_paper_and_sitter_share(stops, axis, orientation):
    shape = (480, 720) if axis == 0 else (720, 480)
    reference = grid_of(light_of(Scene(shape=shape)))
    light = tail(light_of(Scene(shape=shape, seed=4)), stops, axis)
    found = reading(light, orientation=orientation, reference=reference)
    assert found.slope_stops == pytest.approx(-stops, abs=0.04)


def flash_reaching(at, *, t01_s, shutter_s, travel_s):
    """Return the share of a flash that rows get which the first curtain frees at `at`, 0 to 1.

    The flash begins as the first curtain is through and dies away as exp(-t ln 10 / t0.1), the
    time after which a tenth of it is left (ISO 2827, from memory); the second curtain cuts it off.
    """
    open_s = shutter_s - travel_s * (1.0 - at)
    return 1.0 - 10.0 ** (-open_s / t01_s)


def test_a_flash_of_a_250th_at_a_160th_slopes_by_about_a_third_of_a_stop():
    # upright the travel lies across the picture, so that it reads as left against right
    at = (np.arange(480) + 0.5) / 480
    share = flash_reaching(at, t01_s=1 / 250, shutter_s=1 / 160, travel_s=1 / 300)
    true = float(np.log2(share[-1] / share[0]))
    assert true == pytest.approx(0.27, abs=0.05)
    reference = grid_of(light_of(UPRIGHT))
    light = (light_of(Scene(shape=(720, 480), seed=4)) * share).astype("f4")
    found = reading(light, orientation=6, reference=reference)
    assert found.slope_stops == pytest.approx(true, abs=0.08)


@pytest.mark.parametrize(
    "lamps",
    [Lamps(), Lamps(key=-1.0), Lamps(hair=0.5), Lamps(paper_right=0.5), Lamps(fill=None)],
    ids=str,
)
def test_lamps_that_are_turned_make_no_shared_slope(lamps):
    for shape, orientation in (((480, 720), 1), ((720, 480), 6)):
        reference = grid_of(light_of(Scene(shape=shape)))
        light = light_of(Scene(lamps=lamps, shape=shape, seed=4))
        found = reading(light, orientation=orientation, reference=reference)
        assert found.slope_stops is None or abs(found.slope_stops) < 0.05


def test_from_one_frame_alone_a_slope_cant_be_told_from_the_lamps_own():
    assert reading(tail(light_of(Scene(seed=4)), 0.5, 0)).slope_stops is None


def test_a_slope_across_the_travel_is_no_tail():
    reference = grid_of(light_of(Scene()))
    light = tail(light_of(Scene(seed=4)), 0.5, 1)
    found = reading(light, orientation=1, reference=reference)
    assert abs(found.slope_stops or 0.0) < 0.05
