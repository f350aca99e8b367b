"""Where photosites stop, read from a frame that was shot far over on purpose.

Where every colour of a cell is nearly full, what is white there lies over the stop of all but the
least sensitive one: a neutral's colours lie a stop and more apart. So such a frame shows the stops
by themselves, with next to no light beneath them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from stopwise.cells import RAW_LEVELS, channel
from stopwise.measurement.evidence import evidence
from stopwise.measurement.levels import SURE
from stopwise.measurement.saturation import (
    LOWEST,
    PEAKS_APART,
    ShotStop,
    find_peaks,
    second_peaks,
)
from stopwise.plan.model import ClipPlan

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from typing import Literal

    from numpy.typing import NDArray

    from stopwise.cells import Cells
    from stopwise.frame import Frame
    from stopwise.measurement.noise import SensorNoise
    from stopwise.measurement.saturation import SaturationPeak

_LEAST_PHOTOSITES = 500
"""Photosites of one colour that tell where it stops: the scatter of as many is known to 3 %, from
1 / sqrt(2 n)."""

_MOST_LIGHT = 0.5
"""Greatest share of what is nearly full that may be light below the stop: two stops over, all but a
rim is full."""

_SAID = math.log(20.0)
"""Natural logarithm of the odds that a frame is shot far over which a person says is (common
practice: one slip in twenty)."""

_ROUNDS = 10
"""Times that a scatter is taken anew from what lies within it: light below a spike is left out
within a few."""


@dataclass(frozen=True, slots=True)
class ShotOver:
    """What a frame that was shot over shows.

    Attributes
    ----------
    stops
        Raw levels by colour; {} where the frame doesn't tell them.
    why
        Why it doesn't: it isn't over enough, or a colour stops at two levels. None where it does.
    channels
        Which channels that is about.
    """

    stops: Mapping[str, ShotStop] = field(default_factory=dict)
    why: Literal["not over", "two levels"] | None = None
    channels: tuple[str, ...] = ()


def read_stops(cells: Cells, *, noise: SensorNoise | None, iso: float | None) -> ShotOver:
    """Read where each colour stops.

    Parameters
    ----------
    cells
        The frame.
    noise
        Its read noise and gain, where known.
    iso
        Exposure index, where known.

    Returns
    -------
    ShotOver
        Every colour's stop, or why they can't be told: each must be told as full beyond doubt, with
        less light than full photosites among what is nearly full.
    """
    lowest = [
        black + LOWEST * (anchor - black)
        for black, anchor in zip(cells.black, cells.anchor, strict=True)
    ]
    _, white = cells.reaching([int(level) + 1 for level in lowest])
    counts = _counts_within(cells, white)
    spans = [anchor - black for black, anchor in zip(cells.black, cells.anchor, strict=True)]
    peaks = {
        colour: find_peaks(counts[colour], lowest=lowest[colour], span=spans[colour])
        for colour in range(len(cells.colours))
    }

    def odds(colour: int, peak: SaturationPeak) -> float:
        return evidence(cells, colour, peak, noise=noise, iso=iso, others=peaks).told

    stops, light, twice = {}, [], []
    for colour, name in enumerate(cells.colours):
        full = [peak for peak in peaks[colour] if odds(colour, peak) + _SAID > SURE]
        best = _sharpest(full)
        if best is None or best.count < _LEAST_PHOTOSITES:
            light.append(channel(name))
            continue
        seconds = second_peaks(counts[colour], best, lowest=lowest[colour], span=spans[colour])
        if any(odds(colour, peak) > SURE for peak in seconds):
            twice.append(channel(name))
        elif best.count < _MOST_LIGHT * int(counts[colour].sum()):
            light.append(channel(name))
        stops[name] = ShotStop(best.level, _spread(counts[colour], best))
    if twice:
        return ShotOver(why="two levels", channels=tuple(dict.fromkeys(twice)))
    if light:
        return ShotOver(
            why="not over", channels=_dimmest(cells, lowest) or tuple(dict.fromkeys(light))
        )
    return ShotOver(stops)


def _sharpest(full: Sequence[SaturationPeak]) -> SaturationPeak | None:
    """Return the sharpest of the peaks that hold most: a wider one has light below taken in."""
    most = max((peak.count for peak in full), default=0.0)
    large = [peak for peak in full if peak.count >= _MOST_LIGHT * most]
    return min(large, key=lambda peak: peak.width, default=None)


def _dimmest(cells: Cells, lowest: Sequence[float]) -> tuple[str, ...]:
    """Return the channels that are nearly full nowhere."""
    near = (
        int(counts[math.ceil(level) :].sum())
        for counts, level in zip(cells.histograms, lowest, strict=True)
    )
    dim = [channel(name) for name, held in zip(cells.colours, near, strict=True)
           if held < _LEAST_PHOTOSITES]  # fmt: skip
    return tuple(dict.fromkeys(dim))


def clip_of(frame: Frame, stops: Mapping[str, ShotStop]) -> ClipPlan:
    """Return what a plan keeps of the stops that a frame showed, raw levels to a hundredth."""
    return ClipPlan(
        body=frame.camera.model,
        iso=frame.exposure.iso,
        white=frame.levels.white,
        level={name: round(stop.level, 2) for name, stop in stops.items()},
        spread={name: round(stop.spread, 2) for name, stop in stops.items()},
    )


def _spread(counts: NDArray[np.int64], peak: SaturationPeak) -> float:
    """Return the scatter of a peak's photosites: the fit's, or less where all stand on a level."""
    spread, level = peak.width, peak.level
    for _ in range(_ROUNDS):
        low = max(math.floor(level - PEAKS_APART * spread), 0)
        held = counts[low:].astype(np.float64)
        off = low + np.arange(len(held)) - level
        spread = min(spread, math.sqrt(float((held * off**2).sum() / held.sum())))
    return spread


def _counts_within(cells: Cells, held: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return photosites of some cells at each raw level, int64 (colours, 65536)."""
    counts = np.zeros((len(cells.colours), RAW_LEVELS), dtype=np.int64)
    for plane, colour in zip(cells.planes, cells.plane_colours, strict=True):
        counts[colour] += np.bincount(plane[held], minlength=RAW_LEVELS)
    return counts
