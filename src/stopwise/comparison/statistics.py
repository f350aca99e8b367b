"""Statistics that one bad frame can't spoil: median, spread, slope, weighted median."""

from __future__ import annotations

import statistics
from typing import TYPE_CHECKING

import numpy as np

from stopwise.grid import MAD_FACTOR

if TYPE_CHECKING:
    from collections.abc import Sequence


def spread(values: Sequence[float]) -> float:
    """Return a robust standard deviation: the median absolute deviation times 1.4826.

    Parameters
    ----------
    values
        At least one.
    """
    middle = statistics.median(values)
    return MAD_FACTOR * statistics.median(abs(value - middle) for value in values)


def slope(values: Sequence[float], places: Sequence[float] | None = None) -> float:
    """Return the median slope through all pairs of points, per unit of `places`.

    Parameters
    ----------
    values
        One a frame, oldest first.
    places
        Where each lies, all different; None counts 0, 1, 2, ...

    Returns
    -------
    float
        0 with fewer than two values. Source: H. Theil, 1950; P. K. Sen, J. Am. Stat. Assoc. 63
        (1968), 1379. The tests hold it to scipy's; loading scipy.stats takes 0.6 s of CPU time.
    """
    if len(values) < 2:
        return 0.0
    x = np.arange(len(values), dtype=float) if places is None else np.asarray(places, float)
    first, second = np.triu_indices(len(x), 1)
    y = np.asarray(values, float)
    return float(np.median((y[second] - y[first]) / (x[second] - x[first])))


def weighted_median(values: Sequence[float], weights: Sequence[float]) -> float:
    """Return the value at which half of the weight is reached; between two, their mean.

    Parameters
    ----------
    values, weights
        Of one length, at least one; weights above 0.
    """
    order = np.argsort(values)
    y, w = np.asarray(values, float)[order], np.asarray(weights, float)[order]
    reached = np.cumsum(w)
    half = reached[-1] / 2.0
    at = int(np.searchsorted(reached, half * (1.0 - 1e-12)))
    if np.isclose(reached[at], half, rtol=1e-12) and at + 1 < len(y):
        return float(y[at] + y[at + 1]) / 2.0
    return float(y[at])
