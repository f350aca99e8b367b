"""Recycling: outputs against the time since the frame before, and lamps still at an old power."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.wording import lamp_name, title

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.lamps.outputs import LampReading

LEAST_WEAK_STOPS = 0.15
"""A lamp this far under its own full output after a short wait wasn't ready: 0.9 of its energy."""

SAME_STOPS = 0.15
"""A lamp within this of its old power was not dumped."""

_LEAST_TURN = 0.3
"""Turns down smaller than this can't be told from no turn."""

_SLOW_FRAMES = 3
"""Frames after a long wait that a lamp's full output is taken from."""

_LIKELY = 2.0
"""A wait this many times the longest weak one counts as long."""


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


def stops_of_energy_share(share: float) -> float:
    """Return how many stops a flash at a share of its energy lies from full: log2(share).

    0.9, 0.8, 0.7, 0.5 of full give -0.15, -0.32, -0.51, -1.00.

    Raises
    ------
    ValueError
        If `share` isn't above 0.
    """
    if not share > 0.0:
        msg = f"a share of energy must be above 0, got {share!r}"
        raise ValueError(msg)
    return math.log2(share)


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
        (index, shot.since_s, reading.stops)
        for index, shot in enumerate(shots)
        if shot.since_s is not None
        and (reading := shot.lamps.get(lamp)) is not None
        and reading.stops is not None
        and reading.state not in ("out", "not seen")
    ]
    if len(seen) < _SLOW_FRAMES:
        return Recycle(None, ())
    slow = sorted(seen, key=lambda one: -one[1])[:_SLOW_FRAMES]
    full = sorted(stops for _, _, stops in slow)[len(slow) // 2]
    weak = [
        (index, wait, stops - full)
        for index, wait, stops in seen
        if stops - full <= -LEAST_WEAK_STOPS
    ]
    longest = max((wait for _, wait, _ in weak), default=0.0)
    ready = [wait for _, wait, stops in seen if stops - full > -LEAST_WEAK_STOPS and wait > longest]
    return Recycle(min(ready, default=None), tuple(sorted(weak, key=lambda one: one[2])))


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


def not_dumped(reading: LampReading, *, before_stops: float, turned_stops: float) -> bool:
    """Tell whether a lamp that was turned down still fired at its old power.

    A pack that is turned down keeps the charge that it has until it is dumped, by a flash or by
    itself.

    Parameters
    ----------
    reading
        What it gave in the first frame after the turn.
    before_stops
        What it gave before, against its solo.
    turned_stops
        What was turned, below 0 for down.
    """
    if turned_stops > -_LEAST_TURN or reading.stops is None:
        return False
    return abs(reading.stops - before_stops) <= SAME_STOPS


def recycling_sentence(lamp: str, weak_stops: float, since_s: float) -> tuple[str, str]:
    """Return what to say of a lamp that had not recycled, and what to do."""
    name = title(lamp_name(lamp))
    return (
        f"{name} {abs(weak_stops):.1f} weak, {since_s:.1f} s after the last.",
        "Wait for ready.",
    )


def not_dumped_sentence(lamp: str) -> tuple[str, str]:
    """Return what to say of a lamp that was turned down and not dumped, and what to do."""
    name = title(lamp_name(lamp))
    return (f"{name} still at the old power: not dumped.", "Fire it once, shoot again.")
