"""Quantiles: how far noise moves a percentile of cells, and what it adds to a spread."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_NORMAL = NormalDist()
_LEAST_FOR_SPREAD = 16
_REACH = 0.2
_COARSE, _TAIL, _HALVINGS = 20.0, 5.0, 40
_SMALL_SAMPLE = math.pi / 2.0 - 1.0


def quantile_uncertainty(
    values: NDArray[np.float64], *, noise: float, percentile: float = 50.0
) -> float:
    """Return the standard uncertainty of a percentile of noisy values.

    Parameters
    ----------
    values
        (n,), any unit, as measured, noise and all.
    noise
        Standard deviation of the noise of one value near that percentile, same unit.
    percentile
        Above 0, under 100.

    Returns
    -------
    float
        Same unit. What is asked for is the percentile of the same cells without noise: their
        spread is no error, and matters only by how many of them noise can carry across.

    Notes
    -----
    With f the density of the values at the percentile and p a cell's chance to lie under it, the
    variance is mean(p (1 - p)) / (n f^2). For true values that are spread normally with s times
    the noise, mean(p (1 - p)) = 2 T(a, 1 / sqrt(1 + 2 s^2)), with T Owen's function and a the
    normal quantile (D. B. Owen, Annals of Mathematical Statistics 27, 1956, 1075). A flat patch
    has s = 0 and gives the textbook's sqrt(pi / 2) noise / sqrt(n) for a median. The bias that
    noise gives to the percentile of a skewed spread is left out: it is about noise^2 / 2 times
    the slope of the density over the density.
    """
    from scipy.special import owens_t

    share = percentile / 100.0
    spread = max(local_spread(values, percentile=percentile), noise)
    if spread <= 0.0:
        return 0.0
    wider = (spread / noise) ** 2 - 1.0 if noise > 0.0 else math.inf
    at = _NORMAL.inv_cdf(share)
    crossing = 2.0 * float(owens_t(at, 1.0 / math.sqrt(1.0 + 2.0 * wider)))
    count = len(values) + _SMALL_SAMPLE
    return math.sqrt(crossing / count) * spread / _NORMAL.pdf(at)


def local_spread(values: NDArray[np.float64], *, percentile: float = 50.0) -> float:
    """Return the standard deviation of the normal spread that is as dense at a percentile.

    Taken from the values a fifth of all to either side (nearer at the ends); of fewer than 16
    values the plain standard deviation.
    """
    if len(values) < _LEAST_FOR_SPREAD:
        return float(np.std(values))
    share = percentile / 100.0
    reach = min(_REACH, 0.8 * share, 0.8 * (1.0 - share))
    low, high = np.quantile(values, (share - reach, share + reach))
    width = _NORMAL.inv_cdf(share + reach) - _NORMAL.inv_cdf(share - reach)
    return float(high - low) / width


def level_at(values: NDArray[np.float64], percentile: float, *, step: float = 0.0) -> float:
    """Return a percentile of values that were rounded.

    Parameters
    ----------
    values
        (n,), any unit.
    percentile
        0 to 100, interpolated between values.
    step
        Standard deviation of the rounding of one value, same unit; 0 takes the values as they are.

    Returns
    -------
    float
        Same unit. In tones so dark that noise spans but few raw levels the values stand on a
        coarse lattice and so would their median; each is then spread over its rounding, and the
        level is where the sum of the spreads reaches the percentile.
    """
    plain = float(np.percentile(values, percentile))
    if step <= 0.0 or local_spread(values, percentile=percentile) > _COARSE * step:
        return plain
    return _bisected(np.sort(values), percentile / 100.0, plain, step)


def _bisected(values: NDArray[np.float64], share: float, start: float, step: float) -> float:
    from scipy.special import ndtr

    low, high = start - _TAIL * step, start + _TAIL * step
    first, last = np.searchsorted(values, (low - _TAIL * step, high + _TAIL * step))
    near, wanted = values[first:last], share * len(values) - float(first)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        if float(ndtr((middle - near) / step).sum()) < wanted:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def percentile_without_noise(
    values: NDArray[np.float64], *, noise: float, percentile: float, step: float = 0.0
) -> float:
    """Return a percentile with what noise adds to its distance from the median taken out.

    Parameters
    ----------
    values, percentile, step
        See `level_at`.
    noise
        Standard deviation of the noise of one value.

    Returns
    -------
    float
        Noise widens a spread, so that an upper percentile reads high: the 90th of an even patch by
        1.28 noises. Variances add, so the distance from the median shrinks by
        sqrt(1 - noise^2 / spread^2). A median stays as it is.
    """
    level, middle = (level_at(values, at, step=step) for at in (percentile, 50.0))
    quantile = _NORMAL.inv_cdf(percentile / 100.0)
    if level == middle or quantile == 0.0:
        return level
    spread = (level - middle) / quantile
    return middle + (level - middle) * math.sqrt(max(1.0 - (noise / spread) ** 2, 0.0))
