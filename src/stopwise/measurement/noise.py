"""Noise: read noise and gain of the sensor, from the frame itself by photon transfer."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.quantiles import MAD_FACTOR
from stopwise.measurement.transfer import (
    BLOCK_SIDE,
    LEAST_BLOCKS,
    Transfer,
    lowest_start,
    quiet_line,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.frame import Masked
    from stopwise.measurement.cells import Cells

QUANTISING = 1.0 / 12.0
"""Variance that rounding to whole levels adds, levels squared (EMVA 1288)."""

_BLOCKS_A_FRAME = 6000
_FULLEST = 0.7
_MOST_OUT = 4.0
_LEAST_MASKED = 256
_LEAST_QUIET = 200
"""Quiet blocks that one colour's own scatter needs to show that they are free of texture."""
_FEIGNED = 1.3
"""A gain so many times that of the twin greens is texture's."""


@dataclass(frozen=True, slots=True)
class SensorNoise:
    """How the variance of a photosite grows with its signal, colour by colour.

    Attributes
    ----------
    dark
        Variance without light, levels squared: read noise and quantising together.
    gain
        Variance for each level of signal: levels for one electron.
    gain_error
        Standard error of `gain`.
    is_noise
        Whether the frame has quiet blocks enough; else texture may feign much of it.
    """

    dark: tuple[float, ...]
    gain: tuple[float, ...]
    gain_error: tuple[float, ...]
    is_noise: bool = True

    def variance(self, colour: int, signal: NDArray[np.float32] | float) -> NDArray[np.float64]:
        """Return the variance at a signal in levels above black, levels squared."""
        return np.asarray(self.dark[colour] + self.gain[colour] * np.maximum(signal, 0.0))

    def due(self, colour: int, signal: float) -> float:
        """Return the least noise due at a signal, levels: with the gain two errors lower."""
        gain = max(self.gain[colour] - 2.0 * self.gain_error[colour], 0.0)
        return math.sqrt(self.dark[colour] + gain * max(signal, 0.0))


def sensor_noise(cells: Cells, masked: Masked | None = None) -> SensorNoise | None:
    """Return read noise and gain from the quietest blocks of a frame.

    Parameters
    ----------
    cells
        The frame.
    masked
        Optically black photosites, where the frame has them: they give the dark variance.

    Returns
    -------
    SensorNoise or None
        None where fewer than 40 blocks are quiet and unclipped. A colour with too few blocks takes
        what all colours give together.

    Notes
    -----
    Blocks of 16 x 16 photosites of one plane give a mean and, from second differences along rows,
    which a slope of light doesn't touch, a variance. Texture only adds variance, so the line is
    laid through the blocks that lie low: it starts at the lowest tenth of each range of means
    (raised by what a tenth of pure noise lies low) and then takes what lies within 0.55 to 1.3 of
    the line. Where the two greens of a cell tell a gain lower by a third, all else is texture and
    theirs is taken; where too few of their blocks lie under 0.7 of the range to tell, the gain is
    not trusted for a pile-up. Where no block is free of texture finer than a cell the gain is too
    large.
    """
    found = [_blocks(cells, colour) for colour in range(len(cells.colours))]
    means, variances = (np.concatenate(parts) for parts in zip(*found, strict=True))
    if len(means) < LEAST_BLOCKS:
        return None
    together = _free_of_texture(cells, quiet_line(means, variances, lowest_start(means, variances)))
    if together is None:
        return None
    lines = [
        _own_line(one, together, masked_variance(masked, colour))
        for colour, one in enumerate(found)
    ]
    return SensorNoise(
        tuple(line.dark for line in lines),
        tuple(line.gain for line in lines),
        tuple(line.gain_error for line in lines),
        is_noise=together.is_noise,
    )


def _free_of_texture(cells: Cells, line: Transfer | None) -> Transfer | None:
    """Return the twin greens' line where texture feigns the frame's; unsure where they're few."""
    if len(cells.planes_of("G")) < 2:
        if line is None or line.quiet >= _LEAST_QUIET:
            return line
        return replace(line, scatter=math.inf)
    twins = _twin_line(cells)
    if twins is None:
        return None if line is None else replace(line, scatter=math.inf)
    return twins if line is None or line.gain > _FEIGNED * twins.gain else line


def _own_line(
    blocks: tuple[NDArray[np.float64], NDArray[np.float64]], together: Transfer, dark: float | None
) -> Transfer:
    """Return a colour's own line, or all colours' where its own takes texture for noise."""
    own = quiet_line(*blocks, together, dark=dark)
    if own is None:
        return together
    middle = float(np.median(blocks[0]))
    feigned = _FEIGNED * (together.dark + together.gain * middle)
    return own if own.dark + own.gain * middle <= feigned else together


def _twin_line(cells: Cells) -> Transfer | None:
    """Return the line of two greens of one cell: texture that both see cancels between them."""
    greens = cells.planes_of("G")
    if len(greens) < 2:
        return None
    sides = [_sample(cells.planes[number], _BLOCKS_A_FRAME // 2) for number in greens[:2]]
    first, other = (side.astype(np.float32) for side in sides)
    black = sum(cells.black[cells.plane_colours[number]] for number in greens[:2]) / 2.0
    mean = (first + other).mean(axis=(1, 2), dtype=np.float64) / 2.0 - black
    usable = _usable(cells, cells.plane_colours[greens[0]], mean, first)
    means, variances = mean[usable], _variance(first - other)[usable] / 2.0
    if len(means) < LEAST_BLOCKS:
        return None
    return quiet_line(means, variances, lowest_start(means, variances))


def masked_variance(masked: Masked | None, colour: int) -> float | None:
    """Return the variance of a colour's masked photosites without outliers, levels squared."""
    held = _masked_levels(masked, colour)
    return None if held is None else float(np.var(held))


def masked_black(masked: Masked | None, colour: int) -> float | None:
    """Return the mean level of a colour's masked photosites without outliers."""
    held = _masked_levels(masked, colour)
    return None if held is None else float(np.mean(held))


def masked_error(masked: Masked | None, colour: int) -> float | None:
    """Return the standard error of `masked_black`, levels, taking photosites as independent."""
    held = _masked_levels(masked, colour)
    return None if held is None else float(np.std(held)) / math.sqrt(len(held))


def _masked_levels(masked: Masked | None, colour: int) -> NDArray[np.float64] | None:
    if masked is None:
        return None
    held = masked.levels[masked.colour == colour].astype(np.float64)
    if len(held) < _LEAST_MASKED:
        return None
    middle = np.median(held)
    scatter = max(MAD_FACTOR * float(np.median(np.abs(held - middle))), 0.5)
    return np.asarray(held[np.abs(held - middle) <= _MOST_OUT * scatter])


# --- blocks --------------------------------------------------------------------------------------


def _blocks(cells: Cells, colour: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean above black and variance of a sample of blocks of one colour."""
    means, variances = [], []
    for number, plane in enumerate(cells.planes):
        if cells.plane_colours[number] == colour:
            blocks = _sample(plane, _BLOCKS_A_FRAME // len(cells.planes)).astype(np.float32)
            mean = blocks.mean(axis=(1, 2), dtype=np.float64) - cells.black[colour]
            usable = _usable(cells, colour, mean, blocks)
            means.append(mean[usable])
            variances.append(_variance(blocks)[usable])
    return np.concatenate(means), np.concatenate(variances)


def _usable(
    cells: Cells, colour: int, mean: NDArray[np.float64], blocks: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """Return which blocks neither reach up to where photosites stop nor are cut off at 0."""
    span = cells.anchor[colour] - cells.black[colour]
    return np.asarray((mean < _FULLEST * span) & ((blocks == 0).mean(axis=(1, 2)) < 0.01))


def _sample(plane: NDArray[np.uint16], wanted: int) -> NDArray[np.uint16]:
    """Return about `wanted` blocks spread over a plane, (blocks, 16, 16)."""
    rows, columns = plane.shape
    tall, wide = min(BLOCK_SIDE, rows), min(BLOCK_SIDE, columns)
    every = math.sqrt(rows * columns / (tall * wide * max(wanted, 1)))
    down, across = (
        np.linspace(0, side - part, max(1, round(side / part / max(every, 1.0)))).astype(np.intp)
        for side, part in ((rows, tall), (columns, wide))
    )
    bands = (plane[top : top + tall] for top in down)
    return np.stack([band[:, left : left + wide] for band in bands for left in across])


def _variance(blocks: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return the variance of each block from second differences along rows, (blocks,)."""
    bend = blocks[:, :, :-2] - 2.0 * blocks[:, :, 1:-1] + blocks[:, :, 2:]
    flat = bend.reshape(len(blocks), -1)
    squares = np.einsum("ij,ij->i", flat, flat, dtype=np.float64)
    return np.asarray(squares / (6.0 * flat.shape[1]))
