"""Recycling: a lamp's outputs against the time since the frame before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.lamps.outputs import LampReading

LEAST_WEAK_STOPS = 0.15
"""A lamp this far under its own full output after a short wait wasn't ready: log2 of 0.9 of its
energy, where packs say that they are ready.
"""

SAME_STOPS = 0.15
"""Stops within which a lamp reads as at its old power, and was not dumped."""

_SLOW_FRAMES = 3
"""Frames after a long wait that a lamp's full output is taken from."""


@dataclass(frozen=True, slots=True)
class Shot:
    """One frame of a take: seconds since the frame before (None for the first), and outputs."""

    since_s: float | None
    lamps: Mapping[str, LampReading]


@dataclass(frozen=True, slots=True)
class Recycle:
    """How one lamp recycles.

    Attributes
    ----------
    ready_s
        Shortest wait after which it was at full output, and that no weak frame outlasted; None
        where no frame shows it.
    weak
        Frames (their index), the wait and how weak it was, worst first.
    """

    ready_s: float | None
    weak: tuple[tuple[int, float, float], ...]


def recycling(shots: Sequence[Shot], lamp: str) -> Recycle:
    """Hold a lamp's outputs against the waits before them.

    Parameters
    ----------
    shots
        A take's frames in order, powers unchanged.
    lamp
        The lamp.

    Returns
    -------
    Recycle
        Full output is the median over the frames after the longest waits.
    """
    seen = [
        (index, shot.since_s, stops)
        for index, shot in enumerate(shots)
        if shot.since_s is not None
        and lamp in shot.lamps
        and (stops := shot.lamps[lamp].fired_stops) is not None
    ]
    if len(seen) < _SLOW_FRAMES:
        return Recycle(None, ())
    slow = sorted(seen, key=lambda one: -one[1])[:_SLOW_FRAMES]
    full = sorted(stops for _, _, stops in slow)[len(slow) // 2]
    off = [(index, wait, stops - full) for index, wait, stops in seen]
    weak = sorted((one for one in off if one[2] <= -LEAST_WEAK_STOPS), key=lambda one: one[2])
    longest = max((wait for _, wait, _ in weak), default=0.0)
    ready = [wait for _, wait, by in off if by > -LEAST_WEAK_STOPS and wait > longest]
    return Recycle(min(ready, default=None), tuple(weak))


def weak_after_short_wait(
    reading: LampReading, since_s: float | None, recycle: Recycle, *, expected_stops: float
) -> bool:
    """Tell whether a weak lamp had likely not recycled.

    Parameters
    ----------
    reading
        What it gave.
    since_s
        Seconds since the frame before; None where that isn't known.
    recycle
        How it recycles, as far as the take shows.
    expected_stops
        What it gives when ready, against its solo.
    """
    if since_s is None or reading.stops is None or reading.state == "out":
        return False
    short = recycle.ready_s is None or since_s < recycle.ready_s
    return short and reading.stops - expected_stops <= -LEAST_WEAK_STOPS
