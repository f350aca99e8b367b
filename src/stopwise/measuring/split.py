"""Split: how far lit is from shadow with no patches named, from the subject's own tones."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measuring.measurement import Ratio

if TYPE_CHECKING:
    from numpy.typing import NDArray

BINS = 512
"""Bins of the histogram of log2 Y that the split is made on."""

LEAST_CELLS = 400
"""Fewer cells than this make no heaps that can be told from chance."""

_MOST_CELLS = 400_000
_CLEAN_ASHMAN = 2.0
_LEAST_WEIGHT = 0.04
_LEAST_VALLEY = 0.2


@dataclass(frozen=True, slots=True)
class Heaps:
    """Two classes of log2 Y and how clearly they part.

    Attributes
    ----------
    cut
        Where the classes part, log2 Y.
    shadow, lit
        Median log2 Y of each class.
    share
        Between-class share of the variance, 0 to 1.
    ashman
        Ashman's D of two normal heaps fitted to the tones.
    weight
        Share of the cells in the smaller class.
    valley
        How deep the tones thin out between the heaps: 0 not at all, 1 to nothing.
    """

    cut: float
    shadow: float
    lit: float
    share: float
    ashman: float
    weight: float
    valley: float

    @property
    def apart(self) -> bool:
        """Whether there are two heaps and not one."""
        return (
            self.ashman > _CLEAN_ASHMAN
            and self.weight >= _LEAST_WEIGHT
            and self.valley >= _LEAST_VALLEY
        )


def split_ratio(
    luminance: NDArray[np.float32], subject: NDArray[np.bool_], *, floor: float = 0.0
) -> Ratio:
    """Return lit against shadow of a subject on which no patches are named.

    Parameters
    ----------
    luminance
        float32 (h, w), upright Y of each cell, anchor = 1.
    subject
        bool (h, w), cells of the subject: not backdrop, not clipped.
    floor
        Y under which a cell is noise and is left out.

    Returns
    -------
    Ratio
        `stops` is the median log2 Y of the lit class less that of the shadow class; None with
        `why` "too_few" or "one_heap". Its uncertainty is how far it moves while the cut wanders
        where the between-class share stays within a hundredth of its best.

    Notes
    -----
    The cut is Otsu's (N. Otsu, IEEE Transactions on Systems, Man and Cybernetics 9, 1979, 62-66).
    A single heap cut in two has a between-class share of 2/pi already, so that share can't refuse
    it; Ashman's D of two normal heaps fitted to the tones can: two heaps stand apart at D > 2
    (K. M. Ashman, C. M. Bird and S. E. Zepf, Astronomical Journal 108, 1994, 2348).
    """
    tones = _tones(luminance, subject, floor)
    if len(tones) < LEAST_CELLS:
        return Ratio(stops=None, by="split", why="too_few")
    heaps = part(tones)
    if heaps is None:
        return Ratio(stops=None, by="split", separability=0.0, ashman=0.0, why="one_heap")
    told = Ratio(stops=None, by="split", separability=heaps.share, ashman=heaps.ashman)
    if not heaps.apart:
        return replace(told, why="one_heap")
    return replace(told, stops=heaps.lit - heaps.shadow, uncertainty=_wander(tones))


def otsu(
    counts: NDArray[np.float64], centres: NDArray[np.float64]
) -> tuple[int, NDArray[np.float64]]:
    """Return Otsu's cut of a histogram.

    Parameters
    ----------
    counts, centres
        (bins,), how many values each bin holds and where it lies.

    Returns
    -------
    int, ndarray
        Last bin of the lower class, and the between-class share of the variance of each cut,
        (bins - 1,), 0 to 1.

    Raises
    ------
    ValueError
        If the values don't vary.
    """
    total = counts.sum()
    mean = (counts @ centres) / total
    spread = (counts @ (centres - mean) ** 2) / total
    if not spread > 0:
        msg = "a histogram with all its counts in one bin can't be cut"
        raise ValueError(msg)
    below = np.cumsum(counts)[:-1] / total
    first = np.cumsum(counts * (centres - mean))[:-1] / total
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(
            (below > 0) & (below < 1), first**2 / (below * (1.0 - below)) / spread, 0.0
        )
    return int(np.argmax(share)), share


def ashman_d(mean_1: float, sd_1: float, mean_2: float, sd_2: float) -> float:
    """Return Ashman's D of two normal heaps, sqrt(2) |m1 - m2| / sqrt(s1^2 + s2^2), no unit."""
    return math.sqrt(2.0) * abs(mean_1 - mean_2) / math.hypot(sd_1, sd_2)


def part(tones: NDArray[np.float64]) -> Heaps | None:
    """Part tones in two heaps.

    Parameters
    ----------
    tones
        (n,), log2 Y.

    Returns
    -------
    Heaps or None
        None where the tones don't vary.
    """
    counts, centres = _histogram(tones)
    if np.count_nonzero(counts) < 2:
        return None
    at, share = otsu(counts, centres)
    cut = (centres[at] + centres[at + 1]) / 2.0
    upper = tones > cut
    lit, shadow = float(np.median(tones[upper])), float(np.median(tones[~upper]))
    weight = float(np.mean(upper))
    return Heaps(
        cut=float(cut),
        shadow=shadow,
        lit=lit,
        share=float(share[at]),
        ashman=_fitted_ashman(counts, centres, at),
        weight=min(weight, 1.0 - weight),
        valley=_valley(counts, centres, at),
    )


def _tones(
    luminance: NDArray[np.float32], subject: NDArray[np.bool_], floor: float
) -> NDArray[np.float64]:
    held = luminance[subject]
    held = held[held > max(floor, 0.0)]
    every = max(1, len(held) // _MOST_CELLS)
    return np.log2(held[::every].astype(np.float64))


def _histogram(tones: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    low, high = np.percentile(tones, (0.05, 99.95))
    if not high > low:
        return np.array([float(len(tones))]), np.array([float(low)])
    counts, edges = np.histogram(np.clip(tones, low, high), bins=BINS, range=(low, high))
    return counts.astype(np.float64), (edges[:-1] + edges[1:]) / 2.0


def _fitted_ashman(
    counts: NDArray[np.float64], centres: NDArray[np.float64], at: int, *, rounds: int = 60
) -> float:
    """Return Ashman's D of two normal heaps fitted to a histogram, starting from a cut.

    Expectation and maximisation on the bins; a heap is never narrower than one bin.
    """
    width = centres[1] - centres[0]
    upper = (np.arange(len(counts)) > at).astype(np.float64)
    for _ in range(rounds):
        heaps = [_heap(counts, centres, share, width) for share in (1.0 - upper, upper)]
        dense = [w * np.exp(-0.5 * ((centres - m) / s) ** 2) / s for w, m, s in heaps]
        together = dense[0] + dense[1]
        upper = np.where(together > 0, dense[1] / np.where(together > 0, together, 1.0), upper)
    (_, mean_1, sd_1), (_, mean_2, sd_2) = heaps
    return ashman_d(mean_1, sd_1, mean_2, sd_2)


def _heap(
    counts: NDArray[np.float64],
    centres: NDArray[np.float64],
    share: NDArray[np.float64],
    width: float,
) -> tuple[float, float, float]:
    held = counts * share
    weight = max(float(held.sum()), 1e-9)
    mean = float(held @ centres) / weight
    spread = float(held @ (centres - mean) ** 2) / weight
    return weight / float(counts.sum()), mean, max(math.sqrt(spread), float(width))


def _valley(counts: NDArray[np.float64], centres: NDArray[np.float64], at: int) -> float:
    """Return how deep the tones thin out between the two heaps, 0 to 1.

    1 less the least of the smoothed counts between the heaps' peaks over the lower peak.
    """
    from scipy.ndimage import gaussian_filter1d

    mean = float(counts @ centres) / float(counts.sum())
    spread = math.sqrt(float(counts @ (centres - mean) ** 2) / float(counts.sum()))
    sigma = 0.12 * spread / float(centres[1] - centres[0])
    smooth = gaussian_filter1d(counts, max(sigma, 1.0), mode="constant")
    low, high = int(np.argmax(smooth[: at + 1])), at + 1 + int(np.argmax(smooth[at + 1 :]))
    peak = min(smooth[low], smooth[high])
    return float(1.0 - smooth[low : high + 1].min() / peak) if peak > 0 else 0.0


def _wander(tones: NDArray[np.float64]) -> float:
    """Return how far the ratio moves with the cut, as a standard uncertainty, stops."""
    counts, centres = _histogram(tones)
    _, share = otsu(counts, centres)
    near = np.flatnonzero(share >= share.max() - 0.01)
    ordered = np.sort(tones)
    stops = [_stops_at(ordered, float(centres[i])) for i in (near[0], near[-1] + 1)]
    return abs(stops[1] - stops[0]) / math.sqrt(12.0)


def _stops_at(ordered: NDArray[np.float64], cut: float) -> float:
    at = int(np.clip(np.searchsorted(ordered, cut), 1, len(ordered) - 1))
    return float(np.median(ordered[at:]) - np.median(ordered[:at]))
