"""Robust least squares of a few values, held near what is usual."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.grid import MAD_FACTOR

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_SOFT = 2.0
"""Scatters at which a residual's weight is one half (Cauchy)."""

_NEIGHBOURS = 25.0
"""Cells that share one error, so that what is usual of a value counts against many cells."""

_SCALES, _SETTLED = 4, 1e-4
"""How often the scatter is found anew, and the relative change under which a fit has settled."""

_MOST_STEPS = 20
"""Steps of one fit, each with a model for every value's change and one for the step itself."""


@dataclass(frozen=True, eq=False, slots=True)
class Terms:
    """How a few values are fitted.

    Attributes
    ----------
    scales
        float64 (k,), each in its value's own unit (any unit): changes of this size change the
        model alike.
    usual
        float64 (k,), the same units: how far each is from its start as a rule; infinite for
        anywhere.
    scatter
        Residuals smaller than this are noise, in the unit of what was seen.
    """

    scales: Floats
    usual: Floats
    scatter: float


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
        float64 (k,), the least sum of Cauchy's costs of the cells and of squares of what is held
        near the usual. Their scale is the cells' own scatter, found anew four times.
    """
    from scipy.optimize import least_squares

    held = np.isfinite(terms.usual)
    neighbours = np.sqrt(_NEIGHBOURS)
    soft = _SOFT**2 / _NEIGHBOURS

    values = start.astype(np.float64)
    for _ in range(_SCALES):
        middle = float(np.median(np.abs(seen - model(values))))
        scatter = neighbours * max(MAD_FACTOR * middle, terms.scatter)

        def residuals(at: Floats, scatter: float = scatter) -> Floats:
            off = (seen - model(at)) / scatter
            # their squares are Cauchy's costs, so that plain least squares does
            robust = np.copysign(np.sqrt(soft * np.log1p(np.square(off) / soft)), off)
            return np.append(robust, ((at - start) / terms.usual)[held])

        found = least_squares(
            residuals,
            values,
            method="lm",  # its QR of many cells by a few values takes a fifteenth of an SVD's time
            x_scale=terms.scales,
            ftol=_SETTLED,
            xtol=_SETTLED,
            max_nfev=_MOST_STEPS * (len(values) + 1),
        )
        values = found.x
    return values
