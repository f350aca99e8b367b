"""Did the decode fill the picture? No single value, no stale or constant tail, no dead blocks.

For containers that promise nothing, and for copies whose missing bytes are zeros. Sensor noise
makes every row differ from the one before, so rows that repeat exactly below rows that never do are
what the decoder's buffer held last. A bottom that is clipped throughout repeats too, and is let be.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_FEWEST_ROWS = 2
_BLOCK = 64
_STRIDE = 16
_REAL_BLACK = 16.0
_ROWS_ABOVE, _EDGE_ROWS = 32, 4


def holds_one_value(mosaic: NDArray[np.uint16]) -> bool:
    """Whether every photosite holds the same level: uint16 (H, W[, planes])."""
    first = mosaic.flat[0]
    if np.any(mosaic[0] != first) or np.any(mosaic[-1] != first):
        return False
    return not np.any(mosaic != first)


def unfilled(mosaic: NDArray[np.uint16], *, period: int, black: float, white: float) -> str | None:
    """Say which part of a decoded picture was never filled.

    Parameters
    ----------
    mosaic
        uint16 (H, W) or (H, W, planes).
    period
        Rows after which the colour filter array repeats.
    black, white
        Lowest black and white, raw levels.

    Returns
    -------
    str or None
        A part of a sentence, or None where the picture is filled.
    """
    tail = _tail(mosaic, period)
    clipped = tail and (_is_clipped(mosaic[-tail:], white) or _fades_out(mosaic, tail, black))
    if tail and not clipped and _differs_above(mosaic, tail, period):
        return f"its last {tail} rows repeat the one above"
    if black >= _REAL_BLACK and _has_dead_block(mosaic):
        return "a part of it holds zeros, under its black"
    return None


def _repeats(mosaic: NDArray[np.uint16], row: int, period: int) -> bool:
    here = mosaic[row]
    return any(row >= step and np.array_equal(here, mosaic[row - step]) for step in {1, 2, period})


def _tail(mosaic: NDArray[np.uint16], period: int) -> int:
    """Return how many rows at the bottom repeat one above; 0 under a few."""
    height = mosaic.shape[0]
    row = height - 1
    while row > 0 and _repeats(mosaic, row, period):
        row -= 1
    tail = height - 1 - row
    return tail if tail >= _FEWEST_ROWS else 0


def _is_clipped(rows: NDArray[np.uint16], white: float) -> bool:
    """Whether the rows hold nothing but levels near or above white."""
    return bool(rows.min() >= 0.8 * white)


def _fades_out(mosaic: NDArray[np.uint16], tail: int, black: float) -> bool:
    """Whether a camera without a pedestal clips ever more of the dark to zero down to the tail."""
    above = mosaic[max(mosaic.shape[0] - tail - _EDGE_ROWS - 2, 0) :][:_EDGE_ROWS]
    zeros = float(np.mean(above == 0))
    return black < _REAL_BLACK and not np.any(mosaic[-1]) and zeros > 0.5


def _differs_above(mosaic: NDArray[np.uint16], tail: int, period: int) -> bool:
    """Whether most rows above the tail differ from those before them, as noise makes them do.

    A picture drawn without noise repeats rows everywhere, so that its bottom tells nothing.
    """
    bottom = mosaic.shape[0] - tail
    rows = range(max(bottom - _ROWS_ABOVE, 0) + 1, bottom)
    return 2 * sum(_repeats(mosaic, row, period) for row in rows) <= len(rows)


def _has_dead_block(mosaic: NDArray[np.uint16]) -> bool:
    """Whether a block of 64 x 64 holds nothing but zeros, found on a sparse grid and made sure."""
    flat = mosaic if mosaic.ndim == 2 else mosaic.max(axis=2)
    sparse = flat[_STRIDE // 2 :: _STRIDE, _STRIDE // 2 :: _STRIDE] == 0
    if not np.any(sparse):
        return False
    points = _BLOCK // _STRIDE
    if min(sparse.shape) < points:
        return False
    windows = np.lib.stride_tricks.sliding_window_view(sparse, (points, points))
    for row, column in np.argwhere(windows.all(axis=(2, 3)))[:256].tolist():
        top, left = row * _STRIDE, column * _STRIDE
        if not np.any(flat[top : top + _BLOCK, left : left + _BLOCK]):
            return True
    return False
