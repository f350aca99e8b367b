"""Split: how far lit is from shadow with no patches named, from the subject's own tones."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.measurement import Ratio
from stopwise.measurement.parting import LEAST_TONES, histogram, otsu, part

if TYPE_CHECKING:
    from numpy.typing import NDArray

_MOST_CELLS = 400_000

_FLAT_SHARE = 0.01
"""The cut may lie wherever the between-class share is within this of its best."""

_SAME_STUFF_STOPS = 0.15
"""How far the tints of lit and shadow may lie apart; skin and white cloth lie 0.3 apart in R/G."""

Colours = tuple["NDArray[np.float32]", "NDArray[np.float32]", "NDArray[np.float32]"]


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
        float32 of any shape, Y, anchor = 1: all cells, or one of each block.
    subject
        bool of that shape, what is subject: not backdrop, not clipped.
    floor
        Y under which a cell is noise and is left out.
    colours
        Balanced R, G, B of that shape; None where the sensor has one colour. With them lit and
        shadow must be of one tint, so that a pale face over dark cloth makes no ratio.

    Returns
    -------
    Ratio
        `stops` is the median log2 Y of the lit class less that of the shadow class; None with
        `why` "too_few", "one_heap" or "other_stuff". Its uncertainty is how far it moves while the
        cut wanders where the between-class share stays within a hundredth of its best, with the
        sampling of both medians.

    Notes
    -----
    The cut is Otsu's (N. Otsu, IEEE Transactions on Systems, Man and Cybernetics 9, 1979, 62-66).
    A single heap cut in two has a between-class share of 2/pi already, so that share can't refuse
    it; Ashman's D of two normal heaps fitted to the tones can: two heaps stand apart at D > 2
    (K. M. Ashman, C. M. Bird and S. E. Zepf, Astronomical Journal 108, 1994, 2348). An even spread
    has D = 3, so the tones must thin out between the heaps as well. White cloth and black cloth
    under flat light have one tint and two heaps: that no figure of one frame tells from light.
    """
    used = subject & (luminance > max(floor, 0.0))
    tones = np.log2(_some(luminance[used]).astype(np.float64))
    if len(tones) < LEAST_TONES:
        return Ratio(stops=None, by="split", why="too_few")
    heaps = part(tones)
    if heaps is None:
        return Ratio(stops=None, by="split", separability=0.0, ashman=0.0, why="one_heap")
    told = Ratio(stops=None, by="split", separability=heaps.share, ashman=heaps.ashman)
    if not heaps.apart:
        return replace(told, why="one_heap")
    if colours is not None and not _one_stuff(luminance, used, colours, heaps.cut):
        return replace(told, why="other_stuff")
    return replace(told, stops=heaps.lit - heaps.shadow, uncertainty=_unsure(tones, heaps.cut))


def _some(values: NDArray[np.float32]) -> NDArray[np.float32]:
    return values[:: max(1, len(values) // _MOST_CELLS)]


def _one_stuff(
    luminance: NDArray[np.float32], used: NDArray[np.bool_], colours: Colours, cut: float
) -> bool:
    """Whether lit and shadow have the same tints: medians of each colour, so that noise cancels."""
    red, green, blue = colours
    lit, shadow = used & (luminance > 2.0**cut), used & (luminance <= 2.0**cut)
    for colour in (red, blue):
        one, other = (_tint(colour[at], green[at]) for at in (lit, shadow))
        if one is not None and other is not None and abs(one - other) > _SAME_STUFF_STOPS:
            return False
    return True


def _tint(colour: NDArray[np.float32], green: NDArray[np.float32]) -> float | None:
    """Return log2 of a colour's median over green's; None where either isn't above black."""
    over, under = (float(np.median(some)) if some.size else 0.0 for some in (colour, green))
    return math.log2(over / under) if min(over, under) > 0.0 else None


def _unsure(tones: NDArray[np.float64], cut: float) -> float:
    """Return the standard uncertainty of the ratio, stops: where the cut lies, and sampling."""
    counts, centres = histogram(tones)
    _, share = otsu(counts, centres)
    near = np.flatnonzero(share >= share.max() - _FLAT_SHARE)
    ordered = np.sort(tones)
    ends = [_stops_at(ordered, float(centres[i])) for i in (near[0], near[-1] + 1)]
    wander = (ends[1] - ends[0]) / math.sqrt(12.0)
    sampling = [
        math.sqrt(math.pi / 2.0) * float(np.std(heap)) / math.sqrt(len(heap))
        for heap in (tones[tones <= cut], tones[tones > cut])
    ]
    return math.hypot(wander, *sampling)


def _stops_at(ordered: NDArray[np.float64], cut: float) -> float:
    at = int(np.clip(np.searchsorted(ordered, cut), 1, len(ordered) - 1))
    return float(np.median(ordered[at:]) - np.median(ordered[:at]))
