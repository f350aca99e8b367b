"""Where the sitter went, found from the solos alone when nobody says."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from stopwise.lamps.fieldcells import Hint, Shift, coarse, design, shifted
from stopwise.lamps.fitting import fit_outputs

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from stopwise.lamps.fieldcells import Grids, Placed

    Floats = NDArray[np.float64]

_REACH = 0.14
"""How far the sitter is looked for, as a share of the longer side."""

_STILL = 0.1
"""Mean cost of a cell under which the sitter is taken to be still."""

_WORTH = 0.5
"""A shift counts only where it cuts the cost to this share.

A sitter who had left the made sets cut it to 0.52 and more, one who had moved to 0.47 and less.
"""


_BORNE_OUT = 1.15
"""A hint is taken where its cost is at most this many times that of the best shift."""

FURTHEST = 0.12
"""Moves further than this, in fractions of the picture, are out of what narrow lamps light."""

_NEAR = 0.03
"""A shift this near a hint, in fractions of the picture, is the same move: heads turn besides."""


def place_sitter(
    stack: Grids, start: Floats, placement: Placed | None
) -> tuple[Placed | None, bool]:
    """Return where the sitter is against the solos, and whether that is sure.

    Parameters
    ----------
    stack
        Frame and lamps.
    start
        float64 (lamps,), outputs that are expected.
    placement
        Where he is, which is taken as it is; a hint, which the picture has to bear out; or None.
    """
    if placement is not None and not isinstance(placement, Hint):
        return placement, True
    if placement is None or math.hypot(placement.dx, placement.dy) > FURTHEST:
        return find_shift(stack, start), False
    return _held_against(stack, start, placement)


def _held_against(stack: Grids, start: Floats, hint: Hint) -> tuple[Placed | None, bool]:
    """Return the hint or what fits better, and whether the picture bears the hint out."""
    still = _fitted_cost(stack, Shift(), start)
    if still < _STILL:
        return None, math.hypot(hint.dx, hint.dy) < _NEAR
    hinted = _fitted_cost(stack, hint, start)
    if hinted < _STILL:
        return hint, True
    found = find_shift(stack, start)
    if found is not None and math.hypot(found.dx - hint.dx, found.dy - hint.dy) < _NEAR:
        return found, True
    if hinted <= _BORNE_OUT * _fitted_cost(stack, found or Shift(), start):
        return hint, True
    return found, False


def _fitted_cost(stack: Grids, shift: Placed, start: Floats) -> float:
    """Return the cost of a shift under the outputs that fit it best."""
    fit = fit_outputs(design(stack, shift), start=start)
    return _Search(stack, fit.outputs).cost(shift)


def find_shift(stack: Grids, start: Floats) -> Shift | None:
    """Return how far the sitter has moved since the solos, or None for hardly at all.

    Parameters
    ----------
    stack
        Frame and lamps.
    start
        float64 (lamps,), outputs that are expected.

    Returns
    -------
    Shift or None
        The shift under which the most cells fit, each as having stayed or gone along.
    """
    cells = design(stack, None)
    fit = fit_outputs(cells, start=start)
    search = _Search(stack, fit.outputs)
    still = search.cost(Shift())
    if still < _STILL:
        return None
    best = search.best(_lattice(stack, Shift(), reach=_REACH, step=1.0), whole=True)
    again = fit_outputs(design(stack, best), start=fit.outputs)
    search = _Search(stack, again.outputs)
    best = search.best(_lattice(stack, Shift(), reach=_REACH, step=1.0), whole=True)
    for step in (0.5, 0.25):
        best = search.best(_lattice(stack, best, reach=3 * step / 60, step=step), whole=False)
    return best if search.cost(best) < _WORTH * still else None


class _Search:
    """The cost of a shift, outputs held."""

    def __init__(self, stack: Grids, outputs: Floats) -> None:
        total = np.tensordot(outputs, stack.lamps, axes=1)[None]
        self._fine = total
        self._factor = stack.factor
        self._coarse = coarse(total, stack.factor)
        self._seen = coarse(stack.seen, stack.factor)
        good = coarse(stack.good.astype(np.float64), stack.factor) > 0.98
        self._sigma = 0.05 * np.maximum(np.maximum(self._seen, 0.1 * self._coarse[0]), 0.0) + 2e-4
        self._stayed = np.square((self._seen - self._coarse[0]) / self._sigma)
        self._good = good

    def cost(self, shift: Placed, *, whole: bool = False) -> float:
        """Return the mean Cauchy cost, each cell as having stayed or gone along."""
        if whole:
            moved = shifted(self._coarse, shift)[0]
        else:
            moved = coarse(shifted(self._fine, shift), self._factor)[0]
        off = np.square((self._seen - moved) / self._sigma)
        least = np.fmin(self._stayed, off)[self._good]
        return float(np.mean(np.log1p(least / 2.25)))

    def best(self, shifts: Iterable[Shift], *, whole: bool) -> Shift:
        """Return the cheapest of several shifts."""
        return min(shifts, key=lambda shift: self.cost(shift, whole=whole))


def _lattice(stack: Grids, middle: Shift, *, reach: float | None, step: float) -> Iterable[Shift]:
    """Yield shifts round `middle`, `step` coarse cells apart."""
    rows, columns = (side / stack.factor for side in stack.seen.shape)
    out = 1 if reach is None else int(reach * max(rows, columns) / step)
    for down in range(-out, out + 1):
        for right in range(-out, out + 1):
            yield Shift(middle.dx + right * step / columns, middle.dy + down * step / rows)
