"""Levels: black, anchor, and where photosites of each colour really stop."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.evidence import Evidence, evidence
from stopwise.measurement.figures import Levels, SaturationSource
from stopwise.measurement.noise import MaskedLevels
from stopwise.measurement.saturation import (
    LOWEST,
    MOST_HOT,
    find_peaks,
    full_from,
    second_peaks,
)
from stopwise.stops import MID_GREY_OF_SATURATION, luminance_of_zone

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.cells import Cells
    from stopwise.frame import Frame
    from stopwise.measurement.noise import SensorNoise
    from stopwise.measurement.saturation import SaturationPeak, ShotStop

LEARNED_WIDTHS = 0.5
"""Tolerance of a learned level in shot noises due there: peaks are up to 0.4 of one wide."""

_LEARNED_SHARE = 0.002
"""Of the range above black: how far above a learned level a photosite may stand, and the noise that
is due where the frame's isn't known (set on our own renderer)."""

SURE, SURELY_LIGHT = 3.5, -7.0
"""Natural logarithm of the odds from which a peak is told as full photosites (33 to 1) and as light
(1 to 1 100: a blown frame that is called fine costs more); what lies between may be clipped."""

_FAIR = 2.0
"""A peak whose chi square is so many times the best one's, or chance's, fits as well."""

_WIDTHS_ABOVE = 4.0
"""Widths above a stop that is taken from elsewhere over which next to nothing may stand."""

MOST_ZONE_1_STOPS = 0.05
"""How far a wrong black may move Zone 1, stops: half a flash's 0.1 stop step (common practice)."""

_ERRORS, _ROUNDED = 3.0, 0.5
"""Standard errors, and levels, by which masked margins may be off black in any case: files often
name black as a whole number."""

_STRONGEST_FIRST: tuple[SaturationSource, ...] = (
    "plan",
    "shot",
    "observed",
    "learned",
    "file",
)


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
    shot: Mapping[str, ShotStop] | None = None,
    learned: Mapping[str, float] | None = None,
    iso: float | None = None,
) -> Levels:
    """Find where photosites stop: by the plan, a frame shot over, a peak, learning, or the file.

    Parameters
    ----------
    cells
        The frame.
    noise
        Its read noise and gain; without it no saturation peak can be told from light.
    raw_clip
        The plan's level, raw levels; it overrules all others.
    shot
        Stops by colour of this body at this ISO, from a frame that was shot far over. One that more
        than 1e-4 of the colour's photosites stand clearly above is not used.
    learned
        Levels that other frames of this camera at this ISO showed, by colour. One that more than
        1e-4 of the colour's photosites stand above is not used.
    iso
        Exposure index, where known: it bounds the gain that texture may feign.

    Returns
    -------
    Levels
        A colour with no peak takes the median level of those that have one. Tolerances: by the
        plan and the file 0; of a stop that was shot and of a peak the distance down to the level
        from which on as many photosites stand as are full; learned, half the shot noise due there.

    Notes
    -----
    Zones never use these levels, only `anchor`: tones don't move when a level is learned.
    """
    if raw_clip is not None:
        every = tuple(raw_clip for _ in cells.colours)
        return Levels(cells.black, every, every, "plan", tuple(0.0 for _ in every))
    known = [_by_shot(cells, colour, shot or {}) for colour in range(len(cells.colours))]
    told, doubted = _weighed(cells, noise, learned or {}, iso, known=known)
    found = [
        known[colour]
        or _observed(cells, colour, told)
        or _by_learning(cells, colour, noise, learned or {})
        or _Found(cells.anchor[colour], 0.0, "file")
        for colour in range(len(cells.colours))
    ]
    sure = [math.ceil(one.level - one.tolerance) for one in found]
    perhaps = tuple(
        min(doubted[colour].threshold, limit) if colour in doubted else limit
        for colour, limit in enumerate(sure)
    )
    contradicted = [
        name
        for name, one in zip(cells.colours, known, strict=True)
        if one is None and name in (shot or {})
    ]
    return Levels(
        black=cells.black,
        saturation=tuple(one.level for one in found),
        anchor=cells.anchor,
        saturation_source=max((one.source for one in found), key=_STRONGEST_FIRST.index),
        tolerance=tuple(one.tolerance for one in found),
        observed={cells.colours[colour]: peak.level for colour, peak in told.items()},
        doubted=None if perhaps == tuple(sure) else perhaps,
        why={"saturation": "above_shot"} if contradicted else {},
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


def _by_shot(cells: Cells, colour: int, shot: Mapping[str, ShotStop]) -> _Found | None:
    """Return where a colour stops by a frame shot over, where this frame doesn't contradict it."""
    stop = shot.get(cells.colours[colour])
    if stop is None or _stands_above(cells, colour, stop.level, stop.spread):
        return None
    full = full_from(cells.histograms[colour], stop)
    return _Found(stop.level, max(stop.level - full, 0.0), "shot")


def _stands_above(cells: Cells, colour: int, level: float, width: float) -> bool:
    """Tell whether more than hot photosites of a colour stand clearly above a stop."""
    histogram = cells.histograms[colour]
    above = histogram[math.ceil(level + _WIDTHS_ABOVE * width + 1.0) :]
    return int(above.sum()) > MOST_HOT * int(histogram.sum())


def _observed(cells: Cells, colour: int, told: Mapping[int, SaturationPeak]) -> _Found | None:
    """Return where a colour stops by its own peak, or by the others' where nothing stands above."""
    own = told.get(colour)
    if own is not None:
        return _Found(own.level, max(own.level - own.threshold, 0.0), "observed")
    if not told:
        return None
    level = median(peak.level for peak in told.values())
    if _stands_above(cells, colour, level, max(peak.width for peak in told.values())):
        return None
    return _Found(level, median(peak.level - peak.threshold for peak in told.values()), "observed")


def _by_learning(
    cells: Cells, colour: int, noise: SensorNoise | None, learned: Mapping[str, float]
) -> _Found | None:
    level = learned.get(cells.colours[colour])
    if level is None or _above(cells, colour, level) > MOST_HOT:
        return None
    span = level - cells.black[colour]
    due = _LEARNED_SHARE * span if noise is None else noise.due(colour, span)
    return _Found(level, LEARNED_WIDTHS * due, "learned")


def _weighed(
    cells: Cells,
    noise: SensorNoise | None,
    learned: Mapping[str, float],
    iso: float | None,
    *,
    known: Sequence[_Found | None],
) -> tuple[dict[int, SaturationPeak], dict[int, SaturationPeak]]:
    """Return each colour's peak of what is surely full, and of what may be, by its index.

    Colours whose stop is known have none to be weighed. Photosites of one colour may stop at two
    levels, by two amplifiers: then what is full at the lower one may be.
    """
    spans = [anchor - black for black, anchor in zip(cells.black, cells.anchor, strict=True)]
    lowest = [black + LOWEST * span for black, span in zip(cells.black, spans, strict=True)]
    peaks = {
        colour: find_peaks(histogram, lowest=lowest[colour], span=spans[colour])
        for colour, histogram in enumerate(cells.histograms)
        if known[colour] is None
    }

    def weigh(colour: int, peak: SaturationPeak) -> Evidence:
        seen = evidence(cells, colour, peak, noise=noise, iso=iso, others=peaks)
        return seen._replace(told=seen.told + _told_by_learning(cells, colour, peak, learned))

    told: dict[int, SaturationPeak] = {}
    doubted: dict[int, SaturationPeak] = {}
    for colour, own in peaks.items():
        seen = [weigh(colour, peak) for peak in own]
        sure, likely = (
            [at for at, one in enumerate(seen) if one.told > least]
            for least in (SURE, SURELY_LIGHT)
        )
        last = float(np.flatnonzero(cells.histograms[colour]).max(initial=0))
        if sure and not any(peak.is_cut_off(last) for peak in own):
            likely = [at for at in likely if seen[at].told > 0.0]
        for held, among in ((told, sure), (doubted, likely)):
            if among:
                held[colour] = own[_fullest_of_the_fitting(own, among)]
        if colour not in told:
            continue
        seconds = second_peaks(
            cells.histograms[colour], told[colour], lowest=lowest[colour], span=spans[colour]
        )
        lower = [peak for peak in seconds if weigh(colour, peak).told > SURE]
        doubted[colour] = min([doubted[colour], *lower], key=lambda peak: peak.threshold)
        full = told[colour]
        if not seen[own.index(full)].is_even:
            told[colour] = replace(full, threshold=max(math.ceil(full.level), full.threshold))
        if doubted[colour].threshold >= told[colour].threshold:
            del doubted[colour]  # all that may be full is
    return told, doubted


def _fullest_of_the_fitting(peaks: Sequence[SaturationPeak], among: Sequence[int]) -> int:
    """Return which of some peaks holds most, of those that fit about as well as the best does.

    Where stops scatter across the last level that a file can hold, the spike there is a part only.
    """
    fair = _FAIR * max(1.0, min(peaks[at].misfit for at in among))
    return max((at for at in among if peaks[at].misfit <= fair), key=lambda at: peaks[at].count)


def _told_by_learning(
    cells: Cells, colour: int, peak: SaturationPeak, learned: Mapping[str, float]
) -> float:
    """Return what earlier frames of the camera tell of a peak that lies at their level."""
    level = learned.get(cells.colours[colour])
    span = cells.anchor[colour] - cells.black[colour]
    near = level is not None and abs(peak.level - level) <= max(_LEARNED_SHARE * span, peak.width)
    return SURE if near else 0.0


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
    why = {**levels.why, "black": "black_off"} if off else levels.why
    return replace(levels, masked_black=means, why=why)


def black_limit(black: float, anchor: float, error: float | None) -> float:
    """Return by how many raw levels a colour's margins may differ from its black.

    The greater of what would move Zone 1 of that colour by 0.05 stop, before white balance, with
    mid-grey at 0.127 of white (ISO 12232), and of three standard errors and half a level.
    """
    zone_1 = luminance_of_zone(1.0, mid_grey=MID_GREY_OF_SATURATION)
    matters = (math.pow(2.0, MOST_ZONE_1_STOPS) - 1.0) * zone_1 * (anchor - black)
    return max(matters, _ERRORS * (error or 0.0) + _ROUNDED)
