"""What a DNG's own tags say of its sensor, where the decoder averages or leaves it out.

The decoder rounds black levels, averages their deltas, folds only patterns of 2 x 2, and replaces
them by the mean of the masked areas. The DNG specification ("Mapping Raw Values to Linear Reference
Values") gives each photosite its own black: pattern + column delta + row delta, counted from the
top left of the active area. Rules for the matrices are those of its chapter on camera colour.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from stopwise.frame import NamedLevels
from stopwise.raw import bounds, tags
from stopwise.raw.bounds import BeyondBoundsError
from stopwise.raw.sensor import (
    MONOCHROME,
    FilterCell,
    Sensor,
    Triple,
    UnknownFiltersError,
    balance_of_neutral,
    cell_by_codes,
    full_planes,
    sensor_of,
    usable,
    white_xyz,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.raw.directories import Directory, Tiff
    from stopwise.raw.libraw import Decoded, Rectangle, VisibleArea

_DAYLIGHT_FIRST = (21, 20, 1, 4, 9, 23, 10, 22)
"""Illuminants (Exif LightSource) by their closeness to studio flash and daylight."""


def raw_directory(tiff: Tiff, decoded: Decoded) -> Directory | None:
    """Return the directory that the decoder took its picture from, by its size and planes.

    A file may hold a mosaic and, as large, the planes that a program made of it.
    """
    planes = decoded.mosaic.shape[2] if decoded.mosaic.ndim == 3 else 1
    shape = (decoded.area.stored_width, decoded.area.stored_height, planes)
    for directory in tiff.raws:
        size = (directory.whole(tags.WIDTH), directory.whole(tags.HEIGHT))
        if (*size, directory.whole(tags.SAMPLES, 1)) == shape:
            return directory
    return None


def sensor_by_tags(tiff: Tiff, directory: Directory, decoded: Decoded) -> Sensor:
    """Return what a DNG's tags say.

    Parameters
    ----------
    tiff, directory
        The file's directories, and that of its picture.
    decoded
        The picture.

    Raises
    ------
    UnknownFiltersError
        If its filters aren't red, green and blue.
    BeyondBoundsError
        If a pattern is longer than any sensor's.
    """
    area = decoded.area
    cell = _cell(directory, area)
    black, offset = _blacks(directory, area, cell)
    bits = _bits(directory)
    white = directory.values(tags.WHITE)
    if not white or not all(math.isfinite(value) and value > 0 for value in white):
        white = (float((1 << (bits or 16)) - 1),)
    if cell.pattern.ndim == 2 or len(white) != len(cell.colours):
        white = white[:1] * len(cell.colours)  # the linear range is common to all colours
    levels = NamedLevels(
        black=black,
        anchor=tuple(map(float, white)),
        anchor_source="white" if len(set(white)) == 1 else "per-channel white",
        white=float(max(white)),
    )
    matrix, daylight = _matrix(tiff)
    as_shot = balance_of_neutral(tiff.directories[0].values(tags.NEUTRAL))
    if cell.pattern.ndim == 3:
        return Sensor(cell, levels, offset, daylight, as_shot, matrix, bits)
    return sensor_of(cell, levels, (daylight, as_shot), matrix, black_offset=offset, bits=bits)


def masked_areas(tiff: Tiff) -> list[Rectangle]:
    """Return the rectangles that a DNG calls masked, of its full-size raw picture.

    Raises
    ------
    BeyondBoundsError
        If there are more than any sensor has.
    """
    edges = [edge for directory in tiff.raws[:1] for edge in directory.wholes(tags.MASKED_AREAS)]
    if len(edges) > 4 * bounds.MOST_CELL:
        msg = f"{len(edges) // 4} masked areas"
        raise BeyondBoundsError(msg)
    return list(zip(edges[::4], edges[1::4], edges[2::4], edges[3::4], strict=False))


def _origin(directory: Directory) -> tuple[int, int]:
    """Return the top left of the active area, from which patterns and deltas count."""
    active = directory.wholes(tags.ACTIVE_AREA)
    return (active[0], active[1]) if len(active) == 4 else (0, 0)


def _cell(directory: Directory, area: VisibleArea) -> FilterCell:
    """Return the colour filter array as seen from the visible area's origin."""
    if directory.number(tags.PHOTOMETRIC) == tags.LINEAR_RAW:
        samples = directory.whole(tags.SAMPLES, 1)
        return MONOCHROME if samples == 1 else full_planes(samples)
    rows, columns = (*directory.wholes(tags.FILTER_REPEAT), 0, 0)[:2]
    codes = directory.wholes(tags.FILTERS)
    if not codes or rows * columns != len(codes) or not 0 < rows <= bounds.MOST_CELL >= columns:
        msg = f"a filter pattern of {rows} x {columns} with {len(codes)} codes"
        raise UnknownFiltersError(msg)
    grid = np.array(codes, dtype=np.int64).reshape(rows, columns).clip(0, 255).astype(np.uint8)
    top, left = _origin(directory)
    return cell_by_codes(np.roll(grid, (top - area.top, left - area.left), axis=(0, 1)))


def _blacks(
    directory: Directory, area: VisibleArea, cell: FilterCell
) -> tuple[tuple[float, ...], NDArray[np.float32] | None]:
    """Return each colour's mean black, and what a place's black adds to that.

    The second is broadcastable to the mosaic and no larger than it need be; None where it is 0.
    """
    pattern = _black_pattern(directory, area, cell)
    along = (
        (tags.BLACK_ALONG_COLUMN, area.top - _origin(directory)[0], area.height),
        (tags.BLACK_ALONG_ROW, area.left - _origin(directory)[1], area.width),
    )
    rows, columns = (_deltas(directory, code, start, length) for code, start, length in along)
    if cell.pattern.ndim == 3:
        means = pattern.mean(axis=(0, 1))
        rest = pattern - means
    else:
        flat = pattern[..., 0]
        colour = cell.at(np.arange(flat.shape[0]), np.arange(flat.shape[1]))
        means = np.array([flat[colour == index].mean() for index in range(len(cell.colours))])
        rest = (flat - means[colour])[..., None]
    shift = rows.mean() + columns.mean()
    total = (rows - rows.mean())[:, None, None] + (columns - columns.mean())[None, :, None]
    if np.any(rest):
        repeats = (-(-area.height // rest.shape[0]), -(-area.width // rest.shape[1]), 1)
        total = total + np.tile(rest, repeats)[: area.height, : area.width]
    offset = total.astype(np.float32) if np.any(total) else None
    if offset is not None and cell.pattern.ndim == 2:
        offset = offset[..., 0]
    return tuple((means + shift).tolist()), offset


def _black_pattern(
    directory: Directory, area: VisibleArea, cell: FilterCell
) -> NDArray[np.float64]:
    """Return the black pattern (rows, columns, planes), as long as the filter's cell or longer."""
    repeat = (*directory.wholes(tags.BLACK_REPEAT), 1, 1)[:2]
    rows, columns = repeat if min(repeat) > 0 else (1, 1)
    planes = directory.whole(tags.SAMPLES, 1)
    if rows * columns > bounds.MOST_BLACKS:
        msg = f"a black pattern of {rows} x {columns}"
        raise BeyondBoundsError(msg)
    values = np.array(directory.values(tags.BLACK), dtype=np.float64)
    if values.size != rows * columns * planes or not _are_levels(values):
        first = values[0] if _are_levels(values[:1]) else 0.0
        rows, columns, values = 1, 1, np.full(planes, first)
    top, left = _origin(directory)
    grid = values.reshape(rows, columns, planes)
    grid = np.roll(grid, (top - area.top, left - area.left), axis=(0, 1))
    tall = math.lcm(rows, cell.pattern.shape[0]) // rows
    wide = math.lcm(columns, cell.pattern.shape[1]) // columns
    return np.tile(grid, (tall, wide, 1))


def _deltas(directory: Directory, code: int, start: int, length: int) -> NDArray[np.float64]:
    """Return the deltas of the visible rows or columns; one 0 where the tag isn't there."""
    values = np.array(directory.values(code), dtype=np.float64)
    if start < 0 or values.size < start + length or not _are_levels(values):
        return np.zeros(1)
    return values[start : start + length]


def _are_levels(values: NDArray[np.float64]) -> bool:
    return values.size > 0 and bool(np.all(np.abs(values) <= bounds.MOST_LEVEL))


def _bits(directory: Directory) -> int | None:
    """Return the depth of the levels, after the linearization table where there is one."""
    table = directory.wholes(tags.LINEARIZATION)
    if table:
        return max(max(table).bit_length(), 1)
    bits = directory.whole(tags.BITS)
    return bits if 0 < bits <= 32 else None


def _matrix(tiff: Tiff) -> tuple[NDArray[np.float64] | None, Triple | None]:
    """Return XYZ to camera (3, 3) of the calibration nearest to studio flash, and its balance.

    The matrix is AnalogBalance x CameraCalibration x ColorMatrix.
    """
    first = tiff.directories[0]
    analog = np.array(first.values(tags.ANALOG_BALANCE))
    found: dict[int, NDArray[np.float64]] = {}
    for matrix_code, light_code, calibration_code in tags.MATRICES:
        matrix, calibration = (
            usable(np.array(values).reshape(3, 3)) if len(values) == 9 else None
            for values in (first.values(matrix_code), first.values(calibration_code))
        )
        if matrix is None:
            continue
        if calibration is not None:
            matrix = calibration @ matrix
        if analog.shape == (3,) and np.all((analog > 0) & (analog < bounds.MOST_FACTOR)):
            matrix = analog[:, None] * matrix
        found.setdefault(first.whole(light_code), matrix)
    for light in (*_DAYLIGHT_FIRST, *found):
        if light in found:
            return found[light], balance_of_neutral(found[light] @ white_xyz(light))
    return None, None
