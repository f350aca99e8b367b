"""Stuffs: whether a box holds one material or two, from its tones and its colours."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.boxes import window
from stopwise.measurement.parting import LEAST_TONES, part

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.measurement.cells import Cells
    from stopwise.measurement.measurement import Box

LEAST_STOPS = 0.7
"""Two heaps of tones nearer than this are light and shade of one stuff, or its texture."""

LEAST_TINT = 0.35
"""Two heaps of colour nearer than this, stops of R/G or B/G, are one stuff."""


@dataclass(frozen=True, slots=True)
class TwoStuffs:
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

    by: str
    stops: float
    smaller: float


def two_stuffs(cells: Cells, box: Box) -> TwoStuffs | None:
    """Tell whether a box covers two materials.

    Parameters
    ----------
    cells
        The frame.
    box
        The patch.

    Returns
    -------
    TwoStuffs or None
        None for one heap of tones and of colours, and for too few cells to tell. The edge of a
        hard light parts the tones too, and is found as well.

    Notes
    -----
    Heaps are told apart as for the split of lit and shadow: Otsu's cut, Ashman's D above 2, and a
    valley between them.
    """
    at = window(box, cells.shape)
    light = cells.luminance[at]
    if found := _heaps(light, "tone", LEAST_STOPS):
        return found
    if not {"R", "G", "B"} <= set(cells.channels):
        return None
    green = cells.signal("G", at)
    ratios = ((cells.signal(name, at), green) for name in ("R", "B"))
    found_tints = (_heaps(_quotient(*pair), "colour", LEAST_TINT) for pair in ratios)
    return next((tint for tint in found_tints if tint), None)


def _quotient(upper: NDArray[np.float32], lower: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.divide(upper, lower, out=np.zeros_like(upper), where=lower > 0.0)


def _heaps(values: NDArray[np.float32], by: str, least: float) -> TwoStuffs | None:
    seen = values[values > 0.0]
    if len(seen) < LEAST_TONES:
        return None
    heaps = part(np.log2(seen.astype(np.float64)))
    if heaps is None or not heaps.apart or heaps.lit - heaps.shadow < least:
        return None
    return TwoStuffs(by, heaps.lit - heaps.shadow, heaps.weight)
