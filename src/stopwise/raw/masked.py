"""Photosites that no light reaches: kept to check black and noise by, where they are dark."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from stopwise.frame import Masked

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.raw.decoder import Part
    from stopwise.raw.mosaic import Cell

_NEAR_BLACK = 0.01
_FEWEST = 64
_GUARD = 2


def masked_of(
    parts: Sequence[Part], cell: Cell, black: Sequence[float], white: float, *, named: bool
) -> Masked | None:
    """Return the masked photosites with their colours.

    Parameters
    ----------
    parts
        Candidates outside the visible area.
    cell
        The colour filter array from the visible origin; full planes have no masked photosites.
    black, white
        Levels that the file names.
    named
        Whether the file itself calls them masked. Margins that it doesn't name are taken only where
        they lie within 1 % of the range round black and carry noise, less two at each edge: many
        files pad them with copies of picture.

    Returns
    -------
    Masked or None
        None where nothing is left.
    """
    if cell.pattern.ndim != 2:
        return None
    levels, colours = [], []
    for part in parts:
        inner = part.levels if named else part.levels[_GUARD:-_GUARD, _GUARD:-_GUARD]
        shift = 0 if named else _GUARD
        colour = _colours(cell.pattern, part.top + shift, part.left + shift, inner.shape)
        if inner.size and (named or _is_dark(inner, colour, black, white)):
            levels.append(inner.ravel())
            colours.append(colour.ravel())
    if not levels:
        return None
    return Masked(np.concatenate(levels), np.concatenate(colours))


def _colours(
    pattern: NDArray[np.uint8], top: int, left: int, shape: tuple[int, ...]
) -> NDArray[np.uint8]:
    rows = (top + np.arange(shape[0])) % pattern.shape[0]
    columns = (left + np.arange(shape[1])) % pattern.shape[1]
    return pattern[np.ix_(rows, columns)]


def _is_dark(
    levels: NDArray[np.uint16], colour: NDArray[np.uint8], black: Sequence[float], white: float
) -> bool:
    if levels.size < _FEWEST:
        return False
    above = levels - np.asarray(black, dtype=np.float64)[colour]
    low, middle, high = np.percentile(above, (1.0, 50.0, 99.0)) / (white - min(black))
    return bool(abs(middle) <= _NEAR_BLACK and -_NEAR_BLACK <= low < high <= _NEAR_BLACK)
