"""Parting: two heaps of tones, where they part and whether they are two."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_TONES = 400
"""Fewer tones than this make no heaps that can be told from chance."""

BINS = 512
"""Bins of the histogram of log2 Y that the cut is made on."""

_CLEAN_ASHMAN = 2.0
_LEAST_WEIGHT = 0.05
_LEAST_VALLEY = 0.1
_WIDEST_STOPS = 1.6
"""A heap that spreads wider than this (one sigma) is light and dark stuff, not light."""

_SMOOTHED = 0.1
"""Of the tones' spread: how far the histogram is smoothed before its valley is looked for."""


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
    widest
        The greater standard deviation of those two heaps, stops.
    weight
        Share of the tones in the smaller class.
    valley
        How deep the tones surely thin out between the heaps: 0 not at all, 1 to nothing.
    """

    cut: float
    shadow: float
    lit: float
    share: float
    ashman: float
    widest: float
    weight: float
    valley: float

    @property
    def apart(self) -> bool:
        """Whether there are two heaps, neither one nor a jumble."""
        return (
            self.ashman > _CLEAN_ASHMAN
            and self.widest <= _WIDEST_STOPS
            and self.weight >= _LEAST_WEIGHT
            and self.valley >= _LEAST_VALLEY
        )


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
    counts, centres = histogram(tones)
    if np.count_nonzero(counts) < 2:
        return None
    at, share = otsu(counts, centres)
    cut = (centres[at] + centres[at + 1]) / 2.0
    upper = tones > cut
    weight = float(np.mean(upper))
    (low, low_sd), (high, high_sd) = fit_two(counts, centres, at)
    return Heaps(
        cut=float(cut),
        shadow=float(np.median(tones[~upper])),
        lit=float(np.median(tones[upper])),
        share=float(share[at]),
        ashman=ashman_d(low, low_sd, high, high_sd),
        widest=max(low_sd, high_sd),
        weight=min(weight, 1.0 - weight),
        valley=_valley(counts, centres, at),
    )


def histogram(tones: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return counts and centres, (bins,), of tones; what lies far out is put in the end bins."""
    low, high = np.percentile(tones, (0.05, 99.95))
    if not high > low:
        return np.array([float(len(tones))]), np.array([float(low)])
    counts, edges = np.histogram(np.clip(tones, low, high), bins=BINS, range=(low, high))
    return counts.astype(np.float64), (edges[:-1] + edges[1:]) / 2.0


def fit_two(
    counts: NDArray[np.float64], centres: NDArray[np.float64], at: int, *, rounds: int = 60
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Fit two normal heaps to a histogram, from a cut on.

    Parameters
    ----------
    counts, centres
        (bins,), how many values each bin holds and where it lies.
    at
        Last bin of the lower class to begin with.
    rounds
        Of expectation and maximisation.

    Returns
    -------
    tuple
        Mean and standard deviation of the lower and of the upper heap, the unit of `centres`; a
        heap is never narrower than one bin.
    """
    width = centres[1] - centres[0]
    upper = (np.arange(len(counts)) > at).astype(np.float64)
    heaps = [_heap(counts, centres, share, width) for share in (1.0 - upper, upper)]
    for _ in range(rounds):
        dense = [w * np.exp(-0.5 * ((centres - m) / s) ** 2) / s for w, m, s in heaps]
        together = dense[0] + dense[1]
        upper = np.where(together > 0, dense[1] / np.where(together > 0, together, 1.0), upper)
        heaps = [_heap(counts, centres, share, width) for share in (1.0 - upper, upper)]
    return heaps[0][1:], heaps[1][1:]


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
    """Return how deep the tones surely thin out between the two heaps, 0 to 1.

    1 less the least of the smoothed counts between the heaps' peaks over the lower peak, both
    moved together by three times what chance may have parted them.
    """
    from scipy.ndimage import gaussian_filter1d

    mean = float(counts @ centres) / float(counts.sum())
    spread = math.sqrt(float(counts @ (centres - mean) ** 2) / float(counts.sum()))
    sigma = max(_SMOOTHED * spread / float(centres[1] - centres[0]), 1.0)
    smooth = gaussian_filter1d(counts, sigma, mode="constant")
    low, high = int(np.argmax(smooth[: at + 1])), at + 1 + int(np.argmax(smooth[at + 1 :]))
    peak, dip = float(min(smooth[low], smooth[high])), float(smooth[low : high + 1].min())
    # a Gaussian of s bins averages as many counts as 2 sqrt(pi) s bins hold
    chance = 3.0 * math.sqrt((peak + dip) / (2.0 * math.sqrt(math.pi) * sigma))
    return max(1.0 - (dip + chance) / peak, 0.0) if peak > 0 else 0.0
