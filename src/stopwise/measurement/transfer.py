"""Transfer: the line of variance against mean, and how it is laid under texture."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

BLOCK_SIDE = 16
"""Photosites of one plane along a block's side."""

BLOCK_FREE = (BLOCK_SIDE - 2) * BLOCK_SIDE / (1.0 + 2.0 * (16.0 + 1.0) / 36.0)
"""Degrees of freedom of a block's variance: second differences overlap, by -4/6 and 1/6."""

LEAST_BLOCKS = 40
"""Fewer blocks than this make no line."""

_QUIET = (0.55, 1.3)
_ROUNDS = 8
_BINS = 14
_MOST_SCORED = 2000
_LEAST_IN_A_BIN = 8
_LOW = 0.1
_FEW = 0.02
_SETTLED = 1e-4
_MOST_SCATTER = 0.15
"""Noise alone scatters a block's variance by sqrt(2 / BLOCK_FREE) = 0.13, texture by more."""


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
    scatter
        Standard deviation of the variances over the line, of those that were taken for quiet.
    quiet
        How many those are.
    """

    dark: float
    gain: float
    gain_error: float
    scatter: float = 0.0
    quiet: int = 0

    @property
    def is_noise(self) -> bool:
        """Whether the blocks lie about the line as closely as noise alone would have them."""
        return self.scatter <= _MOST_SCATTER


def photon_transfer(
    means: NDArray[np.float64],
    variances: NDArray[np.float64],
    *,
    free: float = BLOCK_FREE,
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


def quiet_line(
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
        if quiet.sum() < LEAST_BLOCKS:
            return None
        before, line = line, photon_transfer(means[quiet], variances[quiet], dark=dark)
        if abs(line.gain - before.gain) < _SETTLED * line.gain:
            break
    return replace(line, scatter=float(np.std(share[quiet])), quiet=int(quiet.sum()))


def _against(
    line: Transfer, means: NDArray[np.float64], variances: NDArray[np.float64]
) -> NDArray[np.float64]:
    return variances / np.maximum(line.dark + line.gain * np.maximum(means, 0.0), 1e-6)


def lowest_start(means: NDArray[np.float64], variances: NDArray[np.float64]) -> Transfer:
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
    off = 2.0 / (9.0 * BLOCK_FREE)
    return float((1.0 - off + NormalDist().inv_cdf(share) * math.sqrt(off)) ** 3)
