"""Card: what a grey card in a box of the frame says of mid-grey, and whether it can be trusted."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.boxes import window
from stopwise.stops import MID_GREY_REFLECTANCE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.measurement.cells import Cells, Window
    from stopwise.measurement.measurement import Box

GRID = 4
"""Parts of the card along each side whose means are compared."""

LEAST_CELLS = 16 * GRID * GRID
"""Cells under which a card is too small to be judged."""


@dataclass(frozen=True, slots=True)
class CardReading:
    """What a card measured.

    Attributes
    ----------
    luminance
        Median Y, 1 at the anchor; not above 0 where no light reached it.
    clipped
        Share of its cells with a photosite at saturation, 0 to 1.
    uneven
        Brightest to darkest of sixteen parts of it, noise taken out, stops; None without light.
    snr
        Signal to noise ratio of one cell.
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


def read_card(cells: Cells, box: Box, *, saturation: Sequence[float], snr: float) -> CardReading:
    """Read a grey card.

    Parameters
    ----------
    cells
        The frame.
    box
        The card, well inside its edges.
    saturation
        Raw level of each colour at which a photosite counts as clipped.
    snr
        Signal to noise ratio of one cell of the box.

    Returns
    -------
    CardReading
        Whatever it says: who sets mid-grey decides whether that can be trusted.
    """
    at = window(box, cells.shape)
    light = cells.luminance[at]
    return CardReading(
        luminance=float(np.median(light)),
        clipped=_clipped(cells, at, saturation),
        uneven=uneven_stops(light, snr=snr),
        snr=snr,
        red_green=_tint(cells, at, "R"),
        blue_green=_tint(cells, at, "B"),
        cells=int(light.size),
    )


def cell_snr(luminance: NDArray[np.float32]) -> float:
    """Return the signal to noise ratio of one cell of an even patch.

    Parameters
    ----------
    luminance
        float32 (h, w), Y.

    Returns
    -------
    float
        Mean over noise, from differences between neighbours along both axes, which a slope of
        light hardly moves; the median absolute difference over 0.6745 sqrt(2) stands for the
        standard deviation of a normal noise. 0 without light.
    """
    steps = [np.abs(np.diff(luminance, axis=axis)).ravel() for axis in (0, 1)]
    noise = float(np.median(np.concatenate(steps))) / (0.6745 * math.sqrt(2.0))
    mean = float(np.mean(luminance, dtype=np.float64))
    if mean <= 0.0:
        return 0.0
    return mean / noise if noise > 0.0 else math.inf


def uneven_stops(luminance: NDArray[np.float32], *, snr: float) -> float | None:
    """Return how far the parts of a card lie apart in stops, less what noise alone would give.

    Parameters
    ----------
    luminance
        float32 (h, w), Y; at least GRID cells along each side, else None.
    snr
        Of one cell.
    """
    rows, columns = luminance.shape
    if min(rows, columns) < GRID:
        return None
    parts = np.array(
        [
            np.mean(part, dtype=np.float64)
            for band in np.array_split(luminance, GRID, axis=0)
            for part in np.array_split(band, GRID, axis=1)
        ]
    )
    if not np.all(parts > 0.0):
        return None
    spread = float(np.ptp(np.log2(parts)))
    return math.sqrt(max(spread**2 - _noise_range(luminance.size, snr) ** 2, 0.0))


def _noise_range(cells: int, snr: float) -> float:
    """Return the range that the means of the parts show from noise alone, stops.

    The mean range of sixteen normal values is 3.53 of their standard deviation (Tippett 1925).
    """
    one = 1.0 / (snr * math.log(2.0)) if snr > 0.0 else math.inf
    return 3.53 * one / math.sqrt(cells / GRID**2)


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


def _clipped(cells: Cells, at: Window, saturation: Sequence[float]) -> float:
    full = np.zeros(cells.luminance[at].shape, dtype=bool)
    for plane, colour in zip(cells.planes, cells.plane_colours, strict=True):
        full |= plane[at] >= saturation[colour]
    return float(np.mean(full))


def _tint(cells: Cells, at: Window, name: str) -> float | None:
    if name not in cells.channels or "G" not in cells.channels:
        return None
    colour = float(np.mean(cells.signal(name, at), dtype=np.float64))
    green = float(np.mean(cells.signal("G", at), dtype=np.float64))
    return math.log2(colour / green) if colour > 0.0 and green > 0.0 else None
