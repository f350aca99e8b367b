"""What a file says of its sensor, by its tags or the decoder: filters, levels, balances, matrix."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.frame import NamedLevels
from stopwise.raw.colour import (
    Triple,
    balance_of_multipliers,
    matrix_of_decoder,
    on_anchors,
)
from stopwise.raw.dng_tags import (
    dng_balances,
    dng_cell,
    dng_levels,
    dng_matrix,
    raw_directory,
)
from stopwise.raw.mosaic import Cell, full_planes, named_by_decoder

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from stopwise.raw.decoder import Decoded
    from stopwise.raw.tiff import Tiff

_FILLER = (1.0, 1.0, 1.0)
"""The decoder's daylight balance where it knows none."""


@dataclass(frozen=True, eq=False, slots=True)
class Sensor:
    """Filter array and colour of one file, in the terms of :class:`stopwise.frame.Frame`."""

    cell: Cell
    levels: NamedLevels
    black_offset: NDArray[np.float32] | None
    daylight: Triple | None
    as_shot: Triple | None
    xyz_to_camera: NDArray[np.float64] | None
    bits: int | None


def sensor_by_tags(tiff: Tiff, decoded: Decoded) -> Sensor | None:
    """Return what a DNG's tags say; None where no directory has the decoded picture's shape.

    Raises
    ------
    ValueError
        If its filters aren't red, green and blue.
    """
    area = decoded.area
    planes = decoded.mosaic.shape[2] if decoded.mosaic.ndim == 3 else 1
    directory = raw_directory(tiff, area, planes)
    if directory is None:
        return None
    cell = dng_cell(tiff, directory, area)
    said = dng_levels(tiff, directory, area, cell)
    levels = NamedLevels(
        black=said.black,
        anchor=said.white,
        anchor_source="white" if len(set(said.white)) == 1 else "per-channel white",
        white=max(said.white),
    )
    daylight, as_shot = dng_balances(tiff)
    known = dng_matrix(tiff)
    matrix = None if known is None else known[0]
    if cell.colours == ("M",):
        daylight = as_shot = matrix = None
    elif cell.pattern.ndim == 2:  # one white for all colours: the linear range is common to them
        matrix, (daylight, as_shot) = _anchored(levels, matrix, (daylight, as_shot))
    return Sensor(cell, levels, said.offset, daylight, as_shot, matrix, said.bits)


def sensor_by_decoder(decoded: Decoded) -> Sensor:
    """Return what the decoder says, for files that aren't DNG.

    Raises
    ------
    ValueError
        If its filters aren't red, green and blue.
    """
    if decoded.pattern is None:
        cell = full_planes(decoded.mosaic.shape[2])
    else:
        cell = named_by_decoder(decoded.pattern, decoded.letters)
    levels = _levels(decoded, len(cell.colours))
    bits = int(decoded.white).bit_length()
    if cell.colours == ("M",):
        return Sensor(cell, levels, None, None, None, None, bits)
    matrix = matrix_of_decoder(decoded.rgb_xyz, decoded.color, decoded.daylight)
    daylight = balance_of_multipliers(decoded.daylight)
    if matrix is None and daylight == _FILLER:
        daylight = None
    as_shot = balance_of_multipliers(decoded.as_shot)
    matrix, (daylight, as_shot) = _anchored(levels, matrix, (daylight, as_shot))
    return Sensor(cell, levels, None, daylight, as_shot, matrix, bits)


def _levels(decoded: Decoded, colours: int) -> NamedLevels:
    black = decoded.black[:colours]
    per_channel = decoded.white_per_channel
    if per_channel is not None and all(
        low < high for low, high in zip(black, per_channel[:colours], strict=True)
    ):
        return NamedLevels(black, per_channel[:colours], "per-channel white", decoded.white)
    return NamedLevels(black, (decoded.white,) * colours, "white", decoded.white)


def _anchored(
    levels: NamedLevels,
    matrix: NDArray[np.float64] | None,
    balances: tuple[Triple | None, Triple | None],
) -> tuple[NDArray[np.float64] | None, tuple[Triple | None, Triple | None]]:
    """Carry matrix and balances over to signals of which each colour's anchor is 1."""
    spans = [high - low for low, high in zip(levels.black, levels.anchor, strict=True)]
    if min(spans) <= 0.0:  # refused later, with the levels named
        return matrix, balances
    daylight, matrix_on = on_anchors(balances[0], matrix, spans)
    as_shot, _ = on_anchors(balances[1], None, spans)
    return matrix_on, (daylight, as_shot)
