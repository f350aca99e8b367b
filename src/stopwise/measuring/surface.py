"""Surface: a smooth low-order surface through log luminance that departures don't bend."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

ORDER = 2
"""Order of the surface in x and y together: a quadratic."""

_ROUNDS = 25
_SOFT_ROUNDS = 10
_MAD = 1.4826022185056018
_BISQUARE = 4.685


@dataclass(frozen=True, eq=False, slots=True)
class Surface:
    """A polynomial in x and y, fitted robustly.

    Attributes
    ----------
    coefficients
        float64 (terms,), stops, of the terms x^i y^j with i + j <= order, x and y as fractions of
        the upright picture less 0.5.
    covariance
        float64 (terms, terms), of the coefficients, from the scatter of what the surface leaves.
    scatter
        Robust standard deviation of what it leaves, stops.
    order
        Order of the polynomial.
    """

    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    scatter: float
    order: int

    def at(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the surface in stops at points given as fractions of the picture, shape of `x`."""
        values: NDArray[np.float64] = terms(x, y, order=self.order) @ self.coefficients
        return values

    def difference_uncertainty(self, one: tuple[float, float], other: tuple[float, float]) -> float:
        """Return the standard uncertainty of the surface's difference between two points, stops."""
        x, y = np.array([one[0], other[0]]), np.array([one[1], other[1]])
        first, second = terms(x, y, order=self.order)
        apart = first - second
        return float(np.sqrt(max(apart @ self.covariance @ apart, 0.0)))


def terms(
    x: NDArray[np.float64], y: NDArray[np.float64], *, order: int = ORDER
) -> NDArray[np.float64]:
    """Return the terms x^i y^j, i + j <= order, of points less the picture's middle.

    Parameters
    ----------
    x, y
        Any shape, fractions of the upright picture.
    order
        Order of the polynomial, 0 or more.

    Returns
    -------
    ndarray
        float64, the shape of `x` with the terms as its last axis: 1, y, y^2, x, xy, x^2 for 2.
    """
    u, v = x - 0.5, y - 0.5
    powers = [(i, j) for i in range(order + 1) for j in range(order + 1 - i)]
    return np.stack([u**i * v**j for i, j in powers], axis=-1)


def fit_surface(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    stops: NDArray[np.float64],
    *,
    order: int = ORDER,
) -> Surface | None:
    """Fit a low-order surface by iteratively reweighted least squares.

    Parameters
    ----------
    x, y
        (n,), fractions of the upright picture.
    stops
        (n,), finite values in stops.
    order
        Order of the polynomial.

    Returns
    -------
    Surface or None
        None where there are fewer than three points a term.

    Notes
    -----
    Ten rounds with Cauchy's weights bring the fit near from any start, then Tukey's bisquare
    (tuning constant 4.685: 95 % efficiency for normal scatter) leaves out what departs. The scale
    is the median absolute deviation times 1.4826 (1 over the normal quantile of 3/4).
    """
    design = terms(x, y, order=order)
    if len(stops) < 3 * design.shape[1]:
        return None
    weights = np.ones(len(stops))
    for turn in range(_ROUNDS):
        coefficients = _weighted(design, stops, weights)
        rest = stops - design @ coefficients
        scale = max(_MAD * float(np.median(np.abs(rest))), 1e-7)
        weights = _cauchy(rest / scale) if turn < _SOFT_ROUNDS else _bisquare(rest / scale)
    return Surface(coefficients, _covariance(design, rest, weights), scale, order)


def _weighted(
    design: NDArray[np.float64], stops: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    root = np.sqrt(weights)
    solved: NDArray[np.float64] = np.linalg.lstsq(design * root[:, None], stops * root, rcond=None)[
        0
    ]
    return solved


def _cauchy(rest: NDArray[np.float64]) -> NDArray[np.float64]:
    return 1.0 / (1.0 + rest**2)


def _bisquare(rest: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.clip(1.0 - (rest / _BISQUARE) ** 2, 0.0, None) ** 2


def _covariance(
    design: NDArray[np.float64], rest: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    normal = design.T @ (design * weights[:, None])
    free = max(float(weights.sum()) - design.shape[1], 1.0)
    variance = float((weights * rest**2).sum()) / free
    covariance: NDArray[np.float64] = variance * np.linalg.pinv(normal)
    return covariance
