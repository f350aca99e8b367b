"""Split: whether tones are of one class or two; lit and shadow of a subject, materials of a box.

By hand: scikit-image's `threshold_otsu` gives the cut alone, while the share of every cut is needed
for the ratio's uncertainty; a cut alone can't say that there is but one class; and its import takes
0.19 s of CPU time on the way of each first frame.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from stopwise.frame import window
from stopwise.grid import MEDIAN_FACTOR, pooled
from stopwise.measurement.figures import Ratio
from stopwise.measurement.light_edges import LEAST_STOPS, OTHER_TINT, OWN_SHADING, light_across

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.cells import Cells
    from stopwise.frame import Box
    from stopwise.measurement.light_edges import Colours

LEAST_TONES = 400
"""Fewer tones than this make no classes that can be told from chance."""

BINS = 512
"""Bins of the histogram of log2 Y that the cut is made on: a hundredth of a stop in a range of
five."""

_CLEAN_ASHMAN = 2.0
"""Ashman's D over which two normal classes stand apart (Ashman, Bird and Zepf 1994)."""

_LEAST_WEIGHT = 0.05
"""Share of the tones that the smaller class must hold (set on our own renderer)."""

_LEAST_VALLEY = 0.1
"""How deep tones must surely thin out between the classes (set on our own renderer)."""

_WIDEST_STOPS = 1.6
"""A class that spreads wider than this (one sigma) is light and dark materials, not light (set on
our own renderer)."""

_SMOOTHED = 0.1
"""Of the tones' spread: how far the histogram is smoothed before its valley is looked for."""

_FIT_ROUNDS = 60
"""Rounds of expectation and maximisation: classes that stand apart settle in some twenty."""

_MOST_TONES = 400_000
"""Tones that are looked at; more are evenly thinned out."""

_FLAT_SHARE = 0.01
"""The cut may lie wherever the between-class share is within this of its best."""

_SAME_MATERIAL_STOPS = 0.15
"""How far the tints of lit and shadow may lie apart; skin and white cloth lie 0.3 apart in R/G (set
on our own renderer)."""

_OWN_COLOUR_STOPS = 2.0 * _SAME_MATERIAL_STOPS
"""How far off neutral one material alone must be: any two greys part by less than a tint may."""

_PICTURE = 2
"""Axes of a picture: tones in a row have no edges to look at."""

_EDGE_BLOCKS, _EDGE_WIDTHS, _MOSTLY_USED = 120, (0.1, 0.2, 0.3, 0.45), 0.8
"""Blocks along the longer side on which edges are looked at; how far apart of it the two sides of
an edge are taken, from a hard edge to the turn of a face; and the share of a block that must count.
"""

_FEWEST_PAIRS = 40
"""Pairs of blocks that show an edge: as many as a third of a block row."""

_SAME_STEP_STOPS = 0.3
"""How far lit and shadow may lie from what they step by at their edge: what a ratio may be wrong
by. In 70 portraits that we did not make, lit from one side, pale skin against dark cloth lay 1.8
and 0.9 stop from it.
"""

LEAST_TINT = 0.35
"""Two classes of colour nearer than this, stops of R/G or B/G, are one material (set on our own
renderer)."""


@dataclass(frozen=True, slots=True)
class Mixture:
    """Two classes of log2 Y and how clearly they stand apart.

    Attributes
    ----------
    cut
        Where the classes meet, log2 Y.
    shadow, lit
        Median log2 Y of each class.
    share
        Between-class share of the variance, 0 to 1.
    ashman
        Ashman's D of two normal classes fitted to the tones, no unit.
    widest
        The greater standard deviation of those two classes, stops.
    weight
        Share of the tones in the smaller class.
    valley
        How deep the tones surely thin out between the classes: 0 not at all, 1 to nothing.
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
    def is_two(self) -> bool:
        """Whether there are two classes, neither one nor a jumble."""
        return (
            self.ashman > _CLEAN_ASHMAN
            and self.widest <= _WIDEST_STOPS
            and self.weight >= _LEAST_WEIGHT
            and self.valley >= _LEAST_VALLEY
        )


def mixture_of(tones: NDArray[np.float64]) -> Mixture | None:
    """Cut tones in two classes.

    Parameters
    ----------
    tones
        (n,), log2 Y.

    Returns
    -------
    Mixture or None
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
    return Mixture(
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
    """Return counts and centres, (bins,), of tones (n,), stops; the end bins hold the rest."""
    low, high = np.percentile(tones, (0.05, 99.95))
    if not high > low:
        return np.array([float(len(tones))]), np.array([float(low)])
    counts, edges = np.histogram(np.clip(tones, low, high), bins=BINS, range=(low, high))
    return counts.astype(np.float64), (edges[:-1] + edges[1:]) / 2.0


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
    """Return Ashman's D of two normal classes, sqrt(2) |m1 - m2| / sqrt(s1^2 + s2^2), no unit."""
    return math.sqrt(2.0) * abs(mean_1 - mean_2) / math.hypot(sd_1, sd_2)


def fit_two(
    counts: NDArray[np.float64], centres: NDArray[np.float64], at: int
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Fit two normal classes to a histogram by expectation and maximisation, from a cut on.

    Parameters
    ----------
    counts, centres
        (bins,), how many values each bin holds and where it lies.
    at
        Last bin of the lower class to begin with.

    Returns
    -------
    tuple
        Mean and standard deviation of the lower and of the upper class, the unit of `centres`; a
        class is never narrower than one bin.
    """
    bin_width, total = float(centres[1] - centres[0]), float(counts.sum())
    upper = (np.arange(len(counts)) > at).astype(np.float64)
    for turn in range(_FIT_ROUNDS + 1):
        classes = []
        for share in (1.0 - upper, upper):
            held = counts * share
            weight = max(float(held.sum()), 1e-9)
            mean = float(held @ centres) / weight
            spread = float(held @ (centres - mean) ** 2) / weight
            classes.append((weight / total, mean, max(math.sqrt(spread), bin_width)))
        if turn < _FIT_ROUNDS:
            dense = [w * np.exp(-0.5 * ((centres - m) / s) ** 2) / s for w, m, s in classes]
            both = dense[0] + dense[1]
            upper = np.where(both > 0, dense[1] / np.where(both > 0, both, 1.0), upper)
    return classes[0][1:], classes[1][1:]


def _valley(counts: NDArray[np.float64], centres: NDArray[np.float64], at: int) -> float:
    """Return how deep the tones surely thin out between the two classes, 0 to 1.

    1 less the least of the smoothed counts between the classes' peaks over the lower peak, both
    moved together by three times what chance may have moved them apart.
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


# --- lit and shadow -------------------------------------------------------------------------------


def split_ratio(
    luminance: NDArray[np.float32],
    subject: NDArray[np.bool_],
    *,
    floor: float = 0.0,
    colours: Colours | None = None,
) -> Ratio:
    """Return lit against shadow of a subject on which no patches are named.

    Parameters
    ----------
    luminance
        float32 of any shape, Y, anchor = 1: all cells, or an even lattice of them.
    subject
        bool of that shape, what is subject: not backdrop, not clipped.
    floor
        Y under which a cell is noise and is left out.
    colours
        Balanced R, G, B of that shape; None where the sensor has one colour, and then light and
        matter can't be told apart.

    Returns
    -------
    Ratio
        `stops` is the median log2 Y of the lit class less that of the shadow class; None with
        `why` "too_few", "one_heap" or "other_stuff". Its uncertainty is how far it moves while the
        cut wanders where the between-class share stays within a hundredth of its best, with the
        sampling of both medians and the material's own slope of tone; or how far materials part.

    Notes
    -----
    An edge of light that runs across several materials is told first, see `light_across`. One
    material alone must be all of the subject. Its cut is Otsu's (N. Otsu, IEEE Transactions on
    Systems, Man and Cybernetics 9, 1979, 62-66). A single class cut in two has a between-class
    share of 2/pi already, so that share can't refuse it; Ashman's D of two normal classes fitted to
    the tones can: two stand apart at D > 2 (K. M. Ashman, C. M. Bird and S. E. Zepf, Astronomical
    Journal 108, 1994, 2348). An even spread has D = 3, so the tones must thin out between the
    classes as well. In a picture lit and shadow must also meet at an edge of light: pairs of blocks
    of one tint to either side of it differ by what the classes do.
    """
    used = subject & (luminance > max(floor, 0.0))
    held = luminance[used]
    tones = np.log2(held[:: max(1, len(held) // _MOST_TONES)].astype(np.float64))
    if len(tones) < LEAST_TONES:
        return Ratio(stops=None, by="split", why="too_few")
    found = mixture_of(tones)
    if found is None:
        return Ratio(stops=None, by="split", separability=0.0, ashman=0.0, why="one_heap")
    told = Ratio(stops=None, by="split", separability=found.share, ashman=found.ashman)
    is_picture = luminance.ndim == _PICTURE
    if is_picture and colours is not None:
        across = light_across(luminance, used, colours, floor=floor)
        if across is not None:
            return replace(told, stops=across.stops, uncertainty=across.uncertainty)
    if not found.is_two:
        return replace(told, why="one_heap")
    if (
        colours is None
        or not _is_one_material(colours, used, luminance > 2.0**found.cut)
        or (is_picture and not _is_edge_of_light(luminance, used, found, colours))
    ):
        return replace(told, why="other_stuff")
    error = math.hypot(OWN_SHADING, _unsure(tones, found.cut))
    return replace(told, stops=found.lit - found.shadow, uncertainty=error)


def _is_one_material(colours: Colours, used: NDArray[np.bool_], upper: NDArray[np.bool_]) -> bool:
    """Whether a subject has one tint, lit and in shadow, that is a colour of its own.

    Greys have the tint of any grey. Medians are of each colour, so that noise cancels.
    """
    sides = [used & upper, used & ~upper]
    red, green, blue = ([float(np.median(one[side])) for side in sides] for one in colours)
    if min(*red, *green, *blue) <= 0.0:
        return False
    lit, shadow = np.log2([red, blue]).T - np.log2(green)[:, None]
    cells = np.log2(np.maximum(np.stack([one[used] for one in colours]), 1e-9))
    low, high = np.percentile(cells[[0, 2]] - cells[1], (10.0, 90.0), axis=1)
    return bool(
        np.all(np.abs(lit - shadow) <= _SAME_MATERIAL_STOPS)
        and np.abs([lit, shadow]).max() > _OWN_COLOUR_STOPS
        and np.all(high - low <= OTHER_TINT)
    )


def _is_edge_of_light(
    luminance: NDArray[np.float32],
    used: NDArray[np.bool_],
    found: Mixture,
    colours: Colours,
) -> bool:
    """Tell whether lit and shadow meet at an edge of light, as far apart as they are as a whole.

    Blocks to either side of where the classes meet, on one material by their tints, must differ by
    what the classes do. Pale skin beside dark cloth has no such pairs, and the light that falls on
    both steps by less.
    """
    step = max(1, max(luminance.shape) // _EDGE_BLOCKS)
    whole = pooled(used, step) > _MOSTLY_USED
    light, red, green, blue = (
        np.log2(np.maximum(pooled(plane, step), 1e-9)) for plane in (luminance, *colours)
    )
    off = [red - green, blue - green]
    for width in _EDGE_WIDTHS:
        apart = max(2, round(width * max(light.shape)))
        steps = []
        for turned in (np.asarray, np.transpose):
            above = turned(light > found.cut).astype(np.int8)
            crossed = np.cumsum(np.abs(np.diff(above, axis=0, prepend=above[:1])), axis=0)
            meets = crossed[apart:] - crossed[:-apart] == 1
            meets &= turned(whole)[apart:] & turned(whole)[:-apart]
            for tint in off:
                change = np.abs(turned(tint)[apart:] - turned(tint)[:-apart])
                meets &= change <= _SAME_MATERIAL_STOPS
            steps.append(np.abs(turned(light)[apart:] - turned(light)[:-apart])[meets])
        pairs = np.concatenate(steps)
        apart_by = float(np.median(pairs)) if len(pairs) >= _FEWEST_PAIRS else math.inf
        if abs(apart_by - (found.lit - found.shadow)) <= _SAME_STEP_STOPS:
            return True
    return False


def _unsure(tones: NDArray[np.float64], cut: float) -> float:
    """Return the standard uncertainty of the ratio, stops: where the cut lies, and sampling."""
    counts, centres = histogram(tones)
    _, share = otsu(counts, centres)
    near = np.flatnonzero(share >= share.max() - _FLAT_SHARE)
    ordered = np.sort(tones)
    ends = []
    for edge in (centres[near[0]], centres[near[-1] + 1]):
        at = int(np.clip(np.searchsorted(ordered, edge), 1, len(ordered) - 1))
        ends.append(float(np.median(ordered[at:]) - np.median(ordered[:at])))
    wander = (ends[1] - ends[0]) / math.sqrt(12.0)
    sampling = [
        MEDIAN_FACTOR * float(np.std(side)) / math.sqrt(len(side))
        for side in (tones[tones <= cut], tones[tones > cut])
    ]
    return math.hypot(wander, *sampling)


# --- materials ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TwoMaterials:
    """Two materials in one box.

    Attributes
    ----------
    by
        What tells them apart: their tone, or their colour.
    stops
        How far they lie apart, stops.
    smaller
        Share of the box that the smaller one covers, 0 to 0.5.
    """

    by: Literal["tone", "colour"]
    stops: float
    smaller: float


def two_materials(cells: Cells, box: Box) -> TwoMaterials | None:
    """Tell whether a box covers two materials.

    Parameters
    ----------
    cells
        The frame.
    box
        The patch.

    Returns
    -------
    TwoMaterials or None
        None for one class of tones and of colours, and for too few cells to tell. The edge of a
        hard light makes two classes of tone too, and is found as well.

    Notes
    -----
    Classes are told apart as for the split of lit and shadow: Otsu's cut, Ashman's D above 2, and a
    valley between them.
    """
    at = window(box, cells.shape)
    if found := _two_of(cells.luminance(at), "tone", LEAST_STOPS):
        return found
    if not cells.in_colour:
        return None
    green = cells.signal("G", at)
    for name in "RB":
        share = np.zeros_like(green)
        np.divide(cells.signal(name, at), green, out=share, where=green > 0.0)
        if found := _two_of(share, "colour", LEAST_TINT):
            return found
    return None


def _two_of(
    values: NDArray[np.float32], by: Literal["tone", "colour"], least: float
) -> TwoMaterials | None:
    seen = values[values > 0.0]
    if len(seen) < LEAST_TONES:
        return None
    found = mixture_of(np.log2(seen.astype(np.float64)))
    if found is None or not found.is_two or found.lit - found.shadow < least:
        return None
    return TwoMaterials(by, found.lit - found.shadow, found.weight)
