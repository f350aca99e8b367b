"""Non-negative least squares, robust to cells that fit no lamp, and how sure the fit is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_ROUNDS = 40
"""Reweightings at most."""

_SETTLED = 1e-5
"""Outputs that change by less than this share between reweightings have settled."""

_SOFT = 1.5
"""Residual in sigmas at which Cauchy's weight is one half."""

_LEAST_KNOWN = 1e-4
"""What is known of a lamp that lights nothing: its output within 100 times its solo's."""

_RIDGE = 1e-9
"""Share of the mean diagonal that keeps a singular system solvable."""


@dataclass(frozen=True, eq=False, slots=True)
class Design:
    """What each lamp gives in each cell, under one or two ideas of where the cell's stuff is.

    Attributes
    ----------
    seen
        float64 (n,), light of each cell in the frame, ambient taken off.
    stayed
        float64 (n, lamps), light of each lamp's solo where the cell's stuff stayed.
    moved
        The same where it went with the sitter; None where the sitter is at the mark.
    sigma
        float64 (n,), how far a cell may be off and still fit.
    region
        int64 (n,), which region of the picture each cell lies in, for the jackknife.
    """

    seen: Floats
    stayed: Floats
    moved: Floats | None
    sigma: Floats
    region: NDArray[np.int64]


@dataclass(frozen=True, eq=False, slots=True)
class Fit:
    """Outputs that fit a frame.

    Attributes
    ----------
    outputs
        float64 (lamps,), linear, 1 = as in the solo.
    used
        float64 (n, lamps), the row of the design that each cell took.
    residual
        float64 (n,), in sigmas.
    weight
        float64 (n,), 0 to 1, how far each cell was believed.
    """

    outputs: Floats
    used: Floats
    residual: Floats
    weight: Floats


def nonnegative(gram: Floats, moment: Floats) -> Floats:
    """Solve min |Ax - b| with x >= 0 from A'A and A'b, by Lawson and Hanson's active set.

    Parameters
    ----------
    gram
        Shape (k, k), A'A, of full rank or nearly.
    moment
        Shape (k,), A'b.

    Returns
    -------
    ndarray
        Shape (k,), every value >= 0; at the optimum A'(b - Ax) is 0 where x > 0, else <= 0.

    Notes
    -----
    C. L. Lawson and R. J. Hanson, Solving Least Squares Problems, 1974, chapter 23.
    """
    k = len(moment)
    x = np.zeros(k)
    free = np.zeros(k, dtype=bool)
    slack = 1e-12 * max(float(np.max(np.abs(moment), initial=0.0)), 1e-300)
    for _ in range(3 * k):
        gradient = np.where(free, -np.inf, moment - gram @ x)
        if k == 0 or float(gradient.max()) <= slack:
            break
        free[int(gradient.argmax())] = True
        x, free = _inner(gram, moment, x, free)
    return x


def _inner(
    gram: Floats, moment: Floats, x: Floats, free: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.bool_]]:
    """Solve over the free lamps, fixing at 0 those that the solution would make negative."""
    for _ in range(len(x)):
        trial = np.zeros_like(x)
        trial[free] = _solve(gram[np.ix_(free, free)], moment[free])
        if np.all(trial[free] > 0.0):
            return trial, free
        below = free & (trial <= 0.0)
        step = float(np.min(x[below] / np.maximum(x[below] - trial[below], 1e-300)))
        x = np.maximum(x + step * (trial - x), 0.0)
        free = free & ~(below & (x <= 1e-15 * max(1.0, float(x.max()))))
        x[~free] = 0.0
    return x, free


def _solve(gram: Floats, moment: Floats) -> Floats:
    ridge = _RIDGE * 1e-3 * float(np.trace(gram)) / len(gram)
    return np.asarray(np.linalg.solve(gram + ridge * np.eye(len(gram)), moment), np.float64)


def fit_outputs(design: Design, *, start: Floats) -> Fit:
    """Fit each lamp's output, cells that fit no lamp counting little.

    Iteratively reweighted least squares with Cauchy's weights (Holland and Welsch 1977). Where the
    sitter has moved each cell takes the idea (stayed or moved) that fits it better.

    Parameters
    ----------
    design
        The cells.
    start
        float64 (lamps,), outputs to begin from.

    Returns
    -------
    Fit
    """
    outputs = start
    for _ in range(_ROUNDS):
        used, residual = _better(design, outputs)
        weight = 1.0 / (1.0 + np.square(residual / _SOFT))
        scale = np.sqrt(weight) / design.sigma
        rows, target = used * scale[:, None], design.seen * scale
        previous, outputs = outputs, nonnegative(rows.T @ rows, rows.T @ target)
        if np.all(np.abs(outputs - previous) <= _SETTLED * (1.0 + outputs)):
            break
    used, residual = _better(design, outputs)
    return Fit(outputs, used, residual, 1.0 / (1.0 + np.square(residual / _SOFT)))


def standard_error(fit: Fit, design: Design) -> Floats:
    """Return the standard error of a fit's outputs, float64 (lamps,).

    Each region of the picture is left out in turn, the cells' weights held (the jackknife,
    Quenouille 1949, Tukey 1958), since cells of one region share their errors; to which comes what
    the cells' own sigmas make of it, which is large where a lamp lights no cell to speak of.
    """
    scale = np.sqrt(fit.weight) / design.sigma
    rows, target = fit.used * scale[:, None], design.seen * scale
    names, place = np.unique(design.region, return_inverse=True)
    lamps = rows.shape[1]
    grams = np.zeros((len(names), lamps, lamps))
    moments = np.zeros((len(names), lamps))
    np.add.at(grams, place, rows[:, :, None] * rows[:, None, :])
    np.add.at(moments, place, rows * target[:, None])
    whole = grams.sum(axis=0)
    without = _solutions(whole - grams, moments.sum(axis=0) - moments)
    spread = without - without.mean(axis=0)
    share = (len(names) - 1) / max(len(names), 1)
    formal = np.diag(np.linalg.inv(whole + _LEAST_KNOWN * np.eye(lamps)))
    error: Floats = np.sqrt(share * np.sum(np.square(spread), axis=0) + formal)
    return error


def _solutions(grams: Floats, moments: Floats) -> Floats:
    """Solve many small systems, with bounds only where the free solution falls below 0."""
    ridge = _RIDGE * 1e-3 * np.trace(grams, axis1=1, axis2=2)[:, None, None] / grams.shape[1]
    free = np.linalg.solve(grams + (ridge + 1e-300) * np.eye(grams.shape[1]), moments[..., None])
    found = np.asarray(free[..., 0], np.float64)
    for index in np.nonzero(np.any(found < 0.0, axis=1))[0]:
        found[index] = nonnegative(grams[index], moments[index])
    return found


def cost(fit: Fit) -> float:
    """Return Cauchy's cost of a fit, lower is better."""
    return float(np.sum(np.log1p(np.square(fit.residual / _SOFT))))


def _better(design: Design, outputs: Floats) -> tuple[Floats, Floats]:
    stayed = (design.seen - design.stayed @ outputs) / design.sigma
    if design.moved is None:
        return design.stayed, stayed
    moved = (design.seen - design.moved @ outputs) / design.sigma
    went = np.abs(moved) < np.abs(stayed)
    return np.where(went[:, None], design.moved, design.stayed), np.where(went, moved, stayed)
