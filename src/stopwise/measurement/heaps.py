"""Heaps: where photosites pile up because they are full, told from light by their width.

Photon noise blurs whatever light falls on a sensor, so the histogram of light, however even or
textured, is some distribution convolved with a normal one of the shot noise's width s. Then its
logarithm nowhere bends down faster than 1/s^2: (log f)'' = -1/s^2 + (a variance)/s^4. A heap of
full photosites is narrower than s and does bend faster; that is the test.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.heapfit import LEAST, Heap, fit_heap

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

LOWEST = 0.82
"""Heaps are looked for from this fraction of the named white on."""

MOST_HOT = 1e-4
"""Share of all photosites that may stand above a heap: hot ones, which no light filled."""

_HOT_IN_HEAP = 0.03
_SCALES = (1.0, 0.7, 0.45)
_SURE = 5.0
_STEEPER = 0.77


def find_heap(
    histogram: NDArray[np.int64],
    *,
    lowest: float,
    due: Callable[[float], float],
    holds: Callable[[Heap], bool],
) -> Heap | None:
    """Find the heap of full photosites in the histogram of one colour.

    Parameters
    ----------
    histogram
        int64 (65536,), photosites at each raw level.
    lowest
        Raw level from which on a heap is looked for.
    due
        Shot noise due at a raw level, levels.
    holds
        Whether a heap lies in the picture as full photosites do; the last test of each.

    Returns
    -------
    Heap or None
        The topmost heap that passes. None where the histogram's logarithm nowhere bends faster
        than light can bend it, or where too many photosites stand above.
    """
    total = int(histogram.sum())
    occupied = np.flatnonzero(histogram[max(int(lowest), 0) :]) + max(int(lowest), 0)
    if len(occupied) == 0 or histogram[occupied].sum() < LEAST:
        return None
    for place in _bends(_without_comb(histogram, occupied), occupied, due):
        heap = fit_heap(histogram, place, due(place))
        if heap is not None and _alone(histogram, heap, total) and holds(heap):
            return heap
    return None


def _alone(histogram: NDArray[np.int64], heap: Heap, total: int) -> bool:
    """Tell whether only hot photosites stand above a heap."""
    above = int(histogram[math.ceil(heap.level + 4.0 * heap.width + 1.0) :].sum())
    return above <= max(min(MOST_HOT * total, 0.5 * heap.count), _HOT_IN_HEAP * heap.count)


def _without_comb(histogram: NDArray[np.int64], occupied: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the histogram with the gaps that compression leaves between levels filled evenly."""
    gap = comb_gap(occupied)
    counts = histogram.astype(np.float64)
    if gap <= 1:
        return counts
    total = np.concatenate([[0.0], np.cumsum(counts)])
    start = np.clip(np.arange(len(counts)) - gap // 2, 0, len(counts))
    return np.asarray((total[np.minimum(start + gap, len(counts))] - total[start]) / gap)


def comb_gap(occupied: NDArray[np.intp]) -> int:
    """Return the usual step from one occupied level to the next, at least 1."""
    if len(occupied) < 4:
        return 1
    return max(1, int(np.gcd.reduce(np.diff(occupied))))


def _bends(
    counts: NDArray[np.float64], occupied: NDArray[np.intp], due: Callable[[float], float]
) -> Iterator[float]:
    """Yield the middles of windows that bend faster than light can, from the top down."""
    low, high = int(occupied[0]), int(occupied[-1])
    noise = due(low)
    total = np.concatenate([[0.0], np.cumsum(counts)])
    marks: list[float] = []
    for scale in _SCALES:
        wide = max(1, round(scale * noise))
        starts = np.arange(max(low, 2 * wide), min(high + 1, len(counts) - 2 * wide))
        if len(starts) == 0:
            continue
        below, here, above = (
            total[starts + (k + 1) * wide] - total[starts + k * wide] for k in (-1, 0, 1)
        )
        light = math.exp(-((wide / noise) ** 2))
        least = np.sqrt((below + 1.0) * (above + 1.0) / light)
        error = np.sqrt(_STEEPER**2 * here + (below + above + 2.0) / (4.0 * light))
        sure = np.where(here >= LEAST, (_STEEPER * here - least) / error, 0.0)
        marks += [float(starts[at] + wide / 2.0) for at in _peaks(sure, 3 * wide)]
    last = math.inf
    for mark in sorted(marks, reverse=True):
        if last - mark > noise:
            last = mark
            yield mark


def _peaks(values: NDArray[np.float64], apart: int) -> Iterator[int]:
    """Yield the places of the greatest values that lie so far apart, at most eight."""
    left = values.copy()
    for _ in range(8):
        at = int(np.argmax(left))
        if left[at] <= _SURE:
            return
        yield at
        left[max(at - apart, 0) : at + apart + 1] = 0.0
