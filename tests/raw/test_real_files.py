"""Real camera files: a lossy-compressed mosaic, a stack of planes, a file without its pixels."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING

import numpy as np
import pytest
import rawpy

from stopwise.errors import Unreadable
from stopwise.raw import declared_end, decode
from stopwise.raw.refusals import unfilled
from support.real_files import real_mosaic, stack_of_planes, stripped_pixels

if TYPE_CHECKING:
    from pathlib import Path

SHARES = (0.01, 0.1, 0.5, 0.9, 0.99, 0.999)


@pytest.fixture(scope="module")
def mosaic_file() -> Path:
    return real_mosaic()


def test_a_real_mosaic_comes_through_as_its_maker_says(mosaic_file: Path) -> None:
    """Levels and settings as the file's own tags name them; pixels as the binding shows them."""
    frame = decode(mosaic_file)
    with rawpy.imread(str(mosaic_file)) as raw:
        assert np.array_equal(frame.mosaic, raw.raw_image_visible)

    assert frame.size == (5184, 3464)
    assert frame.levels.black == (512.0,) * 4
    assert frame.levels.anchor == (15360.0,) * 4
    assert (frame.levels.white, frame.levels.anchor_source) == (16383.0, "per-channel white")
    assert int(frame.mosaic.max()) == 16628
    assert (frame.exposure.iso, frame.exposure.f_number) == (3200.0, 6.3)
    assert frame.exposure.shutter_s == 1 / 640
    assert frame.exposure.taken == "2018-07-11T01:18:47"
    assert frame.camera.lens is not None


def test_a_real_camera_s_blue_weighs_less_than_nothing_in_luminance(mosaic_file: Path) -> None:
    """The Y row of the inverse of the balanced matrix; known of real sensors, common practice."""
    frame = decode(mosaic_file)

    assert frame.xyz_to_camera is not None
    assert frame.daylight is not None
    weights = np.linalg.inv(np.array(frame.daylight)[:, None] * frame.xyz_to_camera)[1]
    assert weights[2] < 0 < weights[0] < weights[1]


def test_padding_beside_a_real_mosaic_isn_t_taken_for_masked_photosites(mosaic_file: Path) -> None:
    """Its 32 columns at the right repeat picture; their median is 674 over a black of 512."""
    assert decode(mosaic_file).masked is None


@pytest.mark.parametrize("share", SHARES)
def test_a_cut_real_mosaic_gives_no_frame_though_the_decoder_takes_it(
    mosaic_file: Path, tmp_path: Path, share: float
) -> None:
    path = tmp_path / mosaic_file.name
    whole = mosaic_file.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])

    with pytest.raises(Unreadable, match="the file is cut short") as caught:
        decode(path)

    assert caught.value.condition.name == "cut_short"
    assert declared_end(path) != path.stat().st_size


@pytest.mark.parametrize("share", SHARES)
def test_a_real_mosaic_that_is_padded_to_its_length_gives_no_frame(
    mosaic_file: Path, tmp_path: Path, share: float
) -> None:
    path = tmp_path / mosaic_file.name
    whole = mosaic_file.read_bytes()
    kept = int(share * len(whole))
    path.write_bytes(whole[:kept] + bytes(len(whole) - kept))

    with pytest.raises(Unreadable, match=r"cut short|damaged"):
        decode(path)


def test_the_stale_rows_of_a_cut_real_mosaic_show_by_themselves(mosaic_file: Path) -> None:
    """Cut at nine tenths the decoder says nothing, and repeats what its buffer held last."""
    whole = mosaic_file.read_bytes()
    with rawpy.imread(io.BytesIO(whole[: int(0.9 * len(whole))])) as raw:
        stale = raw.raw_image_visible.copy()
    full = decode(mosaic_file).mosaic

    missing = unfilled(stale, period=2, black=512.0, white=15360.0)

    assert re.fullmatch(r"its last \d+ rows repeat the one above", missing or "")
    first_stale = 3464 - int(re.findall(r"\d+", missing or "")[0])
    assert np.array_equal(stale[: first_stale - 2], full[: first_stale - 2])
    assert unfilled(full, period=2, black=512.0, white=15360.0) is None


@pytest.mark.parametrize("share", [0.4, 0.6, 0.9])
def test_a_page_of_zeros_in_a_real_mosaic_gives_no_frame_though_the_decoder_takes_it(
    mosaic_file: Path, tmp_path: Path, share: float
) -> None:
    path = tmp_path / mosaic_file.name
    data = bytearray(mosaic_file.read_bytes())
    start = int(share * len(data)) // 4096 * 4096
    data[start : start + 4096] = bytes(4096)
    path.write_bytes(data)

    with pytest.raises(Unreadable, match="a part of it holds zeros, under its black"):
        decode(path)


def test_a_real_stack_of_planes_has_no_mosaic_and_no_settings() -> None:
    frame = decode(stack_of_planes())

    assert frame.mosaic.shape == (912, 1216, 3)
    assert frame.colours == ("R", "G", "B")
    assert frame.mosaic.max(axis=(0, 1)).tolist() == [64604, 65535, 64604]
    assert frame.exposure.iso is None
    assert frame.exposure.taken is None
    assert (frame.daylight, frame.as_shot, frame.xyz_to_camera) == (None, None, None)


@pytest.mark.parametrize("share", SHARES)
def test_a_cut_real_stack_gives_no_frame(tmp_path: Path, share: float) -> None:
    whole = stack_of_planes().read_bytes()
    path = tmp_path / "a.raw"
    path.write_bytes(whole[: int(share * len(whole))])

    with pytest.raises(Unreadable, match=r"."):
        decode(path)


def test_a_real_file_whose_pixels_were_removed_is_unreadable() -> None:
    with pytest.raises(Unreadable, match=r"the file is cut short: 64104 bytes of at least"):
        decode(stripped_pixels())
