"""Heapfit: the shape of a heap of full photosites on whatever light lies under it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

WIDEST = 0.55
"""A heap wider than this, in shot noise due at its level, can't be told from a wall."""

LEAST = 30
"""Fewer photosites make no heap."""

_HUMPS = (
    np.arange(-1.0, 4.6, 0.8),
    np.empty(0),
    np.arange(-0.6, 4.0, 1.5),
    np.arange(-1.0, 4.3, 0.4),
)
"""Where humps of light stand, in shot noises from the lowest level that is fitted: four tries."""

_PRICE = 3.0
"""What one more hump must better the misfit by."""

_BELOW, _ABOVE = 2.5, 2.5
_ROUNDS, _LEVELS_TRIED, _WIDTHS_TRIED = 6, 9, 5
_PIVOTS = 12
_SPIKED, _NEAR = 0.6, 3
_BESIDE = 0.004
"""Share of a spike's height from which on the level under it belongs to it."""


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


def fit_heap(histogram: NDArray[np.int64], place: float, noise: float) -> Heap | None:
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
    if width > WIDEST * noise or count < LEAST:
        return None
    return Heap(level, width, count, _threshold(histogram, count, level, width + bin_levels / 4.0))


def _spike(histogram: NDArray[np.int64], place: float, noise: float) -> Heap | None:
    """Return a heap of one level: it holds most of what is near it and next to all from it on."""
    start = max(int(place - noise), 0)
    level = start + int(np.argmax(histogram[start : int(place + noise) + 1]))
    count = int(histogram[level])
    near = int(histogram[max(level - _NEAR, 0) : level + _NEAR + 1].sum())
    beyond = int(histogram[level : level + math.ceil(2.0 * noise)].sum())
    if noise < _NEAR or count < max(_SPIKED * near, 0.9 * beyond, LEAST):
        return None
    return _spread_spike(histogram, level, noise)


def _spread_spike(histogram: NDArray[np.int64], level: int, noise: float) -> Heap:
    """Return a spike with the levels beside it that a spread of less than a level reaches."""
    low = max(level - _NEAR, 0)
    under = histogram[max(level - math.ceil(noise), 0) : low]
    light = float(np.median(under)) if len(under) else 0.0
    places = np.arange(low, min(level + _NEAR + 1, len(histogram)))
    own = np.maximum(histogram[places] - light, 0.0)
    middle = float(own @ places) / float(own.sum())
    width = math.sqrt(float(own @ (places - middle) ** 2) / float(own.sum()))
    threshold = level
    while threshold > low and histogram[threshold - 1] > 3.0 * light + _BESIDE * own.max():
        threshold -= 1
    return Heap(float(level), width, float(histogram[level]), threshold)


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
    bins = max(8, int((_BELOW + _ABOVE) * noise / wide) + 1)
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
    solved, least = np.zeros_like(wanted), 1e-9 * np.abs(wanted).max()
    open_ones = np.arange(len(wanted))
    for _ in range(_PIVOTS):
        own, some, aim = held[open_ones], normal[open_ones], wanted[open_ones]
        part = np.where(own[:, :, None] & own[:, None, :], some, np.eye(some.shape[1]))
        found = np.linalg.solve(part, np.where(own, aim, 0.0)[..., None])
        solved[open_ones] = found[..., 0]
        wants = aim - (some @ found)[..., 0]
        wrong = np.where(own, found[..., 0] < -1e-9, wants > least)
        unsettled = wrong.any(axis=1)
        if not unsettled.any():
            break
        held[open_ones] ^= wrong
        open_ones = open_ones[unsettled]
    return np.asarray(np.maximum(solved, 0.0) / scale)


def _normal_share(off: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import ndtr

    return np.asarray(ndtr(off))


def _threshold(histogram: NDArray[np.int64], count: float, level: float, width: float) -> int:
    """Return the level from which on about `count` photosites stand, near the heap."""
    low, high = max(math.floor(level - 4.0 * width), 0), math.ceil(level + 2.0 * width)
    standing = np.cumsum(histogram[::-1])[::-1][low : high + 1]
    return low + int(np.argmin(np.abs(standing - count)))
