"""Matrices and balances: one convention from a DNG's tags and from the decoder's two matrices."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import colour
import numpy as np
import pytest
import rawpy

from lightmodel.dng import CAMERA_MATRIX, D50, D65, DngSpec, write_dng
from stopwise.raw import decode
from stopwise.raw.sensor import (
    SRGB_TO_XYZ,
    balance_of_multipliers,
    matrix_of_decoder,
    on_anchors,
    white_xyz,
)
from support.made_raws import exposed, light

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.frame import Frame

OBSERVER = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]


def frame_of(path: Path, **options: object) -> Frame:
    write_dng(path, exposed(light((64, 96))), spec=DngSpec(**options))  # type: ignore[arg-type]
    return decode(path)


@pytest.mark.parametrize(("code", "name"), [(20, "D55"), (21, "D65"), (22, "D75"), (23, "D50")])
def test_whites_of_the_daylights_are_those_of_the_cie(code: int, name: str) -> None:
    """CIE 015, as colour-science holds it; codes are Exif's LightSource (CIPA DC-008)."""
    assert white_xyz(code) == pytest.approx(colour.xy_to_XYZ(OBSERVER[name]), abs=2e-3)


def test_srgb_matrix_is_that_of_iec_61966_2_1() -> None:
    derived = colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ
    assert np.abs(SRGB_TO_XYZ - derived).max() < 5e-4


def test_a_dng_s_matrix_is_its_own_tag(tmp_path: Path) -> None:
    frame = frame_of(tmp_path / "a.dng")

    assert frame.xyz_to_camera is not None
    assert np.abs(frame.xyz_to_camera - CAMERA_MATRIX).max() < 1e-6


@pytest.mark.parametrize("illuminant", [D50, D65])
def test_daylight_makes_the_illuminant_s_white_neutral(tmp_path: Path, illuminant: int) -> None:
    frame = frame_of(tmp_path / "a.dng", illuminant=illuminant)
    white = colour.xy_to_XYZ(OBSERVER["D65" if illuminant == D65 else "D50"])

    assert frame.daylight is not None
    balanced = np.array(frame.daylight) * (np.array(CAMERA_MATRIX) @ white)
    assert balanced / balanced[1] == pytest.approx([1, 1, 1], abs=2e-3)


def test_as_shot_balance_undoes_the_neutral_of_the_tag(tmp_path: Path) -> None:
    frame = frame_of(tmp_path / "a.dng", as_shot_neutral=(0.5, 1.0, 0.8))

    assert frame.as_shot == pytest.approx((2.0, 1.0, 1.25), abs=1e-6)


def test_what_the_file_doesn_t_say_is_none(tmp_path: Path) -> None:
    frame = frame_of(tmp_path / "a.dng", color_matrix=None, as_shot_neutral=None)

    assert (frame.xyz_to_camera, frame.daylight, frame.as_shot) == (None, None, None)


def test_a_matrix_that_can_t_be_inverted_is_none(tmp_path: Path) -> None:
    frame = frame_of(tmp_path / "a.dng", color_matrix=np.ones((3, 3)))

    assert frame.xyz_to_camera is None


def test_monochrome_has_no_colour_to_balance(tmp_path: Path) -> None:
    frame = frame_of(tmp_path / "a.dng", pattern=None)

    assert (frame.xyz_to_camera, frame.daylight, frame.as_shot) == (None, None, None)


@pytest.mark.parametrize(
    "multipliers", [(-1.0, 1.0, 1.0, 1.0), (0.0, 1.0, 0.0, 0.0), (float("nan"), 1.0, 1.0, 0.0)]
)
def test_absent_or_negative_balances_are_none(multipliers: tuple[float, ...]) -> None:
    assert balance_of_multipliers(multipliers) is None


def test_the_decoder_s_matrix_to_srgb_leads_back_to_the_tag_it_came_from(tmp_path: Path) -> None:
    """Two ways to one matrix: ours from the tag, and the decoder's own arithmetic undone."""
    path = tmp_path / "a.dng"
    frame = frame_of(path)
    with rawpy.imread(os.fspath(path)) as raw:
        rgb_xyz = raw.rgb_xyz_matrix.astype(float)
        color = raw.color_matrix.astype(float)
        derived = matrix_of_decoder(rgb_xyz, color, raw.daylight_whitebalance)
        daylight = balance_of_multipliers(raw.daylight_whitebalance)

    assert not rgb_xyz.any()
    assert derived is not None
    scale = CAMERA_MATRIX[1][1] / derived[1, 1]
    assert np.abs(derived * scale - CAMERA_MATRIX).max() < 2e-3
    assert daylight == pytest.approx(frame.daylight, rel=2e-3)


def test_other_raws_have_the_matrix_the_other_way_round() -> None:
    rgb_xyz = np.vstack([CAMERA_MATRIX, np.zeros(3)])

    derived = matrix_of_decoder(rgb_xyz, np.zeros((3, 4)), (2.0, 1.0, 1.5, 0.0))

    assert derived is not None
    assert np.array_equal(derived, CAMERA_MATRIX)
    assert matrix_of_decoder(np.zeros((4, 3)), np.zeros((3, 4)), (1.0, 1.0, 1.0, 0.0)) is None


def test_whites_that_differ_by_colour_leave_a_neutral_neutral(tmp_path: Path) -> None:
    """Levels of a neutral above black, each over its own span, times the carried balance: equal."""
    neutral = np.array([1000.0, 2600.0, 1700.0])
    spans = np.array([14000.0, 15500.0, 15000.0])
    plain = (2.6, 1.0, 2600.0 / 1700.0)

    carried, matrix = on_anchors(plain, np.array(CAMERA_MATRIX), spans.tolist())

    assert carried is not None
    assert matrix is not None
    signal = neutral / spans * carried
    assert signal == pytest.approx([signal[1]] * 3)
    white = np.linalg.inv(CAMERA_MATRIX) @ neutral
    assert matrix @ white * spans / spans[1] == pytest.approx(neutral)


def test_greens_with_blacks_of_their_own_leave_a_neutral_neutral(tmp_path: Path) -> None:
    """DNG specification: one range for all colours of a mosaic, white less the greatest black."""
    frame = frame_of(tmp_path / "a.dng", black=((400, 500), (600, 900)))
    balance = dict(zip("RGB", frame.daylight or (), strict=True))
    response = dict(zip("RGB", np.array(CAMERA_MATRIX) @ white_xyz(D65), strict=True))
    spans = {
        name: high - low
        for name, low, high in zip(
            frame.colours, frame.levels.black, frame.levels.anchor, strict=True
        )
    }

    balanced = [balance[name] * response[name] / spans[name] for name in "RGB"]

    assert balanced == pytest.approx([balanced[1]] * 3, rel=1e-3)
