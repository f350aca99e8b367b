"""Saturation peaks: where photosites of one colour may stop, fitted to its histogram.

A peak is fitted with the shelf of light that ends at it. Lit walls make peaks too: what parts them
from full photosites is :mod:`stopwise.measurement.evidence`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

LOWEST = 0.82
"""Peaks are looked for from this fraction of the named white on: one real camera stops at 0.93 of
it (3 800 of 4 095); the rest is room."""

MOST_HOT = 1e-4
"""Share of all photosites that may stand above a peak: hot ones, which no light filled."""

_HOT_IN_PEAK = 0.03
"""Of the peak's own count, what may stand above it in any case (set on our own renderer)."""

LEAST = 30
"""Fewer photosites make no peak: their number scatters by a fifth."""

_FEWEST_LEVELS = 4
"""Levels whose steps tell how a file's code goes: three steps share a factor by chance in one case
of six."""

_MANY_LEVELS = 8
"""Levels whose steps surely tell: seven share a factor by chance in one case of 120."""

_NARROWEST, _WIDER, _WIDEST = 0.3, 1.5, 0.02
"""Widths that are tried, one sigma: from 0.3 level on, each so many times the last, up to a share
of the range. Full wells scatter by 0.05 to 1 % (data sheets after EMVA 1288; from memory)."""

_LEAST_WIDTH = 0.15
"""Least width of a fit, one sigma, raw levels: a half of it lies within one whole level anyway."""

_SURE = 5.0
"""Standard errors by which a peak's place must hold more than the shelf below it."""

_FALLS = 1.3
"""How many times as many photosites must stand at a peak than just below it: a sum of light that
falls off towards its brightest part has fewer."""

_LEAST_EDGE = 300
"""Photosites just below an edge from which its fall is known to 6 % (1 / sqrt(n))."""

_EDGE_LEAVES, _WIDER_EDGE = 0.016, 1.2
"""What a normal edge leaves from 1.5 widths above it on, of what stands from 2.5 to 0.5 widths
below it: the integrals of its upper tail there, 0.0293 over 1.80. Each width tried is so many
times the last."""

_CUT_OFF = (0.0025, 0.005, 0.01)
"""Spreads, shares of the range, at which stops are looked for that a file's last level cuts off:
the upper part of 0.05 to 1 % (data sheets after EMVA 1288; from memory)."""

_OTHER_LEVEL = 0.1
"""Share of a peak that a second one must hold to be told as another stop."""

PEAKS_APART = 5.0
"""Widths below a peak from which on another is looked for: normal stops leave 1 in 3.5 million."""

_REACHES_DOWN, _REACH_UP = (8.0, 4.0), 5.0
"""Widths under and over a peak that are fitted; the nearer reach where the shelf bends."""

_NONE_REACHES = 5.0
"""Widths under a known stop: where light ends farther below it no photosite is full, as one of 3.5
million that are full stands there (normal distribution)."""

_FITS = 2.0
"""Chi square of a bin under which no other reach is tried."""

_BINS_A_WIDTH = 4.0
"""Bins of the fit to a peak's width."""

_LEVELS_TRIED, _WIDTHS_TRIED, _ROUNDS, _AGAIN = 9, 7, 5, 2
"""Levels and widths of each round of the search, its rounds, and times it is begun again."""


class ShotStop(NamedTuple):
    """Where a colour stops, and how that scatters from photosite to photosite (one sigma).

    Both in raw levels, from a frame that was shot far over.
    """

    level: float
    spread: float


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
    misfit
        Chi square of the fit for each of its bins: 1 of pure chance.
    stands_out
        Whether it stands over the shelf below; else it is the edge where a shelf ends.
    """

    level: float
    width: float
    count: float
    threshold: int
    misfit: float
    stands_out: bool = True

    def is_cut_off(self, top: float) -> bool:
        """Whether it stands on the last level alone: the photosites' own stops may lie lower."""
        return self.width < _NARROWEST and self.level > top - 0.5


def find_peaks(
    histogram: NDArray[np.int64], *, lowest: float, span: float
) -> tuple[SaturationPeak, ...]:
    """Find what may be a peak of full photosites in the histogram of one colour.

    Parameters
    ----------
    histogram
        int64 (65536,), photosites at each raw level.
    lowest
        Raw level from which on a peak is looked for.
    span
        Raw levels from black to the named white.

    Returns
    -------
    tuple of SaturationPeak
        From the top down. Next to nothing stands above each; lit walls are among them. Where none
        stands out over the shelf below it, the shelf's own edge: light that just passes the stops
        fills few photosites, but its edge is no wider than they scatter.
    """
    first = max(int(lowest), 0)
    occupied = np.flatnonzero(histogram[first:]) + first
    if len(occupied) == 0 or histogram[occupied].sum() < LEAST:
        return ()
    if _is_coded(histogram, occupied):
        histogram = _spread_out(histogram, occupied)
        occupied = np.flatnonzero(histogram[first:]) + first
    gap = comb_step(occupied)

    def fitted(level: float, width: float) -> SaturationPeak | None:
        peak = fit_peak(histogram, level, width, occupied=occupied)
        is_right = peak is not None and peak.level >= lowest and _ends(histogram, peak)
        return peak if is_right else None

    peaks: list[SaturationPeak] = []
    for level, width in _places(histogram, occupied, gap, span):
        peak = fitted(level, width)
        if peak is not None and not any(_is_same(peak, one, gap) for one in peaks):
            peaks.append(peak)
    top = int(occupied[-1])
    if histogram[top] >= LEAST:  # no light ends so: what stops higher is counted there
        for share in _CUT_OFF:
            peak = fitted(top - share * span, share * span)
            if peak is None or peak.width > _WIDEST * span:
                continue
            if not any(_is_same(peak, one, gap) for one in peaks):
                peaks.append(replace(peak, stands_out=False))
    if not peaks:
        edge = _top_edge(histogram, occupied, gap, span)
        peak = None if edge is None else fitted(*edge)
        return () if peak is None else (replace(peak, stands_out=False),)
    return tuple(sorted(peaks, key=lambda peak: -peak.level))


def second_peaks(
    histogram: NDArray[np.int64], peak: SaturationPeak, *, lowest: float, span: float
) -> tuple[SaturationPeak, ...]:
    """Find peaks below one of full photosites, as amplifiers whose stops part make them.

    Parameters
    ----------
    histogram
        int64 (65536,), photosites at each raw level.
    lowest, span
        As for `find_peaks`.
    peak
        What is full already.

    Returns
    -------
    tuple of SaturationPeak
        Those that stand out and hold a tenth of it at least; lit walls are among them.
    """
    below = histogram.copy()
    below[int(peak.level - PEAKS_APART * peak.width) :] = 0
    found = find_peaks(below, lowest=lowest, span=span)
    return tuple(one for one in found if one.stands_out and one.count > _OTHER_LEVEL * peak.count)


def _is_same(peak: SaturationPeak, other: SaturationPeak, gap: int) -> bool:
    near = abs(peak.level - other.level) < 0.5 * min(peak.width, other.width) + gap
    return near and 0.7 < (peak.width + gap) / (other.width + gap) < 1.4


def _ends(histogram: NDArray[np.int64], peak: SaturationPeak) -> bool:
    """Whether next to nothing stands above a peak: hot photosites alone."""
    above = int(histogram[math.ceil(peak.level + 4.0 * peak.width + 1.0) :].sum())
    most = min(MOST_HOT * int(histogram.sum()), 0.5 * peak.count)
    return peak.count >= LEAST and above <= max(most, _HOT_IN_PEAK * peak.count)


def comb_step(occupied: NDArray[np.intp]) -> int:
    """Return the step from one occupied level (n,) to the next that all share, at least 1."""
    few = len(occupied) < _FEWEST_LEVELS
    return 1 if few else max(1, int(np.gcd.reduce(np.diff(occupied))))


def _light_below(histogram: NDArray[np.int64], level: float, width: float) -> NDArray[np.intp]:
    """Return the levels (n,) that occur so far below a peak that none is full.

    Full photosites may scatter over levels that a coarse code leaves out of the light.
    """
    high = max(int(level - PEAKS_APART * width), 0)
    low = max(int(level - 3.0 * PEAKS_APART * width), 0)
    return np.flatnonzero(histogram[low:high]) + low


def _is_coded(histogram: NDArray[np.int64], occupied: NDArray[np.intp]) -> bool:
    """Tell whether a file's code leaves out levels in steps that differ, as a curve's table does.

    Levels that hold many leave none between them empty by chance; one step that all share is a
    comb's.
    """
    if len(occupied) < _FEWEST_LEVELS or float(np.median(histogram[occupied])) < LEAST:
        return False
    return comb_step(occupied) < float(np.median(np.diff(occupied)))


def _spread_out(histogram: NDArray[np.int64], occupied: NDArray[np.intp]) -> NDArray[np.int64]:
    """Return a histogram with what stands on each level spread evenly over what its code holds.

    That reaches half way to its neighbours; what stands on the topmost level stays.
    """
    ends = np.append((occupied[:-1] + occupied[1:] + 1) // 2, occupied[-1])
    starts = np.append(occupied[0], ends[:-1])
    spread = histogram.copy()
    spread[starts[-1] : occupied[-1]] = 0
    for level, start, end in zip(occupied[:-1], starts[:-1], ends[:-1], strict=True):
        share, left = divmod(int(histogram[level]), int(end - start))
        spread[start:end] = share
        spread[start : start + left] += 1
    return spread


def _top_edge(
    histogram: NDArray[np.int64], occupied: NDArray[np.intp], gap: int, span: float
) -> tuple[float, float] | None:
    """Return place and width, raw levels, of the edge at which photosites end; None without one.

    The narrowest over which the light below falls to what a normal edge leaves above it.
    """
    standing = _Standing(histogram)
    width = max(_NARROWEST, gap / 2.0)
    while width <= max(_WIDEST * span, _NARROWEST):
        level = _grid(occupied, gap, width)
        below = standing(level - 2.5 * width, level - 0.5 * width)
        above = standing(level + 1.5 * width, np.full_like(level, len(histogram)))
        hot = np.minimum(MOST_HOT * standing.all, _HOT_IN_PEAK * below)
        falls = (below >= _LEAST_EDGE) & (above <= _EDGE_LEAVES * below + hot)
        if falls.any():
            return float(level[np.argmax(np.where(falls, below, 0.0))]) - 0.5, width
        width *= _WIDER_EDGE
    return None


class _Standing:
    """Photosites between levels of a histogram, by its running sum."""

    def __init__(self, histogram: NDArray[np.int64]) -> None:
        self._sums = np.concatenate([[0.0], np.cumsum(histogram, dtype=np.float64)])
        self.all = float(self._sums[-1])

    def __call__(self, start: NDArray[Any], stop: NDArray[Any]) -> NDArray[np.float64]:
        """Return how many stand from each `start` up to each `stop`, (n,)."""
        most = len(self._sums) - 1
        ends = [np.clip(np.rint(end), 0, most).astype(np.intp) for end in (start, stop)]
        return np.asarray(self._sums[ends[1]] - self._sums[ends[0]])


def _grid(occupied: NDArray[np.intp], gap: int, width: float) -> NDArray[np.float64]:
    """Return levels to try for a width, whole steps of those that occur."""
    step = gap * max(1, int(width / _BINS_A_WIDTH / gap))
    return np.arange(int(occupied[0]), int(occupied[-1]) + 1, step, dtype=np.float64) + 0.5


def _places(
    histogram: NDArray[np.int64], occupied: NDArray[np.intp], gap: int, span: float
) -> Iterator[tuple[float, float]]:
    """Yield places and widths, raw levels, that stand out over the shelf below them.

    Of each place the width at which it stands out most.
    """
    standing = _Standing(histogram)
    found: list[tuple[float, float, float]] = []  # how clear, the level, the width
    width = max(_NARROWEST, gap / 2.0)
    while width <= max(_WIDEST * span, _NARROWEST):
        level = _grid(occupied, gap, width)
        half = max(width, gap / 2.0)
        here = standing(level - half, level + half)
        below = standing(level - 5.0 * half, level - 3.0 * half)
        above = standing(level + 4.0 * half, np.full_like(level, len(histogram)))
        ends = above <= np.maximum(
            2.0 * _HOT_IN_PEAK * here, np.minimum(MOST_HOT * standing.all, 0.5 * here)
        )
        clear = (here - _FALLS * below) / np.sqrt(here + _FALLS**2 * below + 1.0)
        clear = np.where(ends & (here >= LEAST / 2.0), clear, 0.0)
        at = int(np.argmax(clear))
        found.append((float(clear[at]), float(level[at]) - 0.5, width))
        width *= _WIDER
    for number, (clear_by, place, width) in enumerate(found):
        beside = [*found[max(number - 1, 0) : number], *found[number + 1 : number + 2]]
        same = [other for other in beside if abs(other[1] - place) <= max(other[2], width) + gap]
        if clear_by > _SURE and all(clear_by >= other[0] for other in same):
            yield place, width


# --- the fit --------------------------------------------------------------------------------------


def fit_peak(
    histogram: NDArray[np.int64], level: float, width: float, *, occupied: NDArray[np.intp]
) -> SaturationPeak | None:
    """Fit a peak on a shelf of light that ends at it.

    Parameters
    ----------
    histogram
        int64 (65536,), photosites at each raw level.
    level, width
        Where it may be and how wide, raw levels.
    occupied
        (n,), the levels at which photosites stand, from where peaks are looked for on.

    Returns
    -------
    SaturationPeak or None
        None where nothing of the peak is left in the fit.

    Notes
    -----
    Each photosite shows the lesser of its light and its own stop. With stops that are normal
    (level, width), light that is a straight shelf near them, and N photosites that light above the
    stops fills, the density at v is phi(v) N + (1 - Phi(v)) shelf(v). Level and width are found by
    search, the rest is linear. The topmost level holds all that the converter can't count further.
    """
    light = _light_below(histogram, level, width)
    gap = comb_step(light if len(light) >= _MANY_LEVELS else occupied)
    top = int(occupied[-1])
    tried = []
    for reach in _REACHES_DOWN:
        tried.append(_searched(histogram, level, width, gap=gap, top=top, reach=reach))
        if tried[-1][3] < _FITS:
            break
    level, width, held, misfit = min(tried, key=lambda found: found[3])
    if held < LEAST:
        return None
    threshold = _threshold(histogram, level, width, held, occupied=occupied)
    return SaturationPeak(level, width, held, threshold, misfit)


def full_from(histogram: NDArray[np.int64], stop: ShotStop) -> int:
    """Return the raw level from which on as many photosites stand as are full.

    Parameters
    ----------
    histogram
        int64 (65536,), photosites at each raw level.
    stop
        Where they stop, known from another frame.

    Returns
    -------
    int
        The whole level at or above the stop where none is full.
    """
    level, width = stop.level, max(stop.spread, _LEAST_WIDTH)
    occupied, none = np.flatnonzero(histogram), math.ceil(level)
    if len(occupied) == 0 or int(occupied[-1]) < level - _NONE_REACHES * width - 1.0:
        return none
    gap, top = comb_step(occupied), int(occupied[-1])
    reach = _REACHES_DOWN[0]
    edges, counts = _binned(histogram, level, width, gap=gap, top=top, reach=reach)
    weight, held = 1.0 / (counts + 1.0), 0.0
    for _ in range(_AGAIN):
        model, filled = _modelled(edges, counts, weight, np.array([[level, width]]))
        held, weight = float(filled[0]), 1.0 / np.maximum(model[0], 1.0)
    return _threshold(histogram, level, width, held, occupied=occupied) if held >= 0.5 else none


def _threshold(
    histogram: NDArray[np.int64],
    level: float,
    width: float,
    held: float,
    *,
    occupied: NDArray[np.intp],
) -> int:
    """Return the raw level from which on as many photosites stand as a peak holds."""
    low = max(math.floor(level - 5.0 * width - comb_step(occupied)), 0)
    standing = np.cumsum(histogram[::-1])[::-1][low : int(occupied[-1]) + 2]
    return low + int(np.argmin(np.abs(standing - held)))


def _searched(
    histogram: NDArray[np.int64], level: float, width: float, *, gap: int, top: int, reach: float
) -> tuple[float, float, float, float]:
    """Return level, width, photosites held and misfit of the best peak near a place."""
    held, least = 0.0, math.inf
    for _ in range(_AGAIN):
        edges, counts = _binned(histogram, level, width, gap=gap, top=top, reach=reach)
        weight = 1.0 / (counts + 1.0)
        reach_level, reach_width = width, 0.9
        for _ in range(_ROUNDS):
            levels = np.minimum(
                level + reach_level * np.linspace(-1.0, 1.0, _LEVELS_TRIED), float(top)
            )
            widths = width * np.exp(reach_width * np.linspace(-1.0, 1.0, _WIDTHS_TRIED))
            widths = np.maximum(widths, _LEAST_WIDTH)
            tried = np.stack(np.meshgrid(levels, widths), axis=-1).reshape(-1, 2)
            model, filled = _modelled(edges, counts, weight, tried)
            misfit = ((model - counts) ** 2 * weight).mean(axis=1)
            best = int(np.argmin(misfit))
            level, width = (float(part) for part in tried[best])
            held, least = float(filled[best]), float(misfit[best])
            # weighed by the model, as its own counts would draw the fit to the low ones
            weight = 1.0 / np.maximum(model[best], 1.0)
            reach_level, reach_width = reach_level / 2.0, reach_width / 2.0
    return level, width, held, least


def _binned(
    histogram: NDArray[np.int64], level: float, width: float, *, gap: int, top: int, reach: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return edges (bins + 1,) and counts (bins,) round a peak; the topmost level stands alone."""
    wide = gap * max(1, int(width / _BINS_A_WIDTH / gap))
    low = level - reach * width - 2.0 * gap
    high = min(level + _REACH_UP * width + 3.0 * gap, float(top))
    # whole steps of the levels that occur, each in the middle of its own
    bins = max(math.ceil((high - low) / wide), 4)
    stop = top - gap // 2 - gap * max(0, int((top - high) / gap))
    start = stop - bins * wide
    if start < 0:
        bins, start = stop // wide, stop % wide
    counts = histogram[start:stop].reshape(bins, wide).sum(axis=1)
    edges = start - 0.5 + wide * np.arange(bins + 1.0)
    rest = histogram[stop : top + 1].sum() if stop + gap > top else 0
    return np.append(edges, np.inf), np.append(counts, rest).astype(np.float64)


def _modelled(
    edges: NDArray[np.float64],
    counts: NDArray[np.float64],
    weight: NDArray[np.float64],
    tried: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the best model (n, bins) for each level and width (n, 2), and photosites filled (n,).

    The shelf is straight where it stays above 0 all along, else even, else nothing.
    """
    from scipy.special import ndtr

    level, width = tried[:, :1], tried[:, 1:]
    share = ndtr((edges - level) / width)
    full = np.diff(share, axis=1)
    wide = np.diff(edges[:-1])
    wide = np.append(wide, wide[-1])
    middle = np.append((edges[1:-1] + edges[:-2]) / 2.0, edges[-2])
    under = (level - middle) / (level - edges[0])  # 0 at the peak, 1 where the fit begins
    free = (1.0 - (share[:, 1:] + share[:, :-1]) / 2.0) * wide
    # light that passes its photosite's own stop is filled; as much lies above as below the level
    even = free + full * (level - middle)
    design = np.stack([full, even, free * under], axis=2)
    heavy = (design * weight[None, :, None]).transpose(0, 2, 1)
    normal, wanted = heavy @ design, heavy @ counts
    normal[:, np.arange(3), np.arange(3)] *= 1.0 + 1e-9
    normal[:, np.arange(3), np.arange(3)] += 1e-12
    three = np.linalg.solve(normal, wanted[..., None])[..., 0]
    two = np.linalg.solve(normal[:, :2, :2], wanted[:, :2, None])[..., 0]
    one = wanted[:, 0] / normal[:, 0, 0]
    straight = (three[:, 1] >= 0.0) & (three[:, 1] + three[:, 2] >= 0.0)
    level_shelf = ~straight & (two[:, 1] >= 0.0)
    solved = np.zeros_like(three)
    solved[:, 0] = one
    solved[level_shelf, :2] = two[level_shelf]
    solved[straight] = three[straight]
    return (design @ solved[..., None])[..., 0], solved[:, 0]
