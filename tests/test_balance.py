"""Balance and luminance weights against colour-science, BT.709 and CIE D65."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.cells import BT709_WEIGHTS, D65_XYZ, multipliers, weights
from support.light_frames import Sensor, frame_of

SRGB = colour.RGB_COLOURSPACES["sRGB"]
SHAPED_LIKE_A_CAMERA = np.array([[0.71, -0.21, -0.06], [-0.43, 1.21, 0.24], [-0.08, 0.19, 0.58]])


def frame(**parts):
    return frame_of(np.zeros((4, 4), np.uint16), Sensor(), **parts)


def test_a_camera_that_sees_as_bt709_has_its_weights():
    # ITU-R BT.709-6, unrounded: 0.212639, 0.715169, 0.072192 (colour-science)
    camera = np.linalg.inv(SRGB.matrix_RGB_to_XYZ)
    expected = colour.normalised_primary_matrix(SRGB.primaries, SRGB.whitepoint)[1]
    assert weights(camera, (1.0, 1.0, 1.0)) == pytest.approx(expected, abs=2e-4)


def test_without_a_matrix_the_weights_are_those_of_bt709():
    assert weights(None, (2.0, 1.0, 1.5)) == BT709_WEIGHTS == (0.2126, 0.7152, 0.0722)
    assert weights(np.zeros((3, 3)), (2.0, 1.0, 1.5)) == BT709_WEIGHTS


def test_a_negative_weight_of_blue_is_set_to_none_and_the_rest_still_sum_to_1():
    raw = np.linalg.inv(SHAPED_LIKE_A_CAMERA)[1]
    assert raw[2] < 0.0
    found = weights(SHAPED_LIKE_A_CAMERA, (1.0, 1.0, 1.0))
    assert found[2] == 0.0
    assert sum(found) == pytest.approx(1.0)
    assert found[0] / found[1] == pytest.approx(raw[0] / raw[1])


def test_balance_of_the_camera_moves_into_the_weights():
    plain, balanced = (weights(SHAPED_LIKE_A_CAMERA, b) for b in ((1, 1, 1), (2, 1, 1.5)))
    assert balanced[0] / balanced[1] == pytest.approx(plain[0] / plain[1] / 2.0)


def test_white_of_d65_is_that_of_colour_science():
    xy = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
    assert colour.xy_to_XYZ(xy) == pytest.approx(D65_XYZ, abs=5e-4)


def test_daylight_balance_comes_from_the_file_else_from_the_matrix_at_d65():
    assert multipliers(frame(daylight=(2.1, 1.0, 1.4))) == (2.1, 1.0, 1.4)
    red, green, blue = multipliers(frame(daylight=None, xyz_to_camera=SHAPED_LIKE_A_CAMERA))
    neutral = SHAPED_LIKE_A_CAMERA @ D65_XYZ
    assert np.array([red, green, blue]) * neutral == pytest.approx(np.full(3, neutral[1]))


def test_each_balance_stands_in_for_the_other_and_none_at_all_is_1():
    as_shot = frame(daylight=None, as_shot=(1.8, 1.0, 1.9))
    assert multipliers(as_shot) == (1.8, 1.0, 1.9)
    assert multipliers(frame(daylight=(2.0, 1.0, 1.5)), balance="as shot") == (2.0, 1.0, 1.5)
    assert multipliers(frame(daylight=None)) == (1.0, 1.0, 1.0)


def test_three_numbers_are_scaled_so_that_green_is_1():
    assert multipliers(frame(), balance=(4.0, 2.0, 3.0)) == (2.0, 1.0, 1.5)


@pytest.mark.parametrize("balance", ["flash", (0.0, 1.0, 1.0), (np.nan, 1.0, 1.0)])
def test_a_balance_that_makes_no_sense_is_refused(balance):
    with pytest.raises(ValueError, match="balance must"):
        multipliers(frame(), balance=balance)


@given(st.lists(st.floats(-3, 3), min_size=9, max_size=9))
def test_weights_are_never_negative_and_sum_to_1_whatever_the_matrix(numbers):
    found = weights(np.array(numbers).reshape(3, 3), (2.0, 1.0, 1.5))
    assert min(found) >= 0.0
    assert sum(found) == pytest.approx(1.0)
