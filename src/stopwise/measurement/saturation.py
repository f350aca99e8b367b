"""Saturation peaks: where photosites stand together because they are full, told from light.

Photon noise blurs whatever light falls on a sensor, so the histogram of light, however even or
textured, is some distribution convolved with a normal one of the shot noise's width s. Then its
logarithm nowhere curves down faster than 1/s^2: (log f)'' = -1/s^2 + (a variance)/s^4. A peak of
full photosites is narrower than s and does curve faster; that is the test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

LOWEST = 0.82
"""Peaks are looked for from this fraction of the named white on: one real camera stops at 0.93 of
it (3 800 of 4 095); the rest is room."""

MOST_HOT = 1e-4
"""Share of all photosites that may stand above a peak: hot ones, which no light filled."""

_HOT_IN_PEAK = 0.03
"""Of the peak's own count, what may stand above it in any case (set on our own renderer)."""

WIDEST = 0.55
"""A peak wider than this, in shot noise due at its level, can't be told from a lit wall (set on our
own renderer)."""

LEAST = 30
"""Fewer photosites make no peak: their number scatters by a fifth."""

_SCALES = (1.0, 0.7, 0.45)
"""Windows, in shot noises, over which the curvature is taken."""

_SURE = 5.0
"""Standard errors by which the curvature must be beyond light's."""

_STEEPER = 0.77
"""Of a window's count what a peak may at least be expected to hold: leaves room for a gain that is
read too low (set on our own renderer)."""

_MOST_PLACES = 8
"""Places that one scale may name."""

_LIGHT = (
    np.arange(-1.0, 4.6, 0.8),
    np.empty(0),
    np.arange(-0.6, 4.0, 1.5),
    np.arange(-1.0, 4.3, 0.4),
)
"""Where normal components of light stand, in shot noises from the lowest level that is fitted: four
tries, from none to one every 0.4 noise."""

_PRICE = 3.0
"""What one more component of light must better the misfit (chi square) by: between the 2 and the
log(n) of the usual criteria, for the 60 bins that are fitted."""

_REACH = 2.5
"""Shot noises to either side of a place that are fitted."""

_ROUNDS, _LEVELS_TRIED, _WIDTHS_TRIED, _PIVOTS = 6, 9, 5, 12
"""Rounds of the search, levels and widths of each, and rounds of the bounded fit."""

_SPIKED, _NEAR = 0.6, 3
"""Share of what stands within three levels that one level must hold to be a spike."""

_BESIDE = 0.004
"""Share of a spike's height from which on the level under it belongs to it (set on our own
renderer)."""


@dataclass(frozen=True, slots=True)
class SaturationPeak:
    """Where photosites of one colour stop.

    Attributes
    ----------
    level
        Middle of the peak, raw levels.
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


def find_peak(
    histogram: NDArray[np.int64],
    *,
    lowest: float,
    due: Callable[[float], float],
    holds: Callable[[SaturationPeak], bool],
) -> SaturationPeak | None:
    """Find the peak of full photosites in the histogram of one colour.

    Parameters
    ----------
    histogram
        int64 (65536,), photosites at each raw level.
    lowest
        Raw level from which on a peak is looked for.
    due
        Shot noise due at a raw level, levels.
    holds
        Whether a peak lies in the picture as full photosites do; the last test of each.

    Returns
    -------
    SaturationPeak or None
        The topmost peak that passes. None where the histogram's logarithm nowhere curves faster
        than light's can, or where too many photosites stand above.
    """
    first = max(int(lowest), 0)
    occupied = np.flatnonzero(histogram[first:]) + first
    if len(occupied) == 0 or histogram[occupied].sum() < LEAST:
        return None
    for place in _curved_places(_without_comb(histogram, occupied), occupied, due):
        peak = fit_peak(histogram, place, due(place))
        if peak is None:
            continue
        above = int(histogram[math.ceil(peak.level + 4.0 * peak.width + 1.0) :].sum())
        most = min(MOST_HOT * int(histogram.sum()), 0.5 * peak.count)
        if above <= max(most, _HOT_IN_PEAK * peak.count) and holds(peak):
            return peak
    return None


def _without_comb(histogram: NDArray[np.int64], occupied: NDArray[np.intp]) -> NDArray[np.float64]:
    """Return the histogram with the gaps that compression leaves between levels filled evenly."""
    gap = comb_step(occupied)
    counts = histogram.astype(np.float64)
    if gap <= 1:
        return counts
    total = np.concatenate([[0.0], np.cumsum(counts)])
    start = np.clip(np.arange(len(counts)) - gap // 2, 0, len(counts))
    return np.asarray((total[np.minimum(start + gap, len(counts))] - total[start]) / gap)


def comb_step(occupied: NDArray[np.intp]) -> int:
    """Return the step from one occupied level (n,) to the next that all share, at least 1."""
    return max(1, int(np.gcd.reduce(np.diff(occupied)))) if len(occupied) >= 4 else 1


def _curved_places(
    counts: NDArray[np.float64], occupied: NDArray[np.intp], due: Callable[[float], float]
) -> Iterator[float]:
    """Yield the middles of windows that curve down faster than light can, from the top down."""
    low, high = int(occupied[0]), int(occupied[-1])
    noise = due(low)
    total = np.concatenate([[0.0], np.cumsum(counts)])
    places: list[float] = []
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
        for _ in range(_MOST_PLACES):
            at = int(np.argmax(sure))
            if sure[at] <= _SURE:
                break
            places.append(float(starts[at] + wide / 2.0))
            sure[max(at - 3 * wide, 0) : at + 3 * wide + 1] = 0.0
    last = math.inf
    for place in sorted(places, reverse=True):
        if last - place > noise:
            last = place
            yield place


# --- the fit --------------------------------------------------------------------------------------


def fit_peak(histogram: NDArray[np.int64], place: float, noise: float) -> SaturationPeak | None:
    """Fit a peak on a slope of light that ends at it.

    Parameters
    ----------
    histogram
        int64 (65536,), photosites at each raw level.
    place, noise
        Where it may be, and the shot noise due there, raw levels.

    Returns
    -------
    SaturationPeak or None
        None where it is too wide, or holds too few photosites.
    """
    spike = _spike(histogram, place, noise)
    if spike is not None:
        return spike
    edges, counts = _binned(histogram, place, noise)
    start = _Trial(place, 0.3 * noise, noise, 1.2 * noise, 4.0)
    rough = _searched(edges, counts, start, _LIGHT[0])
    near = replace(rough, reach_level=0.3 * noise, reach_width=1.6)
    trials = [rough, *(_searched(edges, counts, near, light) for light in _LIGHT[1:])]
    best = min(trials, key=lambda trial: trial.misfit + _PRICE * trial.components)
    if best.width > WIDEST * noise or best.count < LEAST:
        return None
    # as many photosites are to stand from the threshold on as are full
    bin_levels = round(float(edges[1] - edges[0]))
    reach = best.width + bin_levels / 4.0
    low = max(math.floor(best.level - 4.0 * reach), 0)
    standing = np.cumsum(histogram[::-1])[::-1][low : math.ceil(best.level + 2.0 * reach) + 1]
    threshold = low + int(np.argmin(np.abs(standing - best.count)))
    return SaturationPeak(best.level, best.width, best.count, threshold)


def _spike(histogram: NDArray[np.int64], place: float, noise: float) -> SaturationPeak | None:
    """Return a peak of one level: it holds most of what is near it and next to all from it on.

    The levels beside it that a spread of less than a level reaches belong to it.
    """
    start = max(int(place - noise), 0)
    level = start + int(np.argmax(histogram[start : int(place + noise) + 1]))
    count, low = int(histogram[level]), max(level - _NEAR, 0)
    near = int(histogram[low : level + _NEAR + 1].sum())
    beyond = int(histogram[level : level + math.ceil(2.0 * noise)].sum())
    if noise < _NEAR or count < max(_SPIKED * near, 0.9 * beyond, LEAST):
        return None
    under = histogram[max(level - math.ceil(noise), 0) : low]
    light = float(np.median(under)) if len(under) else 0.0
    places = np.arange(low, min(level + _NEAR + 1, len(histogram)))
    own = np.maximum(histogram[places] - light, 0.0)
    middle = float(own @ places) / float(own.sum())
    width = math.sqrt(float(own @ (places - middle) ** 2) / float(own.sum()))
    threshold = level
    while threshold > low and histogram[threshold - 1] > 3.0 * light + _BESIDE * own.max():
        threshold -= 1
    return SaturationPeak(float(level), width, float(count), threshold)


@dataclass(frozen=True, slots=True)
class _Trial:
    """A peak's level and width, the shot noise there, how far to look round, and what was found."""

    level: float
    width: float
    noise: float
    reach_level: float = 0.0
    reach_width: float = 0.0
    count: float = 0.0
    misfit: float = math.inf
    components: int = 0


def _binned(
    histogram: NDArray[np.int64], place: float, noise: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return edges (bins + 1,) and counts (bins,) round a place, whole numbers of levels wide."""
    wide = max(1, round(noise / 12.0))
    start = max(int(place - _REACH * noise), 0)
    bins = max(8, int(2.0 * _REACH * noise / wide) + 1)
    bins = (min(start + bins * wide, len(histogram)) - start) // wide
    counts = histogram[start : start + bins * wide].reshape(bins, wide).sum(axis=1)
    edges = start - 0.5 + wide * np.arange(bins + 1, dtype=np.float64)
    return edges, counts.astype(np.float64)


def _searched(
    edges: NDArray[np.float64],
    counts: NDArray[np.float64],
    start: _Trial,
    components: NDArray[np.float64],
) -> _Trial:
    """Return the peak that fits best with light of these components.

    Each photosite shows the lesser of its light and its own full level. Those levels are normal
    (level, width); light is a sum of normal components as wide as shot noise, none below 0, and of
    light far above. Level and width are found by search, the rest is linear.
    """
    from scipy.special import ndtr

    below = ndtr((edges[:, None] - edges[0] - start.noise * components) / start.noise)
    weight, best = 1.0 / (counts + 1.0), start
    for _ in range(_ROUNDS):
        levels = best.level + best.reach_level * np.linspace(-1.0, 1.0, _LEVELS_TRIED)
        widths = best.width * best.reach_width ** np.linspace(-1.0, 1.0, _WIDTHS_TRIED)
        widths = np.clip(widths, 0.2, 2.0 * best.noise)
        tried = np.stack(np.meshgrid(levels, widths), axis=-1).reshape(-1, 2)
        share = ndtr((edges - tried[:, :1]) / tried[:, 1:])
        full = np.diff(share, axis=1)[..., None]
        free = (1.0 - (share[:, :-1] + share[:, 1:]) / 2.0)[..., None]
        # light that meets its photosite's level stops there: (bins, components) lie in the peak
        stopped = full * (1.0 - (below[:-1] + below[1:]) / 2.0)
        design = np.concatenate([full, free * np.diff(below, axis=0) + stopped], axis=2)
        solved = _none_below_0(design, counts, weight)
        model = (design @ solved[..., None])[..., 0]
        misfit = ((model - counts) ** 2 * weight).sum(axis=1)
        held = solved[:, 0] + (solved[:, 1:] * stopped.sum(axis=1)).sum(axis=1)
        at = int(np.argmin(misfit))
        # weighed by the model, as its own counts would draw the fit to the low ones
        weight = 1.0 / np.maximum(model[at], 1.0)
        best = replace(
            best,
            level=float(tried[at, 0]),
            width=float(tried[at, 1]),
            reach_level=best.reach_level / 3.0,
            reach_width=math.sqrt(best.reach_width),
            count=float(held[at]),
            misfit=float(misfit[at]),
            components=len(components),
        )
    return best


def _none_below_0(
    design: NDArray[np.float64], counts: NDArray[np.float64], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return weighted least squares of each (bins, terms) of a (n, bins, terms) design, none < 0.

    Block pivoting, by hand since 45 fits are solved at once and scipy.optimize stays off the
    verdict's way: terms that come out below 0 are left out, those left out that would better the
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
