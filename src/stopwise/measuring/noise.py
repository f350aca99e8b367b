"""Noise: read noise and gain of the sensor, from the frame itself by photon transfer."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.frame import Masked
    from stopwise.measuring.cells import Cells

QUANTISING = 1.0 / 12.0
"""Variance that rounding to whole levels adds, levels squared (EMVA 1288)."""

_SIDE = 16
_BLOCKS_A_FRAME = 6000
_LEAST_BLOCKS = 40
_FULLEST = 0.7
_FREE = (_SIDE - 2) * _SIDE / (1.0 + 2.0 * (16.0 + 1.0) / 36.0)
"""Degrees of freedom of a block's variance: second differences overlap, by -4/6 and 1/6."""

_QUIET = (0.55, 1.3)
_ROUNDS = 8
_BINS = 14
_MOST_SCORED = 2000
_LEAST_IN_A_BIN = 8
_LOW = 0.1
_FEW = 0.02
_SETTLED = 1e-4
_MOST_OUT = 4.0


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
    """

    dark: tuple[float, ...]
    gain: tuple[float, ...]
    gain_error: tuple[float, ...]

    def variance(self, colour: int, signal: NDArray[np.float32] | float) -> NDArray[np.float64]:
        """Return the variance at a signal in levels above black, levels squared."""
        return np.asarray(self.dark[colour] + self.gain[colour] * np.maximum(signal, 0.0))

    def due(self, colour: int, signal: float) -> float:
        """Return the least noise due at a signal, levels: with the gain two errors lower."""
        gain = max(self.gain[colour] - 2.0 * self.gain_error[colour], 0.0)
        return math.sqrt(self.dark[colour] + gain * max(signal, 0.0))


@dataclass(frozen=True, slots=True)
class Transfer:
    """A line through variance against mean.

    Attributes
    ----------
    dark
        Variance at no signal.
    gain
        Variance for each level of signal.
    gain_error
        Standard error of `gain`.
    """

    dark: float
    gain: float
    gain_error: float


def photon_transfer(
    means: NDArray[np.float64],
    variances: NDArray[np.float64],
    *,
    free: float = _FREE,
    dark: float | None = None,
) -> Transfer:
    """Fit variance = dark + gain x mean.

    Parameters
    ----------
    means
        (n,), signal above black, levels.
    variances
        (n,), levels squared.
    free
        Degrees of freedom of each variance.
    dark
        Variance at no signal where it is known (masked photosites); None to fit it.

    Returns
    -------
    Transfer
        Both parts at least 0.

    Raises
    ------
    ValueError
        If there are no points.

    Notes
    -----
    The linear camera model of EMVA 1288: the variance of the signal is the gain times its mean,
    upon read noise and quantising. Each variance of k degrees of freedom has a relative standard
    error of sqrt(2/k), so the points are weighed by one over their fitted variance squared.
    """
    if len(means) == 0:
        msg = "photon transfer needs at least one mean and variance"
        raise ValueError(msg)
    fitted = np.maximum(variances, 1e-3)
    for _ in range(_ROUNDS):
        weight = free / (2.0 * fitted**2)
        line = _weighted_line(means, variances, weight, dark)
        fitted = np.maximum(line.dark + line.gain * means, 1e-3)
    return line


def _weighted_line(
    means: NDArray[np.float64],
    variances: NDArray[np.float64],
    weight: NDArray[np.float64],
    dark: float | None,
) -> Transfer:
    """Return the line of points whose variance is 1 / weight, both parts at least 0.

    An intercept that lies within three of its own errors of 0 is 0: a frame of one brightness can't
    tell the two parts from each other, and photon noise is the greater one in all but the dark.
    """
    squares = max(float(weight @ means**2), 1e-30)
    fixed = 0.0 if dark is None else dark
    through = float(weight @ (means * (variances - fixed))) / squares
    known = Transfer(fixed, max(through, 0.0), 1.0 / math.sqrt(squares))
    if dark is not None:
        return known
    mean, level = np.average(means, weights=weight), np.average(variances, weights=weight)
    spread = max(float(weight @ (means - mean) ** 2), 1e-30)
    slope = float(weight @ ((means - mean) * (variances - level))) / spread
    intercept = float(level - slope * mean)
    if intercept < 3.0 * math.sqrt(1.0 / float(weight.sum()) + float(mean**2) / spread):
        return known
    error = 1.0 / math.sqrt(spread)
    return Transfer(intercept, slope, error) if slope > 0.0 else Transfer(float(level), 0.0, error)


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
    the line. Where no block of a brightness is free of texture the gain comes out too large.
    """
    found = [_blocks(cells, colour) for colour in range(len(cells.colours))]
    means = np.concatenate([one[0] for one in found])
    variances = np.concatenate([one[1] for one in found])
    if len(means) < _LEAST_BLOCKS:
        return None
    together = _quiet_line(means, variances, _lowest_start(means, variances))
    if together is None:
        return None
    lines = [
        _quiet_line(*one, together, dark=masked_variance(masked, colour)) or together
        for colour, one in enumerate(found)
    ]
    return SensorNoise(
        tuple(line.dark for line in lines),
        tuple(line.gain for line in lines),
        tuple(line.gain_error for line in lines),
    )


def masked_variance(masked: Masked | None, colour: int) -> float | None:
    """Return the variance of a colour's masked photosites without outliers, levels squared."""
    held = _masked_levels(masked, colour)
    return None if held is None else float(np.var(held))


def masked_black(masked: Masked | None, colour: int) -> float | None:
    """Return the mean level of a colour's masked photosites without outliers."""
    held = _masked_levels(masked, colour)
    return None if held is None else float(np.mean(held))


def _masked_levels(masked: Masked | None, colour: int) -> NDArray[np.float64] | None:
    if masked is None:
        return None
    held = masked.levels[masked.colour == colour].astype(np.float64)
    if len(held) < _SIDE * _SIDE:
        return None
    middle = np.median(held)
    scatter = max(1.4826 * float(np.median(np.abs(held - middle))), 0.5)
    return np.asarray(held[np.abs(held - middle) <= _MOST_OUT * scatter])


# --- blocks --------------------------------------------------------------------------------------


def _blocks(cells: Cells, colour: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean above black and variance of a sample of blocks of one colour."""
    black, anchor = cells.black[colour], cells.anchor[colour]
    means, variances = [], []
    for number, plane in enumerate(cells.planes):
        if cells.plane_colours[number] == colour:
            blocks = _sample(plane, _BLOCKS_A_FRAME // len(cells.planes)).astype(np.float32)
            flat = blocks.reshape(len(blocks), -1)
            mean = flat.mean(axis=1, dtype=np.float64) - black
            usable = (mean < _FULLEST * (anchor - black)) & ((flat == 0).mean(axis=1) < 0.01)
            means.append(mean[usable])
            variances.append(_variance(blocks)[usable])
    return np.concatenate(means), np.concatenate(variances)


def _sample(plane: NDArray[np.uint16], wanted: int) -> NDArray[np.uint16]:
    """Return about `wanted` blocks spread over a plane, (blocks, 16, 16)."""
    rows, columns = plane.shape
    tall, wide = min(_SIDE, rows), min(_SIDE, columns)
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


def _quiet_line(
    means: NDArray[np.float64],
    variances: NDArray[np.float64],
    line: Transfer,
    *,
    dark: float | None = None,
) -> Transfer | None:
    """Fit the line again and again to the blocks that lie near it; None with too few of them."""
    for _ in range(_ROUNDS):
        share = _against(line, means, variances)
        quiet = (share > _QUIET[0]) & (share < _QUIET[1])
        if quiet.sum() < _LEAST_BLOCKS:
            return None
        before, line = line, photon_transfer(means[quiet], variances[quiet], dark=dark)
        if abs(line.gain - before.gain) < _SETTLED * line.gain:
            break
    return line


def _against(
    line: Transfer, means: NDArray[np.float64], variances: NDArray[np.float64]
) -> NDArray[np.float64]:
    return variances / np.maximum(line.dark + line.gain * np.maximum(means, 0.0), 1e-6)


def _lowest_start(means: NDArray[np.float64], variances: NDArray[np.float64]) -> Transfer:
    """Return the line through two low points that has most blocks on it and next to none under."""
    middle, low = _low_points(means, variances)
    every = -(-len(means) // _MOST_SCORED)
    means, variances = means[::every], variances[::every]
    lines = [photon_transfer(middle, low)]
    for one, other in combinations(range(len(middle)), 2):
        gain = (low[other] - low[one]) / max(middle[other] - middle[one], 1e-9)
        dark = low[one] - gain * middle[one]
        if gain >= 0.0 and dark >= 0.0:
            lines.append(Transfer(float(dark), float(gain), 0.0))
    return max(lines, key=lambda line: _on_line(line, means, variances))


def _on_line(
    line: Transfer, means: NDArray[np.float64], variances: NDArray[np.float64]
) -> tuple[bool, int]:
    """Return whether hardly a block lies under a line, and how many lie on it."""
    share = _against(line, means, variances)
    under = float(np.mean(share < _QUIET[0]))
    return under <= _FEW, int(np.sum((share > _QUIET[0]) & (share < _QUIET[1])))


def _low_points(
    means: NDArray[np.float64], variances: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the median mean and the corrected lowest tenth of the variances, range by range."""
    order = np.argsort(means)
    parts = np.array_split(order, max(1, min(_BINS, len(order) // _LEAST_IN_A_BIN)))
    middle = np.array([np.median(means[part]) for part in parts])
    low = np.array([np.quantile(variances[part], _LOW) for part in parts])
    return middle, low / _low_of_chance(_LOW)


def _low_of_chance(share: float) -> float:
    """Return where a quantile of a block's variance lies for pure noise, against its mean.

    The cube root of chi square over its degrees of freedom is near normal (Wilson and Hilferty).
    """
    off = 2.0 / (9.0 * _FREE)
    return float((1.0 - off + NormalDist().inv_cdf(share) * math.sqrt(off)) ** 3)
