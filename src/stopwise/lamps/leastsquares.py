"""Robust least squares of a few values, held near what is usual.

Not scipy's `least_squares`: its robust loss would be for what holds the values near the usual too,
and its scale is fixed, while here it is the cells' own scatter, found anew in each round.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.quantiles import MAD_FACTOR

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_STEP = 1e-4
_SOFT = 2.0
"""Scatters at which a residual's weight is one half (Cauchy)."""

_NEIGHBOURS = 25.0
"""Cells that share one error."""

_DAMPING = 1e-3


@dataclass(frozen=True, eq=False, slots=True)
class Terms:
    """How a few values are fitted.

    Attributes
    ----------
    leaps
        float64 (k,), the most that a round may change each value.
    usual
        float64 (k,), how far each value is from its start as a rule; infinite for anywhere.
    scatter
        Residuals smaller than this are noise.
    rounds
        How often the weights are made anew.
    """

    leaps: Floats
    usual: Floats
    scatter: float
    rounds: int = 20


def fit_values(
    model: Callable[[Floats], Floats], start: Floats, seen: Floats, terms: Terms
) -> Floats:
    """Fit values so that a model gives what was seen, cells that fit nothing counting little.

    Parameters
    ----------
    model
        Returns float64 (n,) for values float64 (k,).
    start
        float64 (k,).
    seen
        float64 (n,).
    terms
        How.

    Returns
    -------
    ndarray
        float64 (k,), by Gauss and Newton's method with Cauchy's weights.
    """
    values = start.astype(np.float64)
    holds = np.square(1.0 / terms.usual)
    steps = _STEP * np.eye(len(start))
    for _ in range(terms.rounds):
        here = model(values)
        rest = seen - here
        scatter = max(MAD_FACTOR * float(np.median(np.abs(rest))), terms.scatter)
        weight = 1.0 / (1.0 + np.square(rest / (_SOFT * scatter)))
        weight /= _NEIGHBOURS * scatter**2
        slopes = np.stack([(model(values + step) - here) / _STEP for step in steps], axis=1)
        normal = slopes.T @ (weight[:, None] * slopes) + np.diag(holds)
        damped = normal + _DAMPING * np.diag(np.diag(normal)) + 1e-12 * np.eye(len(start))
        change = np.linalg.solve(damped, slopes.T @ (weight * rest) - holds * (values - start))
        values = values + np.clip(change, -terms.leaps, terms.leaps)
    return values
