"""Light as a screen shows it, against IEC 61966-2-1 and colour-science."""

from __future__ import annotations

from dataclasses import replace

import colour
import numpy as np
import pytest

from stopwise.cells import cells_of
from stopwise.reduction import Asked, reduce_frame
from stopwise.report.drawable import encode_srgb, render
from stopwise.stops import MID_GREY_OF_SATURATION
from support.light_frames import Sensor, exact

# IEC 61966-2-1: linear light and its encoded value (colour-science's eotf_inverse_sRGB)
SRGB_TABLE = [
    (0.001, 0.012920),
    (0.01, 0.099853),
    (0.05, 0.247801),
    (0.18, 0.461356),
    (0.5, 0.735357),
    (0.9, 0.954687),
    (1.0, 1.0),
]


@pytest.mark.parametrize(("linear", "encoded"), SRGB_TABLE)
def test_encoding_follows_the_standards_table(linear, encoded):
    assert encode_srgb(np.array(linear)) == pytest.approx(encoded, abs=1e-6)


def test_encoding_agrees_with_colour_science_everywhere():
    ramp = np.linspace(0.0, 1.0, 5001)
    assert encode_srgb(ramp) == pytest.approx(colour.models.eotf_inverse_sRGB(ramp), abs=1e-6)


def drawn(frame):
    """Return a frame rendered, uint8 (h, w, 3)."""
    asked = Asked(across=1024, noise=False)
    grid = reduce_frame(cells_of(frame), frame.levels.anchor, asked=asked)
    return render(grid.mean, grid.to_srgb, grid.mid_grey)


def test_mid_grey_is_drawn_as_an_18_percent_card():
    # IEC 61966-2-1: 18 % is code 117.6 of 255, so 118
    card = exact(np.full((40, 40), MID_GREY_OF_SATURATION))
    assert np.unique(drawn(card)).tolist() == [118]


def test_a_neutral_stays_neutral_through_any_cameras_matrix():
    matrix = np.array([[0.71, -0.21, -0.06], [-0.43, 1.21, 0.24], [-0.08, 0.19, 0.58]])
    shown = drawn(exact(np.full((40, 40), 0.1), xyz_to_camera=matrix)).astype(int)
    assert np.ptp(shown, axis=-1).max() <= 1


def test_a_camera_that_sees_srgb_shows_its_own_colours():
    space = colour.RGB_COLOURSPACES["sRGB"]
    matrix = np.linalg.inv(space.matrix_RGB_to_XYZ)
    even = exact(np.full((8, 8), 0.1), Sensor(multipliers=(1.0, 1.0, 1.0)), xyz_to_camera=matrix)
    mosaic = even.mosaic.copy()
    mosaic[0::2, 0::2] = 512 + 3000  # nearly twice as much red as green and blue
    shown = drawn(replace(even, mosaic=mosaic))[0, 0] / 255.0
    linear = np.array([3000.0, 1587.0, 1587.0]) / 15871.0 * 0.18 / MID_GREY_OF_SATURATION
    assert shown == pytest.approx(colour.models.eotf_inverse_sRGB(linear), abs=0.004)


def test_highlights_lean_over_into_white_without_turning_back():
    ramp = np.tile(np.linspace(0.0, 1.0, 400), (4, 1)).repeat(2, 0).repeat(2, 1)
    shown = drawn(exact(ramp)).astype(int)[0, :, 1]
    assert (np.diff(shown) >= 0).all()
    assert shown[-1] > 230


def test_one_colour_is_drawn_grey():
    shown = drawn(exact(np.full((30, 30), 0.1), Sensor("mono")))
    assert shown.shape == (30, 30, 3)
    assert np.ptp(shown, axis=-1).max() == 0
