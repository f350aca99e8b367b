"""Quantiles: how far noise moves a percentile of cells, and what it adds to a spread."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_NORMAL = NormalDist()

MAD_FACTOR = 1.0 / _NORMAL.inv_cdf(0.75)
"""Median absolute deviation to standard deviation, for normal noise."""

_LEAST_FOR_SPREAD = 16
_REACH = 0.2
_TAIL, _HALVINGS = 5.0, 30
_MIDDLE = 50.0
_DRIFT_BINS = 160
_DRIFT = 1.0 / (math.sqrt(2.0) - 1.0)
_BY_CHANCE = 2.0
"""Of the scatter's square: about what chance alone makes of the drift's."""
_TRUSTED = 0.4
"""Of what noise is taken to add to an upper percentile: how far that may be wrong."""
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
    Scatter and drift, added in squares. *Scatter*: with f the density of the values at the
    percentile and p a cell's chance to lie under it, the variance is mean(p (1 - p)) / (n f^2).
    For true values that are spread normally with s times the noise, mean(p (1 - p)) =
    2 T(a, 1 / sqrt(1 + 2 s^2)), with T Owen's function and a the normal quantile (D. B. Owen,
    Annals of Mathematical Statistics 27, 1956, 1075). A flat patch has s = 0 and gives the
    textbook's sqrt(pi / 2) noise / sqrt(n) for a median. *Drift*: what noise moves the percentile
    of cells that lie in steps, lumps or a skewed spread; see `noise_drift`.
    """
    scatter = quantile_scatter(values, noise=noise, percentile=percentile)
    if percentile != _MIDDLE:
        level = float(np.percentile(values, percentile))
        moved = level - percentile_without_noise(values, noise=noise, percentile=percentile)
        return math.hypot(scatter, _TRUSTED * moved)
    drift = _DRIFT * noise_drift(values, noise=noise)
    return math.sqrt(scatter**2 + max(drift**2 - _BY_CHANCE * scatter**2, 0.0))


def quantile_scatter(
    values: NDArray[np.float64], *, noise: float, percentile: float = 50.0
) -> float:
    """Return the part of `quantile_uncertainty` that shrinks with the number of values."""
    from scipy.special import owens_t

    spread = max(local_spread(values, percentile=percentile), noise)
    if spread <= 0.0:
        return 0.0
    wider = (spread / noise) ** 2 - 1.0 if noise > 0.0 else math.inf
    at = _NORMAL.inv_cdf(percentile / 100.0)
    crossing = 2.0 * float(owens_t(at, 1.0 / math.sqrt(1.0 + 2.0 * wider)))
    count = len(values) + _SMALL_SAMPLE
    return math.sqrt(crossing / count) * spread / _NORMAL.pdf(at)


def noise_drift(values: NDArray[np.float64], *, noise: float) -> float:
    """Return how far one more dose of the same noise would move the median.

    Each value is spread by the noise and the level is taken where the sum of the spreads reaches a
    half; the doses add to sqrt(2) of the noise. On steps of light the median moves in proportion
    to the noise, so that the first dose has moved it by 1 / (sqrt(2) - 1) times as much.
    """
    if noise <= 0.0 or len(values) < _LEAST_FOR_SPREAD:
        return 0.0
    level = float(np.median(values))
    bin_width = noise / 16.0
    centres = level + bin_width * np.arange(-_DRIFT_BINS, _DRIFT_BINS + 1.0)
    at = np.clip(np.rint((values - level) / bin_width), -_DRIFT_BINS - 1, _DRIFT_BINS + 1)
    held = np.bincount((at + _DRIFT_BINS + 1).astype(np.intp), minlength=len(centres) + 2)
    wanted = len(values) / 2.0 - float(held[0])
    counts = held[1:-1].astype(np.float64)
    after, before = (_level_of(centres, counts, wanted, width=w) for w in (noise, bin_width))
    return after - before


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


def level_at(
    values: NDArray[np.float64], percentile: float, *, noise: float = 0.0, step: float = 0.0
) -> float:
    """Return a percentile of values that were rounded.

    Parameters
    ----------
    values
        (n,), any unit.
    percentile
        0 to 100, interpolated between values.
    noise
        Standard deviation of the noise of one value, same unit.
    step
        Standard deviation of the rounding of one value, same unit; 0 takes the values as they are.

    Returns
    -------
    float
        Same unit. Rounded values stand on a lattice, and so would their median: off by up to half
        a level however many there are. Where that outweighs the scatter of noise that spans more
        than a level, each is spread over its rounding, and the level is where the sum of the
        spreads reaches the percentile; elsewhere the plain percentile stands.
    """
    plain = float(np.percentile(values, percentile))
    if not 0.0 < step <= noise:
        return plain
    if quantile_scatter(values, noise=noise, percentile=percentile) > step:
        return plain
    return _bisected(values, percentile / 100.0, plain, step)


def _bisected(values: NDArray[np.float64], share: float, start: float, step: float) -> float:
    low, high = start - 2.0 * _TAIL * step, start + 2.0 * _TAIL * step
    below = values < low
    near = values[~below & (values < high)]
    if len(near) < _LEAST_FOR_SPREAD:
        return start
    wanted = share * len(values) - float(np.count_nonzero(below))
    return _level_of(near, np.ones(len(near)), wanted, width=step)


def _level_of(
    places: NDArray[np.float64], counts: NDArray[np.float64], wanted: float, *, width: float
) -> float:
    """Return the level under which so many lie when each is spread by a normal of a width."""
    from scipy.special import ndtr

    low, high = float(places.min()) - width, float(places.max()) + width
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        if float(ndtr((middle - places) / width) @ counts) < wanted:
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
    values, percentile, noise, step
        See `level_at`.

    Returns
    -------
    float
        Noise widens a spread, so that an upper percentile reads high: the 90th of an even patch by
        1.28 noises. Variances add, so the distance from the median shrinks by
        sqrt(1 - noise^2 / spread^2). A median stays as it is.
    """
    level, middle = (level_at(values, at, noise=noise, step=step) for at in (percentile, _MIDDLE))
    quantile = _NORMAL.inv_cdf(percentile / 100.0)
    if level == middle or quantile == 0.0:
        return level
    spread = (level - middle) / quantile
    return middle + (level - middle) * math.sqrt(max(1.0 - (noise / spread) ** 2, 0.0))
