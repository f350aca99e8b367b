"""Card: what a grey card in a box of the frame says of mid-grey, and whether it can be trusted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.frame import window
from stopwise.measurement.patches import read_patch
from stopwise.stops import MID_GREY_REFLECTANCE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.frame import Box
    from stopwise.measurement.patches import Ground

PARTS = 4
"""Parts of the card along each side whose means are compared."""

LEAST_CELLS = 16 * PARTS * PARTS
"""Cells under which a card is too small to be judged: 16 a part, whose mean has a quarter of a
cell's noise."""

_RANGE_OF_16 = 3.53
"""Mean range of sixteen normal values, standard deviations (L. H. C. Tippett 1925)."""


@dataclass(frozen=True, slots=True)
class CardReading:
    """What a card measured.

    Attributes
    ----------
    luminance
        Median Y, 1 at the anchor; 0 where no light reached it, or most of it is clipped.
    clipped
        Share of its cells with a photosite at saturation, 0 to 1.
    uneven
        Brightest to darkest of sixteen parts of it, noise taken out, stops; None without light.
    snr
        Signal to noise ratio of one cell; infinite where no noise is seen.
    red_green, blue_green
        Balanced R/G and B/G, stops; None without colour or light.
    cells
        How many cells it holds.
    """

    luminance: float
    clipped: float
    uneven: float | None
    snr: float
    red_green: float | None
    blue_green: float | None
    cells: int


def read_card(ground: Ground, box: Box) -> CardReading:
    """Read a grey card as a patch is read.

    Parameters
    ----------
    ground
        The frame.
    box
        The card, well inside its edges.

    Returns
    -------
    CardReading
        Whatever it says: who sets mid-grey decides whether that can be trusted.
    """
    at = window(box, ground.cells.shape)
    light = ground.cells.luminance(at)
    patch = read_patch(ground, box)
    snr = patch.snr
    if snr is None:
        snr = math.inf if patch.uncertainty == 0.0 else 0.0
    return CardReading(
        luminance=0.0 if patch.log2_y is None else 2.0**patch.log2_y,
        clipped=0.0 if ground.clipped is None else float(ground.clipped.any[at].mean()),
        uneven=uneven_stops(light, snr=snr),
        snr=snr,
        red_green=patch.red_green,
        blue_green=patch.blue_green,
        cells=light.size,
    )


def uneven_stops(luminance: NDArray[np.float32], *, snr: float) -> float | None:
    """Return how far the parts of a card lie apart in stops, less what noise alone would give.

    Parameters
    ----------
    luminance
        float32 (h, w), Y; at least PARTS cells along each side, else None.
    snr
        Of one cell.
    """
    if min(luminance.shape) < PARTS:
        return None
    parts = np.array(
        [
            np.mean(part, dtype=np.float64)
            for band in np.array_split(luminance, PARTS, axis=0)
            for part in np.array_split(band, PARTS, axis=1)
        ]
    )
    if not np.all(parts > 0.0):
        return None
    spread = float(np.ptp(np.log2(parts)))
    one = 1.0 / (snr * math.log(2.0)) if snr > 0.0 else math.inf
    by_noise = _RANGE_OF_16 * one / math.sqrt(luminance.size / PARTS**2)
    return math.sqrt(max(spread**2 - by_noise**2, 0.0))


def card_mid_grey(luminance: float, *, reflectance: float = 0.18, cosine: float = 1.0) -> float:
    """Return mid-grey from a card: an 18 % one that faces the lamp.

    Parameters
    ----------
    luminance
        Y of the card, above 0.
    reflectance
        Of the card, a fraction.
    cosine
        Of the angle between the card's face and the lamp; 1 where it faces the lamp.

    Returns
    -------
    float
        Fraction of the anchor: Y (0.18 / reflectance) / cosine, Lambert's law.
    """
    return luminance * MID_GREY_REFLECTANCE / reflectance / cosine


def card_cosine(off_axis: float, elevation: float, *, turned: float = 1.0) -> float:
    """Return the cosine between a card's face and its lamp.

    Parameters
    ----------
    off_axis, elevation
        Where the lamp stands, degrees round the sitter from the camera axis and above.
    turned
        1 for a card square to the camera, 0.5 for one that faces half-way to the lamp, 0 for one
        that faces the lamp.

    Returns
    -------
    float
        cos(turned a) with cos a = cos(elevation) cos(off_axis), by spherical trigonometry.
    """
    across = math.cos(math.radians(elevation)) * math.cos(math.radians(off_axis))
    return math.cos(turned * math.acos(max(-1.0, min(1.0, across))))
