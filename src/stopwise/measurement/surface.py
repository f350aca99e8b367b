"""Surface: a smooth low-order surface through log luminance that departures don't bend."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.polynomial.polynomial import polygrid2d, polyvander2d

from stopwise.grid import MAD_FACTOR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.frame import Point

ORDER = 4
"""Order of the surface in x and y together.

Two paper lamps make a hill on either side. A quadratic through both leaves 0.07 stop RMS of it (a
pair 1.35 m to the sides, 1 m from the paper), which would be called uneven; a quartic leaves 0.015.
"""

_ROUNDS, _SETTLED_STOPS = 40, 1e-4
"""Reweightings at most, and the change of a coefficient at which they end."""

_BISQUARE = 4.685
"""Tukey's bisquare: scales at which a weight is 0; 95 % efficiency for normal scatter."""

_POINTS_A_TERM = 6
"""Points that each term of a polynomial needs (common practice: five to ten)."""

_MOST_POINTS, _FEW_POINTS = 2500, 300
"""Points that are fitted, and those that the start is drawn from: more make no smoother surface."""

_CLEARLY_LESS = 0.8
"""Of the quadratic's scatter: what a quartic must leave to be taken (set on our own renderer)."""

_STARTS, _STEPS = 80, 4
"""Draws of the trimmed start, of six points each, and refits of each. With 30 % of the points off,
one draw in 8 is clean: 80 miss with a chance of 1 in 20 000."""

_KEPT = 0.7
"""Share of the points that the start must fit; with half it would fit one hill of two."""

_LOOSE = 2.0
"""How many times wider than its scatter a start's weights reach, since it is only a quadratic."""


@dataclass(frozen=True, eq=False, slots=True)
class Surface:
    """A polynomial in x and y, fitted robustly.

    Attributes
    ----------
    coefficients
        float64 (terms,), stops, of the terms that `terms` names.
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
        return np.asarray(terms(x, y, order=self.order) @ self.coefficients)

    def over(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the surface in stops over a grid of columns `x` (m,) and rows `y` (n,), (n, m)."""
        square = np.zeros((self.order + 1, self.order + 1))
        square[_held(self.order)] = self.coefficients
        return np.asarray(polygrid2d(2.0 * x - 1.0, 2.0 * y - 1.0, square), dtype=np.float64).T

    def difference_uncertainty(self, one: Point, other: Point) -> float:
        """Return the standard uncertainty of the surface's difference between two points, stops."""
        x, y = np.array([one, other]).T
        first, second = terms(x, y, order=self.order)
        apart = first - second
        return float(np.sqrt(max(apart @ self.covariance @ apart, 0.0)))


def terms(
    x: NDArray[np.float64], y: NDArray[np.float64], *, order: int = ORDER
) -> NDArray[np.float64]:
    """Return the terms u^i v^j, i + j <= order, with u = 2x - 1 and v = 2y - 1.

    Parameters
    ----------
    x, y
        Any shape, fractions of the upright picture.
    order
        Order of the polynomial, 0 or more.

    Returns
    -------
    ndarray
        float64, the shape of `x` with the terms as its last axis: 1, v, v^2, u, uv, u^2 for 2.
    """
    every = polyvander2d(2.0 * x - 1.0, 2.0 * y - 1.0, [order, order])
    return np.asarray(every[..., _held(order).ravel()])


def _held(order: int) -> NDArray[np.bool_]:
    """Return which powers (of u, of v) a polynomial of an order has, (order + 1, order + 1)."""
    return np.asarray(np.add.outer(np.arange(order + 1), np.arange(order + 1)) <= order)


def fit_surface(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    stops: NDArray[np.float64],
    *,
    order: int = ORDER,
) -> Surface | None:
    """Fit a low-order surface by iteratively reweighted least squares from a trimmed start.

    Parameters
    ----------
    x, y
        (n,), fractions of the upright picture.
    stops
        (n,), finite values in stops.
    order
        Greatest order of the polynomial; a lower one is taken where there are fewer than six
        points a term.

    Returns
    -------
    Surface or None
        None where there are fewer than six points.

    Notes
    -----
    The start is a quadratic by least trimmed squares (P. J. Rousseeuw, Journal of the American
    Statistical Association 79, 1984, 871): of eighty draws of six points, each drawn together
    by refitting the best 70 %, the one that leaves these least. From there Tukey's bisquare (tuning
    constant 4.685: 95 % efficiency for normal scatter) leaves out what departs. The scale is the
    median absolute deviation times 1.4826, one over the normal quantile of 3/4. By hand, since
    scipy's robust `least_squares` knows no trimmed start, and its module takes 0.4 s to import.
    """
    every = -(-len(stops) // _MOST_POINTS) or 1
    x, y, stops = x[::every], y[::every], stops[::every].astype(np.float64)
    while order >= 0 and len(stops) >= _POINTS_A_TERM:
        design = terms(x, y, order=order)
        if len(stops) >= _POINTS_A_TERM * design.shape[1]:
            return _reweighted(design, stops, _start(x, y, stops), order)
        order -= 1
    return None


def fit_plainest(
    x: NDArray[np.float64], y: NDArray[np.float64], stops: NDArray[np.float64]
) -> Surface | None:
    """Fit a quadratic, or a quartic where that leaves clearly less, as `fit_surface` does.

    A quartic follows the hills of two lamps, but it also follows a blotch a little, so it is
    taken only where it brings the scatter under four fifths.

    Parameters
    ----------
    x, y, stops
        (n,), see `fit_surface`.
    """
    plain = fit_surface(x, y, stops, order=2)
    supple = fit_surface(x, y, stops, order=ORDER)
    if plain is None or supple is None:
        return plain
    return supple if supple.scatter < _CLEARLY_LESS * plain.scatter else plain


def _start(
    x: NDArray[np.float64], y: NDArray[np.float64], stops: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return first weights of all points (n,), from a trimmed quadratic through some of them."""
    every = -(-len(stops) // _FEW_POINTS)
    some = stops[::every]
    design = terms(x, y, order=2)
    if len(some) < _POINTS_A_TERM * design.shape[1]:
        design = design[:, :1]
    few = design[::every]
    count, unknowns = few.shape
    kept = max(int(_KEPT * count), unknowns)
    drawn = np.random.default_rng(0).random((_STARTS, count)).argsort(axis=1)[:, :unknowns]
    coefficients = _solved(few[drawn], some[drawn])
    for _ in range(_STEPS):
        square = (some - coefficients @ few.T) ** 2
        drawn = np.argpartition(square, kept - 1, axis=1)[:, :kept]
        coefficients = _solved(few[drawn], some[drawn])
    square = np.sort((some - coefficients @ few.T) ** 2, axis=1)[:, :kept]
    rest = stops - design @ coefficients[np.argmin(square.sum(axis=1))]
    return _bisquare(rest / (_LOOSE * _scale(rest)))


def _solved(designs: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the least squares coefficients of many designs (m, n, terms) at once, (m, terms)."""
    turned = np.swapaxes(designs, 1, 2)
    normal = turned @ designs + 1e-9 * np.eye(designs.shape[2])
    return np.asarray(np.linalg.solve(normal, turned @ values[..., None])[..., 0])


def _reweighted(
    design: NDArray[np.float64],
    stops: NDArray[np.float64],
    weights: NDArray[np.float64],
    order: int,
) -> Surface:
    rest, coefficients = stops, np.zeros(design.shape[1])
    for _ in range(_ROUNDS):
        before, heavy = coefficients, design * weights[:, None]
        found = np.linalg.lstsq(heavy.T @ design, heavy.T @ stops, rcond=None)[0]
        coefficients = np.asarray(found, dtype=np.float64)
        rest = stops - design @ coefficients
        weights = _bisquare(rest / _scale(rest))
        if float(np.abs(coefficients - before).max()) < _SETTLED_STOPS:
            break
    normal = design.T @ (design * weights[:, None])
    free = max(float(weights.sum()) - design.shape[1], 1.0)
    variance = float((weights * rest**2).sum()) / free
    covariance = np.asarray(variance * np.linalg.pinv(normal))
    return Surface(coefficients, covariance, _scale(rest), order)


def _bisquare(rest: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.clip(1.0 - (rest / _BISQUARE) ** 2, 0.0, None) ** 2)


def _scale(rest: NDArray[np.float64]) -> float:
    """Return the robust standard deviation of what is left, stops, never 0."""
    return max(MAD_FACTOR * float(np.median(np.abs(rest))), 1e-7)
