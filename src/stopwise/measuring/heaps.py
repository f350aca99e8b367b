"""Heaps: where photosites pile up because they are full, told from light by their width.

Photon noise blurs whatever light falls on a sensor, so the histogram of light, however even or
textured, is some distribution convolved with a normal one of the shot noise's width s. Then its
logarithm nowhere bends down faster than 1/s^2: (log f)'' = -1/s^2 + (a variance)/s^4. A heap of
full photosites is narrower than s and does bend faster; that is the test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

WIDEST = 0.55
"""A heap wider than this, in shot noise due at its level, can't be told from a wall."""

LOWEST = 0.82
"""Heaps are looked for from this fraction of the named white on."""

MOST_HOT = 1e-4
"""Share of all photosites that may stand above a heap: hot ones, which no light filled."""

_HOT_IN_HEAP = 0.03
_LEAST = 30
_SCALES = (1.0, 0.7, 0.45)
_SURE = 5.0
_STEEPER = 0.77
_ROUNDS = 6
_BELOW = 2.5
_HUMPS = (
    np.arange(-1.0, 4.6, 0.8),
    np.empty(0),
    np.arange(-0.6, 4.0, 1.5),
    np.arange(-1.0, 4.3, 0.4),
)
"""Where humps of light stand, in shot noises from the lowest level that is fitted: four tries."""
_PRICE = 3.0
"""What one more hump must better the misfit by."""
_PIVOTS = 12
_LEVELS_TRIED, _WIDTHS_TRIED = 9, 5
_SPIKED = 0.6
_NEAR = 3
_FITS = 1.3
_BELOW = 2.5
_ROUGH = 0.002
"""How far light is from a parabola, as a share of its counts squared over the greatest."""


@dataclass(frozen=True, slots=True)
class Heap:
    """Where photosites of one colour stop.

    Attributes
    ----------
    level
        Middle of the heap, raw levels.
    width
        Spread from photosite to photosite, one sigma, raw levels.
    count
        Photosites in it.
    threshold
        Raw level from which on as many photosites stand as are full.
    """

    level: float
    width: float
    count: float
    threshold: int


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
    if len(occupied) == 0 or histogram[occupied].sum() < _LEAST:
        return None
    for place in _bends(_without_comb(histogram, occupied), occupied, due):
        heap = _fit(histogram, place, due(place))
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
        sure = np.where(here >= _LEAST, (_STEEPER * here - least) / error, 0.0)
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


# --- the heap's shape ----------------------------------------------------------------------------


def _fit(histogram: NDArray[np.int64], place: float, noise: float) -> Heap | None:
    """Fit a heap on a slope of light that ends at it; None where it is too wide or no heap."""
    spike = _spike(histogram, place, noise)
    if spike is not None:
        return spike
    edges, counts = _binned(histogram, place, noise)
    rough = _searched(edges, counts, _Try(place, 0.3 * noise, noise, 1.2 * noise, 4.0), _HUMPS[0])
    near = replace(rough, reach_level=0.3 * noise, reach_width=1.6)
    best = min(
        [rough, *(_searched(edges, counts, near, humps) for humps in _HUMPS[1:])], key=_price
    )
    level, width, count = best.level, best.width, best.count
    bin_levels = round(float(edges[1] - edges[0]))
    if width > WIDEST * noise or count < _LEAST:
        return None
    return Heap(level, width, count, _threshold(histogram, count, level, width + bin_levels / 4.0))


def _spike(histogram: NDArray[np.int64], place: float, noise: float) -> Heap | None:
    """Return a heap of one level: it holds most of what is near it and next to all from it on."""
    start = max(int(place - noise), 0)
    level = start + int(np.argmax(histogram[start : int(place + noise) + 1]))
    count = int(histogram[level])
    near = int(histogram[max(level - _NEAR, 0) : level + _NEAR + 1].sum())
    beyond = int(histogram[level : level + math.ceil(2.0 * noise)].sum())
    if noise < _NEAR or count < max(_SPIKED * near, 0.9 * beyond, _LEAST):
        return None
    return Heap(float(level), 0.0, float(count), level)


@dataclass(frozen=True, slots=True)
class _Try:
    """A heap's level and width, the shot noise there, how far to look round, and what was found."""

    level: float
    width: float
    noise: float
    reach_level: float = 0.0
    reach_width: float = 0.0
    count: float = 0.0
    misfit: float = math.inf
    humps: int = 0


def _price(one: _Try) -> float:
    """Return a misfit with what its humps of light cost, so that noise isn't fitted as light."""
    return one.misfit + _PRICE * one.humps


def _searched(
    edges: NDArray[np.float64],
    counts: NDArray[np.float64],
    start: _Try,
    humps: NDArray[np.float64],
) -> _Try:
    """Return the heap that fits best with light that stands on these humps.

    Each photosite shows the lesser of its light and its own level of fullness. Those levels are
    normal (level, width); light is a sum of normal humps as wide as shot noise, none below 0, and
    of light far above. Level and width are found by search, the rest is linear.
    """
    below = _normal_share((edges[:, None] - edges[0] - start.noise * humps) / start.noise)
    weight, best = 1.0 / (counts + 1.0), start
    for _ in range(_ROUNDS):
        tries = _grid(best)
        misfit, found, model = _tried(edges, counts, weight, tries, below)
        at = int(np.argmin(misfit))
        # weighed by the model, as its own counts would draw the fit to the low ones
        weight = 1.0 / np.maximum(model[at], 1.0)
        best = _Try(
            float(tries[at, 0]),
            float(tries[at, 1]),
            start.noise,
            best.reach_level / 3.0,
            math.sqrt(best.reach_width),
            float(found[at]),
            float(misfit[at]),
            len(humps),
        )
    return best


def _grid(near: _Try) -> NDArray[np.float64]:
    """Return levels and widths to try round a heap, (n, 2)."""
    levels = near.level + near.reach_level * np.linspace(-1.0, 1.0, _LEVELS_TRIED)
    widths = near.width * near.reach_width ** np.linspace(-1.0, 1.0, _WIDTHS_TRIED)
    widths = np.clip(widths, 0.2, 2.0 * near.noise)
    return np.stack(np.meshgrid(levels, widths), axis=-1).reshape(-1, 2)


def _binned(
    histogram: NDArray[np.int64], place: float, noise: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return edges and counts of bins round a place, each a whole number of levels."""
    wide = max(1, round(noise / 12.0))
    start = max(int(place - _BELOW * noise), 0)
    bins = max(8, int((_BELOW + 2.5) * noise / wide) + 1)
    stop = min(start + bins * wide, len(histogram))
    bins = (stop - start) // wide
    counts = histogram[start : start + bins * wide].reshape(bins, wide).sum(axis=1)
    edges = start - 0.5 + wide * np.arange(bins + 1, dtype=np.float64)
    return edges, counts.astype(np.float64)


def _tried(
    edges: NDArray[np.float64],
    counts: NDArray[np.float64],
    weight: NDArray[np.float64],
    tries: NDArray[np.float64],
    below: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return misfit (n,), the heap's count (n,) and the model (n, bins) of each level and width."""
    level, width = tries[:, :1], tries[:, 1:]
    share = _normal_share((edges - level) / width)
    full = np.diff(share, axis=1)[..., None]
    free = (1.0 - (share[:, :-1] + share[:, 1:]) / 2.0)[..., None]
    # light that meets its photosite's level stops there: (bins, humps) of it lie in the heap
    stopped = full * (1.0 - (below[:-1] + below[1:]) / 2.0)
    design = np.concatenate([full, free * np.diff(below, axis=0) + stopped], axis=2)
    solved = _none_below_0(design, counts, weight)
    model = (design @ solved[..., None])[..., 0]
    misfit = ((model - counts) ** 2 * weight).sum(axis=1)
    heaped = solved[:, 0] + (solved[:, 1:] * stopped.sum(axis=1)).sum(axis=1)
    return np.asarray(misfit), np.asarray(heaped), np.asarray(model)


def _none_below_0(
    design: NDArray[np.float64], counts: NDArray[np.float64], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return weighted least squares of each (bins, terms) design with no term below 0.

    Block pivoting: terms that come out below 0 are left out, those left out that would better the
    fit come back, until neither happens.
    """
    heavy = (design * weight[None, :, None]).transpose(0, 2, 1)
    normal, wanted = heavy @ design, (heavy @ counts[:, None])[..., 0]
    scale = np.sqrt(np.maximum(np.einsum("nii->ni", normal), 1e-30))
    normal, wanted = normal / scale[:, :, None] / scale[:, None, :], wanted / scale
    normal += 1e-9 * np.eye(normal.shape[1])
    held = np.ones(wanted.shape, dtype=bool)
    solved = np.zeros_like(wanted)
    for _ in range(_PIVOTS):
        both = held[:, :, None] & held[:, None, :]
        part = np.where(both, normal, np.eye(normal.shape[1]))
        solved = np.linalg.solve(part, np.where(held, wanted, 0.0)[..., None])[..., 0]
        wants = wanted - (normal @ solved[..., None])[..., 0]
        wrong = np.where(held, solved < -1e-9, wants > 1e-9 * np.abs(wanted).max())
        if not wrong.any():
            break
        held ^= wrong
    return np.asarray(np.maximum(solved, 0.0) / scale)


def _normal_share(off: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import ndtr

    return np.asarray(ndtr(off))


def _threshold(histogram: NDArray[np.int64], count: float, level: float, width: float) -> int:
    """Return the level from which on about `count` photosites stand, near the heap."""
    low, high = max(math.floor(level - 4.0 * width), 0), math.ceil(level + 2.0 * width)
    standing = np.cumsum(histogram[::-1])[::-1][low : high + 1]
    return low + int(np.argmin(np.abs(standing - count)))
