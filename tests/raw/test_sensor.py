"""What the decoder says of makers' own raws becomes the same terms as a DNG's tags."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from lightmodel.dng import CAMERA_MATRIX, DngSpec, write_dng
from stopwise.errors import Unreadable
from stopwise.raw.bounds import FileBytes
from stopwise.raw.directories import read_tiff
from stopwise.raw.libraw import Decoded, VisibleArea, decode_bytes
from stopwise.raw.refusals import refuse_by_shape
from stopwise.raw.sensor import masked_of, sensor_by_decoder
from support.made_raws import levels_for

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray


@pytest.fixture
def decoded(tmp_path: Path) -> Decoded:
    """Return a made mosaic as the decoder gives it, with what makers' raws say in place of tags."""
    path = tmp_path / "a.dng"
    write_dng(path, levels_for("rggb lossless", (64, 96)), spec=DngSpec())
    return replace(
        decode_bytes(path.read_bytes(), path),
        black=(500.0, 510.0, 520.0, 530.0),
        white=16383.0,
        white_per_channel=(15000.0, 15500.0, 15200.0, 15500.0),
        rgb_xyz=np.vstack([CAMERA_MATRIX, np.zeros(3)]),
        color=np.zeros((3, 4)),
        daylight=(2.5, 0.94, 1.34, 0.0),
        as_shot=(2000.0, 1000.0, 1500.0, 1000.0),
    )


def test_per_channel_white_is_the_anchor(decoded: Decoded) -> None:
    levels = sensor_by_decoder(decoded).levels

    assert levels.black == (500.0, 510.0, 520.0, 530.0)
    assert levels.anchor == (15000.0, 15500.0, 15200.0, 15500.0)
    assert (levels.white, levels.anchor_source) == (16383.0, "per-channel white")


@pytest.mark.parametrize("white", [None, (0.0, 0.0, 0.0, 0.0), (400.0, 15500.0, 15200.0, 15500.0)])
def test_without_a_likely_per_channel_white_the_anchor_is_white(
    decoded: Decoded, white: tuple[float, ...] | None
) -> None:
    levels = sensor_by_decoder(replace(decoded, white_per_channel=white)).levels

    assert levels.anchor == (16383.0,) * 4
    assert levels.anchor_source == "white"


def test_a_neutral_stays_neutral_over_spans_that_differ(decoded: Decoded) -> None:
    """Levels above black of a neutral are the inverse of the multipliers; each over its span."""
    sensor = sensor_by_decoder(decoded)
    spans = np.array([14500.0, 14990.0, 14680.0])

    assert sensor.daylight is not None
    assert sensor.as_shot is not None
    daylight = np.array([1 / 2.5, 1 / 0.94, 1 / 1.34]) / spans * sensor.daylight
    as_shot = np.array([1 / 2000, 1 / 1000, 1 / 1500]) / spans * sensor.as_shot
    assert daylight == pytest.approx([daylight[1]] * 3)
    assert as_shot == pytest.approx([as_shot[1]] * 3)


def test_a_daylight_of_ones_without_a_matrix_is_the_decoder_s_filler(decoded: Decoded) -> None:
    nothing = replace(decoded, rgb_xyz=np.zeros((4, 3)), daylight=(1.0, 1.0, 1.0, 0.0))

    sensor = sensor_by_decoder(nothing)

    assert (sensor.daylight, sensor.xyz_to_camera) == (None, None)


def test_a_negative_balance_as_shot_is_none(decoded: Decoded) -> None:
    assert sensor_by_decoder(replace(decoded, as_shot=(-1.0, 1.0, 1.0, 1.0))).as_shot is None


@pytest.mark.parametrize(
    ("letters", "pattern", "said"),
    [
        ("GMCY", np.array([[0, 1], [3, 2]], np.uint8), "filters of the colours GMCY"),
        ("RGBE", np.array([[0, 1], [3, 2]], np.uint8), "filters of the colours RGBE"),
        ("RGBG", np.zeros((0, 0), np.uint8), "filters of an unknown repeat"),
        ("RGBG", np.array([[3, 2], [2, 2]], np.uint8), "filters of the colours BG"),
        ("RGBG", np.array([[0, 1], [3, 7]], np.uint8), "filters of the colours RGG"),
    ],
)
def test_filters_that_aren_t_red_green_and_blue_are_named(
    decoded: Decoded, letters: str, pattern: NDArray[np.uint8], said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        sensor_by_decoder(replace(decoded, letters=letters, pattern=pattern))


def test_a_monochrome_sensor_has_one_colour(decoded: Decoded) -> None:
    sensor = sensor_by_decoder(
        replace(decoded, letters="M", pattern=np.zeros((1, 1), np.uint8), white_per_channel=None)
    )

    assert sensor.cell.colours == ("M",)
    assert (sensor.levels.black, sensor.levels.anchor) == ((500.0,), (16383.0,))


def test_a_maker_s_own_raw_of_three_planes_is_a_reduced_one(
    decoded: Decoded, tmp_path: Path
) -> None:
    """A TIFF with a mosaic's photometric code, without the DNG version, decoded to planes."""
    path = tmp_path / "a.dng"
    write_dng(path, levels_for("rggb lossless", (64, 96)), spec=DngSpec(exif=None))
    path.write_bytes(path.read_bytes().replace((50706).to_bytes(2, "little"), b"\1\xc7", 1))
    planes = replace(decoded, pattern=None, mosaic=levels_for("three planes", (64, 96)))

    tiff = read_tiff(FileBytes.of(path.read_bytes()))
    refuse_by_shape(tiff, None, decoded, path)
    with pytest.raises(Unreadable, match="a reduced raw without a mosaic"):
        refuse_by_shape(tiff, None, planes, path)


def test_margins_with_one_level_are_padding(decoded: Decoded) -> None:
    noise = np.random.default_rng(1)

    def is_kept(margin: NDArray[np.uint16]) -> bool:
        stored = np.vstack([margin, decoded.stored])
        area = VisibleArea(16, 0, 64, 96, *stored.shape)
        dark = replace(decoded, stored=stored, area=area, black=(512.0,) * 4)
        return masked_of(dark, sensor_by_decoder(dark)) is not None

    assert not is_kept(np.full((16, 96), 512, np.uint16))
    assert is_kept(noise.normal(512, 4, (16, 96)).astype(np.uint16))
    assert not is_kept(noise.normal(900, 4, (16, 96)).astype(np.uint16))
