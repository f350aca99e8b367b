"""What a DNG's own tags say of levels and colour, where the decoder averages or leaves them out.

The decoder rounds black levels, averages their deltas, folds only patterns of 2 x 2, and replaces
them by the mean of the masked areas. The DNG specification ("Mapping Raw Values to Linear Reference
Values") gives each photosite its own black: pattern + column delta + row delta, counted from the
top left of the active area. Rules for the matrices are those of its chapter on camera colour.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.raw.colour import Triple, balance_of_neutral, usable, white_xyz
from stopwise.raw.mosaic import MONOCHROME, Cell, full_planes, named_by_codes, rolled
from stopwise.raw.whole import (
    BITS,
    HEIGHT,
    LINEAR_RAW,
    PHOTOMETRIC,
    SAMPLES,
    WIDTH,
    raw_directories,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.raw.decoder import Area, Rectangle
    from stopwise.raw.tiff import Directory, Tiff

_CFA_DIM, _CFA_PATTERN = 33421, 33422
_LINEARIZATION, _REPEAT, _BLACK, _DELTA_H, _DELTA_V, _WHITE = (
    50712,
    50713,
    50714,
    50715,
    50716,
    50717,
)
_ACTIVE, _MASKED = 50829, 50830
_MATRICES = ((50721, 50778, 50723), (50722, 50779, 50724), (52531, 52529, 52530))
"""ColorMatrix, CalibrationIlluminant and CameraCalibration, first to third."""

_ANALOG_BALANCE, _NEUTRAL = 50727, 50728
_DAYLIGHT_FIRST = (21, 20, 1, 4, 9, 23, 10, 22)
"""Illuminants by their closeness to studio flash and daylight."""


@dataclass(frozen=True, eq=False, slots=True)
class DngLevels:
    """Black and white of a DNG.

    Attributes
    ----------
    black
        Mean black of each colour, raw levels.
    offset
        What a place's black adds to that, float32 broadcastable to the mosaic; None where nothing.
    white
        White of each colour.
    bits
        Depth of the levels.
    """

    black: tuple[float, ...]
    offset: NDArray[np.float32] | None
    white: tuple[float, ...]
    bits: int | None


def raw_directory(tiff: Tiff, area: Area, planes: int) -> Directory | None:
    """Return the directory that the decoder took its picture from, by its size and planes.

    A file may hold a mosaic and, as large, the planes that a program made of it.
    """
    for directory in raw_directories(tiff):
        width, height = tiff.number(directory, WIDTH), tiff.number(directory, HEIGHT)
        samples = tiff.number(directory, SAMPLES) or 1
        if (width == area.stored_width and height == area.stored_height) and samples == planes:
            return directory
    return None


def masked_areas(tiff: Tiff) -> list[Rectangle]:
    """Return the rectangles that a DNG calls masked, of its full-size raw picture."""
    edges = [edge for d in raw_directories(tiff)[:1] for edge in tiff.whole_numbers(d, _MASKED)]
    return [
        (edges[at], edges[at + 1], edges[at + 2], edges[at + 3])
        for at in range(0, len(edges) - 3, 4)
    ]


def dng_cell(tiff: Tiff, directory: Directory, area: Area) -> Cell:
    """Return the colour filter array as seen from the visible area's origin.

    Raises
    ------
    ValueError
        If it isn't of red, green and blue.
    """
    samples = int(tiff.number(directory, SAMPLES) or 1)
    if tiff.number(directory, PHOTOMETRIC) == LINEAR_RAW:
        return MONOCHROME if samples == 1 else full_planes(samples)
    rows, columns = (*tiff.whole_numbers(directory, _CFA_DIM), 0, 0)[:2]
    codes = tiff.whole_numbers(directory, _CFA_PATTERN)
    if rows * columns != len(codes) or not codes:
        msg = f"a filter pattern of {rows} x {columns} with {len(codes)} codes"
        raise ValueError(msg)
    grid = np.array(codes, dtype=np.uint8).reshape(rows, columns)
    top, left = _origin(tiff, directory)
    return named_by_codes(rolled(grid, area.top - top, area.left - left))


def dng_levels(tiff: Tiff, directory: Directory, area: Area, cell: Cell) -> DngLevels:
    """Return black and white of a DNG, place by place where its tags say so.

    Parameters
    ----------
    tiff, directory
        The file's tags, and its raw picture's directory.
    area
        Where the visible area lies.
    cell
        Its colour filter array, from the visible origin.
    """
    pattern = _black_pattern(tiff, directory, area, cell)
    rows = _deltas(tiff, directory, _DELTA_V, area)
    columns = _deltas(tiff, directory, _DELTA_H, area)
    planes = cell.pattern.shape[2] if cell.pattern.ndim == 3 else 1
    means, residual = _by_colour(pattern, cell, planes)
    shift = float(rows.mean() + columns.mean())
    offset = _offset(residual, rows - rows.mean(), columns - columns.mean(), area)
    if offset is not None and cell.pattern.ndim == 2:
        offset = offset[..., 0]
    white = _whites(tiff, directory, planes, len(cell.colours))
    return DngLevels(tuple(mean + shift for mean in means), offset, white, _bits(tiff, directory))


def _origin(tiff: Tiff, directory: Directory) -> tuple[int, int]:
    active = tiff.whole_numbers(directory, _ACTIVE)
    return (active[0], active[1]) if len(active) == 4 else (0, 0)


def _black_pattern(tiff: Tiff, directory: Directory, area: Area, cell: Cell) -> NDArray[np.float64]:
    """Return the black pattern (rows, columns, planes), as long as the filter's cell or longer."""
    repeat = (*tiff.whole_numbers(directory, _REPEAT), 1, 1)[:2]
    rows, columns = (repeat[0], repeat[1]) if min(repeat) > 0 and len(repeat) == 2 else (1, 1)
    planes = int(tiff.number(directory, SAMPLES) or 1)
    values = np.array(tiff.values(directory, _BLACK), dtype=np.float64)
    if values.size != rows * columns * planes or not np.all(np.isfinite(values)):
        first = values[0] if values.size and math.isfinite(values[0]) else 0.0
        rows, columns, values = 1, 1, np.full(planes, first)
    top, left = _origin(tiff, directory)
    grid = values.reshape(rows, columns, planes)
    grid = np.roll(grid, (top - area.top, left - area.left), axis=(0, 1))
    tall = math.lcm(rows, cell.pattern.shape[0]) // rows
    wide = math.lcm(columns, cell.pattern.shape[1]) // columns
    return np.tile(grid, (tall, wide, 1))


def _deltas(tiff: Tiff, directory: Directory, code: int, area: Area) -> NDArray[np.float64]:
    """Return the deltas of the visible rows or columns; one 0 where the tag isn't there."""
    along_rows = code == _DELTA_V
    start = (area.top if along_rows else area.left) - _origin(tiff, directory)[not along_rows]
    length = area.height if along_rows else area.width
    values = np.array(tiff.values(directory, code), dtype=np.float64)
    if start < 0 or values.size < start + length or not np.all(np.isfinite(values)):
        return np.zeros(1)
    return values[start : start + length]


def _by_colour(
    pattern: NDArray[np.float64], cell: Cell, planes: int
) -> tuple[list[float], NDArray[np.float64]]:
    """Return each colour's mean of the black pattern, and what the pattern leaves of it."""
    if planes > 1:
        means = pattern.mean(axis=(0, 1))
        return means.tolist(), pattern - means
    repeats = (pattern.shape[0] // cell.pattern.shape[0], pattern.shape[1] // cell.pattern.shape[1])
    colour = np.tile(cell.pattern, repeats)
    flat = pattern[..., 0]
    means = np.array([flat[colour == index].mean() for index in range(len(cell.colours))])
    return means.tolist(), (flat - means[colour])[..., None]


def _offset(
    residual: NDArray[np.float64],
    rows: NDArray[np.float64],
    columns: NDArray[np.float64],
    area: Area,
) -> NDArray[np.float32] | None:
    """Return the sum of pattern and deltas, no larger than it need be: (h or 1, w or 1, planes)."""
    if not (np.any(residual) or np.any(rows) or np.any(columns)):
        return None
    total = rows[:, None, None] + columns[None, :, None]
    if np.any(residual):
        repeats = (-(-area.height // residual.shape[0]), -(-area.width // residual.shape[1]), 1)
        total = total + np.tile(residual, repeats)[: area.height, : area.width]
    return total.astype(np.float32)


def _whites(tiff: Tiff, directory: Directory, planes: int, colours: int) -> tuple[float, ...]:
    bits = _bits(tiff, directory) or 16
    values = tiff.values(directory, _WHITE)
    if not values or not all(math.isfinite(value) and value > 0 for value in values):
        values = (float((1 << bits) - 1),)
    if planes > 1 and len(values) == planes:
        return tuple(map(float, values))
    return (float(values[0]),) * colours


def _bits(tiff: Tiff, directory: Directory) -> int | None:
    """Return the depth of the levels, after the linearization table where there is one."""
    table = tiff.values(directory, _LINEARIZATION)
    if table:
        return max(int(max(table)).bit_length(), 1)
    bits = tiff.number(directory, BITS)
    return int(bits) if bits and 0 < bits <= 32 else None


# --- colour ---------------------------------------------------------------------------------------


def dng_matrix(tiff: Tiff) -> tuple[NDArray[np.float64], int] | None:
    """Return XYZ to camera and its illuminant, of the calibration nearest to studio flash.

    The matrix is AnalogBalance x CameraCalibration x ColorMatrix.
    """
    first = tiff.directories[0]
    found: dict[int, NDArray[np.float64]] = {}
    for matrix_code, light_code, calibration_code in _MATRICES:
        matrix = _square(tiff.values(first, matrix_code))
        if matrix is None:
            continue
        calibration = _square(tiff.values(first, calibration_code))
        analog = np.array(tiff.values(first, _ANALOG_BALANCE))
        if calibration is not None:
            matrix = calibration @ matrix
        if analog.shape == (3,) and np.all(np.isfinite(analog)) and np.all(analog > 0):
            matrix = analog[:, None] * matrix
        found.setdefault(int(tiff.number(first, light_code) or 0), matrix)
    for light in (*_DAYLIGHT_FIRST, *found):
        if light in found:
            return found[light], light
    return None


def _square(values: tuple[float, ...]) -> NDArray[np.float64] | None:
    return usable(np.array(values).reshape(3, 3)) if len(values) == 9 else None


def dng_balances(tiff: Tiff) -> tuple[Triple | None, Triple | None]:
    """Return the daylight balance, by the matrix, and the balance as shot, by AsShotNeutral."""
    known = dng_matrix(tiff)
    daylight = None
    if known is not None:
        matrix, light = known
        daylight = balance_of_neutral(matrix @ white_xyz(light))
    as_shot = balance_of_neutral(tiff.values(tiff.directories[0], _NEUTRAL))
    return daylight, as_shot
