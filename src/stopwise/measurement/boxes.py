"""Boxes of the upright picture as windows of cells."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stopwise.measurement.measurement import Box


def window(box: Box, shape: tuple[int, int]) -> tuple[slice, slice]:
    """Return the rows and columns of cells that a box holds.

    Parameters
    ----------
    box
        x0, y0, x1, y1 as fractions of the upright picture.
    shape
        Rows and columns of the upright cell picture.

    Returns
    -------
    tuple of slice
        Rows round(y0 h) to round(y1 h) and columns round(x0 w) to round(x1 w), at least one each.
    """
    x0, y0, x1, y1 = box
    rows, columns = shape
    return _span(y0, y1, rows), _span(x0, x1, columns)


def _span(low: float, high: float, cells: int) -> slice:
    start = min(max(round(low * cells), 0), cells - 1)
    return slice(start, max(min(round(high * cells), cells), start + 1))
