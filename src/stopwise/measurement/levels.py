"""Levels: black, anchor, and where photosites of each colour really stop."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.figures import Levels, SaturationSource
from stopwise.measurement.noise import MaskedLevels
from stopwise.measurement.saturation import LOWEST, MOST_HOT, find_peak
from stopwise.stops import MID_GREY_OF_SATURATION, luminance_of_zone

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from stopwise.cells import Cells
    from stopwise.frame import Frame
    from stopwise.measurement.noise import SensorNoise
    from stopwise.measurement.saturation import SaturationPeak

LEARNED_WIDTHS = 0.5
"""Tolerance of a learned level in shot noises due there: peaks are up to 0.4 of one wide."""

_LEARNED_SHARE = 0.002
"""Of the range above black: how far above a learned level a photosite may stand, and the noise that
is due where the frame's isn't known (set on our own renderer)."""

_TOGETHER = 0.35
"""Share of a peak's photosites that must have company: full ones lie together, hot ones alone (set
on our own renderer)."""

_MOST_ASKED = 20_000
"""Photosites of a peak whose neighbours are looked at."""

_ELECTRONS_AT_100, _FEWEST_ELECTRONS, _MOST_ELECTRONS = 8000.0, 400.0, 200_000.0
"""Least electrons that a full photosite holds at ISO 100 (in proportion at higher ones) and at all,
and the most: they bound the gain that texture may feign. Common practice, from memory: sensors hold
some 20 000 to 100 000 at base ISO."""

MOST_ZONE_1_STOPS = 0.05
"""How far a wrong black may move Zone 1, stops: half a flash's 0.1 stop step (common practice)."""

_ERRORS, _ROUNDED = 3.0, 0.5
"""Standard errors, and levels, by which masked margins may be off black in any case: files often
name black as a whole number."""

_STRONGEST_FIRST: tuple[SaturationSource, ...] = ("plan", "observed", "learned", "file")


@dataclass(frozen=True, slots=True)
class _Found:
    level: float
    tolerance: float
    source: SaturationSource


def find_levels(
    cells: Cells,
    *,
    noise: SensorNoise | None,
    raw_clip: float | None = None,
    learned: Mapping[str, float] | None = None,
    iso: float | None = None,
) -> Levels:
    """Find where photosites stop: by the plan, a peak seen here, a learned level, or the file.

    Parameters
    ----------
    cells
        The frame.
    noise
        Its read noise and gain; without it no saturation peak can be told from light.
    raw_clip
        The plan's level, raw levels; it overrules all others.
    learned
        Levels that other frames of this camera at this ISO showed, by colour. One that more than
        1e-4 of the colour's photosites stand above is not used.
    iso
        Exposure index, where known: it bounds the gain that texture may feign.

    Returns
    -------
    Levels
        A colour with no peak takes the median level of those that have one. Tolerances: by the
        plan and the file 0; of a peak the distance down to the level from which on as many
        photosites stand as are full; learned, half the shot noise due there.

    Notes
    -----
    Zones never use these levels, only `anchor`: tones don't move when a level is learned.
    """
    if raw_clip is not None:
        every = tuple(raw_clip for _ in cells.colours)
        return Levels(cells.black, every, every, "plan", tuple(0.0 for _ in every))
    peaks = [
        None if noise is None else _peak(cells, noise, colour, iso)
        for colour in range(len(cells.colours))
    ]
    found = [
        _observed(peaks, colour)
        or _by_learning(cells, colour, noise, learned or {})
        or _Found(cells.anchor[colour], 0.0, "file")
        for colour in range(len(cells.colours))
    ]
    return Levels(
        black=cells.black,
        saturation=tuple(one.level for one in found),
        anchor=cells.anchor,
        saturation_source=max((one.source for one in found), key=_STRONGEST_FIRST.index),
        tolerance=tuple(one.tolerance for one in found),
        observed={
            name: peak.level for name, peak in zip(cells.colours, peaks, strict=True) if peak
        },
    )


def thresholds(levels: Levels) -> tuple[int, ...]:
    """Return for each colour the least whole raw level that counts as clipped."""
    return tuple(
        math.ceil(level - tolerance)
        for level, tolerance in zip(levels.saturation, levels.tolerance, strict=True)
    )


def share_above(cells: Cells, learned: Mapping[str, float]) -> dict[str, float]:
    """Return for each colour the share of its photosites that stand above a learned level.

    A photosite counts once it stands above by more than 0.2 % of the range, which is more than a
    peak reaches.
    """
    return {
        name: _above(cells, colour, learned[name])
        for colour, name in enumerate(cells.colours)
        if name in learned
    }


def _above(cells: Cells, colour: int, level: float) -> float:
    histogram = cells.histograms[colour]
    spare = _LEARNED_SHARE * (level - cells.black[colour])
    return float(histogram[math.floor(level + spare) + 1 :].sum() / max(histogram.sum(), 1))


def _observed(peaks: list[SaturationPeak | None], colour: int) -> _Found | None:
    own = peaks[colour]
    if own is not None:
        return _Found(own.level, max(own.level - own.threshold, 0.0), "observed")
    others = [peak for peak in peaks if peak is not None]
    if not others:
        return None
    level = median(peak.level for peak in others)
    return _Found(level, median(peak.level - peak.threshold for peak in others), "observed")


def _by_learning(
    cells: Cells, colour: int, noise: SensorNoise | None, learned: Mapping[str, float]
) -> _Found | None:
    level = learned.get(cells.colours[colour])
    if level is None or _above(cells, colour, level) > MOST_HOT:
        return None
    span = level - cells.black[colour]
    due = _LEARNED_SHARE * span if noise is None else noise.due(colour, span)
    return _Found(level, LEARNED_WIDTHS * due, "learned")


def _peak(
    cells: Cells, noise: SensorNoise, colour: int, iso: float | None
) -> SaturationPeak | None:
    black, span = cells.black[colour], cells.anchor[colour] - cells.black[colour]
    least_electrons = _ELECTRONS_AT_100 * 100.0 / max(iso, 100.0) if iso else 0.0
    full_well = max(least_electrons, _FEWEST_ELECTRONS) if noise.is_noise else _MOST_ELECTRONS
    dark = noise.dark[colour] if noise.is_noise else 0.0

    def due(level: float) -> float:
        signal = max(level - black, 1.0)
        return min(noise.due(colour, signal), math.sqrt(dark + span / full_well * signal))

    return find_peak(
        cells.histograms[colour],
        lowest=black + LOWEST * span,
        due=due,
        holds=lambda peak: _stands_together(cells, colour, peak.threshold),
    )


def _stands_together(cells: Cells, colour: int, threshold: int) -> bool:
    """Tell whether many of a colour's photosites from a level on have company there.

    Company is a photosite of the same plane beside, above or below, or any other photosite of the
    cell. Where they are many they are evenly thinned out.
    """
    standing = beside = 0
    for number, plane in enumerate(cells.planes):
        if cells.plane_colours[number] != colour:
            continue
        places = np.flatnonzero(plane >= threshold)
        every = -(-len(places) // _MOST_ASKED) or 1
        rows, columns = np.divmod(places[::every], plane.shape[1])
        company = _neighbours_stand(plane, rows, columns, threshold)
        for other in (*cells.planes[:number], *cells.planes[number + 1 :]):
            company |= other[rows, columns] >= threshold
        standing += len(rows)
        beside += int(np.count_nonzero(company))
    return beside >= _TOGETHER * standing


def _neighbours_stand(
    plane: NDArray[np.uint16],
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    threshold: int,
) -> NDArray[np.bool_]:
    """Return which of some photosites (n,) of a plane (h, w) have a neighbour from a level on."""
    tall, wide = plane.shape
    company = np.zeros(len(rows), dtype=bool)
    for down, across in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        row, column = rows + down, columns + across
        inside = (row >= 0) & (row < tall) & (column >= 0) & (column < wide)
        company |= inside & (plane[row % tall, column % wide] >= threshold)
    return company


def with_margins(levels: Levels, frame: Frame) -> Levels:
    """Return levels with what the frame's masked margins say of black; black itself stays.

    Parameters
    ----------
    levels
        As found for this frame.
    frame
        Its masked photosites are read. Where its black differs from place to place, a margin
        has no black to be compared with, and nothing is said.

    Returns
    -------
    Levels
        `masked_black` is None where no colour has 256 masked photosites; `why` names `black_off`
        where a colour's mean differs from its black by more than :func:`black_limit`.

    Notes
    -----
    That masked photosites tell the level of zero light: DNG specification, MaskedAreas (from
    memory).
    """
    if frame.masked is None or frame.black_offset is not None:
        return levels
    told = [MaskedLevels.of(frame.masked, colour) for colour in range(len(levels.black))]
    if all(one.mean is None for one in told):
        return levels
    off = any(
        one.mean is not None and abs(one.mean - black) > black_limit(black, anchor, one.error)
        for one, black, anchor in zip(told, levels.black, levels.anchor, strict=True)
    )
    means = tuple(one.mean for one in told)
    return replace(levels, masked_black=means, why={"black": "black_off"} if off else {})


def black_limit(black: float, anchor: float, error: float | None) -> float:
    """Return by how many raw levels a colour's margins may differ from its black.

    The greater of what would move Zone 1 of that colour by 0.05 stop, before white balance, with
    mid-grey at 0.127 of white (ISO 12232), and of three standard errors and half a level.
    """
    zone_1 = luminance_of_zone(1.0, mid_grey=MID_GREY_OF_SATURATION)
    matters = (math.pow(2.0, MOST_ZONE_1_STOPS) - 1.0) * zone_1 * (anchor - black)
    return max(matters, _ERRORS * (error or 0.0) + _ROUNDED)
