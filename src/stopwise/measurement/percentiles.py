"""Percentiles of noisy cells: where they lie without rounding, and how far noise moves them."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_NORMAL = NormalDist()

_LEAST_FOR_SPREAD = 16
"""Values; fewer have no density that can be told from chance: the fifth to either side is three."""

_REACH = 0.2
"""Share of the values to either side of a percentile that its density is taken from."""

_TAIL, _HALVINGS = 5.0, 30
"""Standard deviations beyond which a normal spread is nothing (3e-7), and halvings of a search:
2^-30 of the range."""

_MIDDLE = 50.0
"""Per cent: the median."""

_DRIFT_BINS = 160
"""Bins to either side of the median, each a sixteenth of the noise: ten noises."""

_FIRST_DOSE = 1.0 / (math.sqrt(2.0) - 1.0)
"""How many times as far the first dose of a noise moves a median as a second equal one: doses add
in squares, and the median moves in proportion to their root."""

_MOVED = 0.85
"""Of what noise is reckoned to move a median by: how far it did, as a standard uncertainty (set on
half of the photographs that we didn't make)."""

_BY_CHANCE = 2.0
"""Of the scatter's square: what chance alone makes of the drift's (set on our own renderer)."""

_TRUSTED = 0.4
"""Of what noise is taken to add to an upper percentile: how far that may be wrong (set on our own
renderer)."""

_SMALL_SAMPLE = math.pi / 2.0 - 1.0
"""What the count of a small sample is short by: with it one value has its own noise."""


def percentile_uncertainty(
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
    of cells that lie in steps, lumps or a skewed spread.
    """
    scatter = percentile_scatter(values, noise=noise, percentile=percentile)
    if percentile == _MIDDLE:
        return _with_drift(scatter, median_drift(values, noise=noise))
    level = float(np.percentile(values, percentile))
    moved = level - percentile_without_noise(values, noise=noise, percentile=percentile)
    return math.hypot(scatter, _TRUSTED * moved)


def _with_drift(scatter: float, drift: float) -> float:
    """Return the uncertainty of a median from its scatter and from what noise moves it by."""
    return math.hypot(scatter, _MOVED * math.sqrt(max(drift**2 - _BY_CHANCE * scatter**2, 0.0)))


def percentile_scatter(
    values: NDArray[np.float64], *, noise: float, percentile: float = 50.0
) -> float:
    """Return what shrinks of `percentile_uncertainty` with more values (n,), in any unit."""
    from scipy.special import owens_t

    at = _NORMAL.inv_cdf(percentile / 100.0)
    spread = max(local_spread(values, percentile=percentile), noise)
    if spread <= 0.0:
        return 0.0
    wider = (spread / noise) ** 2 - 1.0 if noise > 0.0 else math.inf
    crossing = 2.0 * float(owens_t(at, 1.0 / math.sqrt(1.0 + 2.0 * wider)))
    return math.sqrt(crossing / (len(values) + _SMALL_SAMPLE)) * spread / _NORMAL.pdf(at)


def local_spread(values: NDArray[np.float64], *, percentile: float = 50.0) -> float:
    """Return the standard deviation of the normal spread that is as dense at a percentile.

    Taken from the values (n,) a fifth of all to either side (nearer at the ends); of fewer than 16
    values the plain standard deviation.
    """
    if len(values) < _LEAST_FOR_SPREAD:
        return float(np.std(values))
    share = percentile / 100.0
    reach = min(_REACH, 0.8 * share, 0.8 * (1.0 - share))
    low, high = np.quantile(values, (share - reach, share + reach))
    width = _NORMAL.inv_cdf(share + reach) - _NORMAL.inv_cdf(share - reach)
    return float(high - low) / width


def median_drift(values: NDArray[np.float64], *, noise: float) -> float:
    """Return how far noise has moved the median of values (n,), by what one more dose of it does.

    Each value is spread by the noise, and the level is taken where the sum of the spreads reaches
    a half; the doses add to sqrt(2) of the noise.
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
    return _FIRST_DOSE * (after - before)


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
    if (
        not 0.0 < step <= noise
        or percentile_scatter(values, noise=noise, percentile=percentile) > step
    ):
        return plain
    low = values < plain - 2.0 * _TAIL * step
    near = values[~low & (values < plain + 2.0 * _TAIL * step)]
    if len(near) < _LEAST_FOR_SPREAD:
        return plain
    wanted = percentile / 100.0 * len(values) - float(np.count_nonzero(low))
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
    values
        (n,), any unit.
    noise, percentile, step
        See `level_at`.

    Returns
    -------
    float
        Same unit. Noise widens a spread, so that an upper percentile reads high: the 90th of an
        even patch by 1.28 noises. Variances add, so the distance from the median shrinks by
        sqrt(1 - noise^2 / spread^2). A median stays as it is.
    """
    level = level_at(values, percentile, noise=noise, step=step)
    if percentile == _MIDDLE:
        return level
    middle = level_at(values, _MIDDLE, noise=noise, step=step)
    quantile = _NORMAL.inv_cdf(percentile / 100.0)
    if level == middle:
        return level
    spread = (level - middle) / quantile
    return middle + (level - middle) * math.sqrt(max(1.0 - (noise / spread) ** 2, 0.0))


def median_uncertainty(
    values: NDArray[np.float64],
    noise: NDArray[np.float64],
    *,
    less: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None,
) -> float:
    """Return the standard uncertainty of a median that the noise of its values brings.

    Parameters
    ----------
    values, noise
        (n,), the values and the standard deviation of each, same unit.
    less
        The same of another median that is taken from it; what noise moves both by falls out.

    Returns
    -------
    float
        Same unit. With all true values equal it is sqrt(pi/2) noise / sqrt(n); where the values
        spread more widely only those near the median can shift it.

    Notes
    -----
    It scatters by (flips) / (density), with p the chance that a value lies above the median:
    sqrt(sum p (1 - p)) / sum(density at the median), both over the values' own normal noise. Drift
    is added as in `percentile_uncertainty`.
    """
    scatter, moved = _scatter_and_drift(values, noise)
    if less is not None:
        other, by = _scatter_and_drift(*less)
        scatter, moved = math.hypot(scatter, other), moved - by
    return _with_drift(scatter, moved)


def _scatter_and_drift(
    values: NDArray[np.float64], noise: NDArray[np.float64]
) -> tuple[float, float]:
    from scipy.special import ndtr

    noise = np.maximum(noise, 1e-12)
    off = (values - np.median(values)) / noise
    near = np.abs(off) < _TAIL + 1.0
    dense = np.exp(-0.5 * off[near] ** 2) / (math.sqrt(2.0 * math.pi) * noise[near])
    above = ndtr(off[near])
    scatter = float(np.sqrt((above * (1.0 - above)).sum()) / max(dense.sum(), 1e-12))
    return scatter, median_drift(values, noise=float(np.median(noise)))
