"""Black, white and linearization: each photosite's own, as the DNG specification maps it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from lightmodel.dng import RGGB, X_TRANS, DngSpec, write_dng
from stopwise.raw import decode
from support.made_raws import BLACK, WHITE, exposed, light

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from stopwise.frame import Frame


def black_of(frame: Frame) -> NDArray[np.float64]:
    """Return each photosite's black as the frame tells it."""
    black = np.asarray(frame.levels.black)
    if frame.mosaic.ndim == 3:
        whole = np.broadcast_to(black, frame.mosaic.shape)
    else:
        rows, columns = (np.arange(n) for n in frame.mosaic.shape)
        cell = frame.pattern
        whole = black[cell[np.ix_(rows % cell.shape[0], columns % cell.shape[1])]]
    return whole + (0.0 if frame.black_offset is None else frame.black_offset)


# DNG specification, "Mapping Raw Values to Linear Reference Values": subtract each place's black
# (pattern + column delta + row delta), divide by white less the greatest black, clip at 1.
RAW_ROWS = [
    [600, 1200, 2400, 4800],
    [700, 1400, 2800, 5600],
    [512, 520, 510, 516],
    [16383, 15000, 8000, 15871],
]
LINEAR_ROWS = [
    [0.0057342, 0.0446356, 0.1228945, 0.2790864],
    [0.0119571, 0.0572443, 0.1486658, 0.3307920],
    [-0.0000652, 0.0002606, -0.0003258, -0.0001303],
    [1.0, 0.9433747, 0.4874401, 1.0],
]


@pytest.mark.parametrize("compression", ["none", "lossless"])
def test_worked_4_by_4_maps_to_linear_as_the_dng_specification_says(
    tmp_path: Path, compression: str
) -> None:
    """Worked by hand from the formula; the 4 x 4 stands at the top left of a larger file.

    The decoder reads no smaller pictures, so rows and columns of plain levels follow; their deltas
    are 0 and don't reach the greatest black, 524.5.
    """
    levels = exposed(light((32, 32)))
    levels[:4, :4] = RAW_ROWS
    deltas_h, deltas_v = np.zeros(32), np.zeros(32)
    deltas_h[:4], deltas_v[:4] = [0, 1, 2, 3], [0, 0.5, 1, 1.5]
    spec = DngSpec(
        compression="lossless" if compression == "lossless" else "none",
        black=((512, 514), (516, 520)),
        black_delta_h=deltas_h.tolist(),
        black_delta_v=deltas_v.tolist(),
        white=15871,
    )
    write_dng(tmp_path / "a.dng", levels, spec=spec)

    frame = decode(tmp_path / "a.dng")
    black = black_of(frame)
    scale = 1.0 / (frame.levels.white - black[:4, :4].max())
    linear = np.minimum((frame.mosaic - black)[:4, :4] * scale, 1.0)

    assert black[:4, :4].max() == pytest.approx(524.5, abs=1e-4)
    assert scale == pytest.approx(6.516144e-5, abs=1e-10)
    assert np.abs(linear - LINEAR_ROWS).max() < 1e-7


def test_a_linearization_table_maps_codes_and_its_last_entry_holds_beyond_its_end(
    tmp_path: Path,
) -> None:
    """DNG specification, LinearizationTable: codes past the end take the last entry."""
    table = [0, 2, 5, 9, 14, 20, 27, 35]
    codes = np.random.default_rng(1).integers(0, 12, (40, 52)).astype(np.uint16)
    codes[0, :5] = [0, 3, 7, 9, 200]
    spec = DngSpec(compression="none", bits=10, linearization=table, black=0, white=35)
    write_dng(tmp_path / "a.dng", codes, spec=spec)

    frame = decode(tmp_path / "a.dng")

    assert frame.mosaic[0, :5].tolist() == [0, 9, 35, 35, 35]
    assert np.array_equal(frame.mosaic, np.array(table, np.uint16)[np.minimum(codes, 7)])
    assert frame.levels.white == 35
    assert frame.bits == 6


@pytest.mark.parametrize(
    "black",
    [((500, 510), (530, 520)), 512.25, ((500,), (510,), (520,)), np.arange(36).reshape(6, 6)],
)
@pytest.mark.parametrize("pattern", [RGGB, X_TRANS], ids="-".join)
@pytest.mark.parametrize("area", [None, (3, 5, 61, 91)])
def test_black_patterns_reach_each_photosite_from_the_active_area_s_corner(
    tmp_path: Path, pattern: tuple[str, ...], black: object, area: tuple[int, int, int, int] | None
) -> None:
    """DNG specification, BlackLevelRepeatDim: the pattern begins at the active area's top left."""
    spec = DngSpec(pattern=pattern, black=black, active_area=area)  # type: ignore[arg-type]
    write_dng(tmp_path / "a.dng", exposed(light((64, 96))), spec=spec)

    frame = decode(tmp_path / "a.dng")

    grid = np.atleast_2d(np.asarray(black, dtype=float))
    rows, columns = (np.arange(n) for n in frame.mosaic.shape)
    if area is not None:  # the decoder may start a photosite further in, to begin on an even one
        rows = rows + (area[2] - area[0]) - frame.mosaic.shape[0]
        columns = columns + (area[3] - area[1]) - frame.mosaic.shape[1]
    wanted = grid[np.ix_(rows % grid.shape[0], columns % grid.shape[1])]
    assert np.abs(black_of(frame) - wanted).max() < 1e-4


def test_one_black_a_colour_needs_no_offsets(tmp_path: Path) -> None:
    spec = DngSpec(black=((500, 510), (530, 520)))
    write_dng(tmp_path / "a.dng", exposed(light((64, 96))), spec=spec)

    frame = decode(tmp_path / "a.dng")

    assert frame.black_offset is None
    assert frame.levels.black == (500.0, 510.0, 520.0, 530.0)


@pytest.mark.parametrize("which", ["black_delta_h", "black_delta_v"])
def test_deltas_along_one_side_stay_one_row_or_column(tmp_path: Path, which: str) -> None:
    length = 96 if which == "black_delta_h" else 64
    deltas = np.linspace(-3, 5, length).round(3)
    spec = DngSpec(**{which: deltas.tolist()})  # type: ignore[arg-type]
    write_dng(tmp_path / "a.dng", exposed(light((64, 96))), spec=spec)

    frame = decode(tmp_path / "a.dng")

    assert frame.black_offset is not None
    assert frame.black_offset.shape == ((1, 96) if which == "black_delta_h" else (64, 1))
    shaped = deltas[None, :] if which == "black_delta_h" else deltas[:, None]
    assert np.abs(black_of(frame) - (BLACK + shaped)).max() < 1e-3


def test_planes_have_a_black_pattern_and_a_white_of_their_own(tmp_path: Path) -> None:
    grid = 100 + 10 * np.arange(12).reshape(2, 2, 3)
    planes = np.stack([exposed(light((64, 96)), seed=n) for n in range(3)], axis=2)
    spec = DngSpec(pattern=None, black=grid, white=(15000, 15500, 15900))
    write_dng(tmp_path / "a.dng", planes, spec=spec)

    frame = decode(tmp_path / "a.dng")

    assert np.abs(black_of(frame) - np.tile(grid, (32, 48, 1))).max() < 1e-4
    assert frame.levels.anchor == (15000.0, 15500.0, 15900.0)
    assert frame.levels.anchor_source == "per-channel white"


def test_defaults_are_those_of_the_dng_specification(tmp_path: Path) -> None:
    """WhiteLevel defaults to the greatest code of the bits, black to what is there."""
    write_dng(tmp_path / "a.dng", exposed(light((64, 96))), spec=DngSpec(white=None, bits=14))

    frame = decode(tmp_path / "a.dng")

    assert frame.levels.anchor == (WHITE,) * 4
    assert frame.levels.anchor_source == "white"
    assert frame.bits == 14


# --- masked photosites ----------------------------------------------------------------------------


def test_masked_areas_are_kept_with_their_colours_and_don_t_move_black(tmp_path: Path) -> None:
    """The decoder would take the masked mean, 515, for black; the file's own tag says 512."""
    levels = exposed(light((64, 96)))
    dark = np.random.default_rng(2).normal(515.0, 4.0, (64, 96)).round().astype(np.uint16)
    levels[:4], levels[:, :6] = dark[:4], dark[:, :6]
    dark[:4] += (np.arange(96) % 2).astype(np.uint16) * 100  # tell columns of one row apart
    levels[:4] = dark[:4]
    spec = DngSpec(active_area=(4, 6, 64, 96), masked_areas=((0, 0, 4, 96), (4, 0, 64, 6)))
    write_dng(tmp_path / "a.dng", levels, spec=spec)

    frame = decode(tmp_path / "a.dng")

    assert frame.levels.black == (512.0,) * 4
    assert frame.masked is not None
    assert frame.masked.levels.size == 4 * 96 + 60 * 6
    top = frame.masked.levels[: 4 * 96].reshape(4, 96), frame.masked.colour[: 4 * 96].reshape(4, 96)
    names = np.array(frame.colours)[top[1]]
    assert set(names[0].tolist()) == {"R", "G"}
    assert top[0][names == "R"].mean() == pytest.approx(515.0, abs=1.0)
    assert top[0][names == "G"].mean() == pytest.approx(615.0, abs=1.0)


def test_margins_that_the_file_doesn_t_call_masked_count_only_where_they_are_dark(
    tmp_path: Path,
) -> None:
    levels = exposed(light((64, 96)))
    area = (8, 0, 64, 88)
    levels[:8] = np.random.default_rng(3).normal(512.0, 4.0, (8, 96)).round()
    write_dng(tmp_path / "a.dng", levels, spec=DngSpec(active_area=area))

    frame = decode(tmp_path / "a.dng")

    assert frame.masked is not None  # the dark rows above, not the picture at the right
    assert frame.masked.levels.size == 4 * 92
    assert frame.masked.levels.max() < 540
