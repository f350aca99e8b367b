"""Every kind of mosaic comes through untouched, with the right colour at each photosite."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import numpy as np
import pytest
import rawpy
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lightmodel.dng import BAYER, RGGB, X_TRANS, DngSpec, write_dng
from stopwise.errors import Unreadable
from stopwise.raw import decode
from support.made_raws import BLACK, KINDS, exposed, filters, levels_for, light, write_kind

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from stopwise.frame import Frame

QUAD = ("RRGG", "RRGG", "GGBB", "GGBB")


def letters_of(frame: Frame) -> NDArray[np.str_]:
    """Return the letter of each photosite as the frame tells it, both greens as G."""
    names = np.array([name[0] for name in frame.colours])
    height, width = frame.mosaic.shape[:2]
    cell = frame.pattern
    rows, columns = np.arange(height) % cell.shape[0], np.arange(width) % cell.shape[1]
    return names[cell[np.ix_(rows, columns)]]


@pytest.mark.parametrize("kind", KINDS)
def test_levels_of_every_kind_come_through_untouched(tmp_path: Path, kind: str) -> None:
    written = write_kind(tmp_path / "a.dng", kind)

    frame = decode(tmp_path / "a.dng")

    assert frame.mosaic.dtype == np.uint16
    assert np.array_equal(frame.mosaic, written)
    assert not frame.mosaic.flags.writeable


@pytest.mark.parametrize("pattern", [*BAYER, X_TRANS, QUAD], ids="-".join)
def test_each_photosite_has_the_colour_of_its_filter(
    tmp_path: Path, pattern: tuple[str, ...]
) -> None:
    write_dng(tmp_path / "a.dng", levels_for("rggb lossless"), spec=DngSpec(pattern=pattern))

    frame = decode(tmp_path / "a.dng")

    assert np.array_equal(letters_of(frame), filters(pattern, frame.mosaic.shape))


@pytest.mark.parametrize("pattern", BAYER, ids="-".join)
def test_the_second_green_stands_in_the_rows_of_blue(
    tmp_path: Path, pattern: tuple[str, ...]
) -> None:
    write_dng(tmp_path / "a.dng", levels_for("rggb lossless"), spec=DngSpec(pattern=pattern))

    frame = decode(tmp_path / "a.dng")
    names = np.array(frame.colours)[frame.pattern]

    assert frame.colours == ("R", "G", "B", "G2")
    blue_row = next(row for row in names.tolist() if "B" in row)
    assert sorted(blue_row) == ["B", "G2"]
    assert sorted(np.ravel(names).tolist()) == ["B", "G", "G2", "R"]


@pytest.mark.parametrize("pattern", [("GG", "RB"), ("RB", "BG"), ("RG", "BB")], ids="-".join)
def test_a_cell_without_a_green_in_each_row_has_three_colours_each_with_a_black(
    tmp_path: Path, pattern: tuple[str, ...]
) -> None:
    write_dng(tmp_path / "a.dng", levels_for("rggb lossless"), spec=DngSpec(pattern=pattern))

    frame = decode(tmp_path / "a.dng")

    assert frame.levels.black == (BLACK,) * len(frame.colours)
    assert np.array_equal(letters_of(frame), filters(pattern, frame.mosaic.shape))


def test_monochrome_and_full_planes_have_no_mosaic(tmp_path: Path) -> None:
    shapes = {}
    for kind in ("monochrome", "three planes", "four planes"):
        write_kind(tmp_path / "a.dng", kind)
        frame = decode(tmp_path / "a.dng")
        shapes[kind] = (frame.colours, frame.pattern.tolist(), frame.mosaic.shape)

    assert shapes == {
        "monochrome": (("M",), [[0]], (150, 214)),
        "three planes": (("R", "G", "B"), [[[0, 1, 2]]], (150, 214, 3)),
        "four planes": (("R", "G", "B", "G2"), [[[0, 1, 2, 3]]], (150, 214, 4)),
    }


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    pattern=st.sampled_from([*BAYER, X_TRANS]),
    height=st.integers(40, 75),
    width=st.integers(40, 75),
    margins=st.tuples(*[st.integers(0, 9)] * 4),
)
def test_odd_sizes_and_margins_keep_level_and_colour_together(
    tmp_path: Path,
    pattern: tuple[str, ...],
    height: int,
    width: int,
    margins: tuple[int, int, int, int],
) -> None:
    """A level tells its filter: 2000 red, 4000 green, 6000 blue, with noise of a few levels."""
    top, left, bottom, right = margins
    letters = filters(pattern, (height, width), top=top, left=left)
    means = np.select([letters == "R", letters == "G"], [2000, 4000], 6000)
    noise = np.random.default_rng(height * width).integers(-9, 10, (height, width))
    area = (top, left, height - bottom, width - right)
    spec = DngSpec(pattern=pattern, active_area=area)
    write_dng(tmp_path / "a.dng", (means + noise).astype(np.uint16), spec=spec)

    frame = decode(tmp_path / "a.dng")

    seen = np.select([letters_of(frame) == "R", letters_of(frame) == "G"], [2000, 4000], 6000)
    assert np.abs(frame.mosaic.astype(int) - seen).max() <= 9
    for visible, whole in zip(frame.mosaic.shape, (area[2] - top, area[3] - left), strict=True):
        assert whole - 1 <= visible <= whole


# --- upright --------------------------------------------------------------------------------------


def turned(plane: NDArray[np.float64], orientation: int) -> NDArray[np.float64]:
    """Return an upright picture as a sensor held by TIFF 6.0's orientation tag records it.

    The tag says which edge of the upright picture the stored first row and first column are: 1 top
    left, 2 top right, 3 bottom right, 4 bottom left, 5 left top, 6 right top, 7 right bottom, 8
    left bottom.
    """
    edges = {
        1: plane,
        2: np.fliplr(plane),
        3: np.flipud(np.fliplr(plane)),
        4: np.flipud(plane),
        5: plane.T,
        6: np.fliplr(plane).T,
        7: np.flipud(np.fliplr(plane)).T,
        8: np.flipud(plane).T,
    }
    return edges[orientation]


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    pattern=st.sampled_from(BAYER),
    orientation=st.integers(1, 8),
    black=st.integers(0, 2000),
)
def test_filter_order_orientation_and_black_change_nothing_in_the_upright_linear_picture(
    tmp_path: Path, pattern: tuple[str, ...], orientation: int, black: int
) -> None:
    upright_light = np.rint(light((60, 84), seed=3))
    stored = turned(upright_light, orientation)
    spec = DngSpec(pattern=pattern, orientation=orientation, black=black, white=16383)
    write_dng(tmp_path / "a.dng", (stored + black).astype(np.uint16), spec=spec)

    frame = decode(tmp_path / "a.dng")
    linear = frame.mosaic - np.array(frame.levels.black)[frame.pattern[0, 0]]

    assert frame.size == (84, 60)
    assert np.array_equal(frame.upright(linear), upright_light)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_picture_stands_as_the_decoding_library_itself_would_turn_it(
    tmp_path: Path, orientation: int
) -> None:
    """The library's own rendering turns the picture by its code; ours by TIFF/EP tag 274."""
    stored = exposed(turned(light((64, 96), seed=5), orientation))
    spec = DngSpec(pattern=RGGB, orientation=orientation, black=BLACK)
    write_dng(tmp_path / "a.dng", stored, spec=spec)
    with rawpy.imread(os.fspath(tmp_path / "a.dng")) as raw:
        rendered = raw.postprocess(no_auto_bright=True, gamma=(1, 1), half_size=True)

    frame = decode(tmp_path / "a.dng")
    ours = frame.upright(frame.mosaic).reshape(32, 2, 48, 2).mean(axis=(1, 3))
    likeness = [
        np.corrcoef(rendered.mean(axis=2).ravel(), other.ravel())[0, 1]
        for other in (ours, np.fliplr(ours), np.flipud(ours), np.flipud(np.fliplr(ours)))
    ]

    assert rendered.shape[:2] == ours.shape
    assert likeness[0] > 0.95
    assert max(likeness[1:]) < 0.9


def test_filters_of_other_colours_are_unsupported(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, levels_for("rggb lossless"), spec=DngSpec(pattern=RGGB))
    data = path.read_bytes().replace(bytes([0, 1, 1, 2]), bytes([3, 4, 4, 5]), 1)
    path.write_bytes(data)

    with pytest.raises(Unreadable, match=r"isn't read: filters of the codes \[3, 4, 5\]") as caught:
        decode(path)

    assert caught.value.condition.name == "unsupported"
