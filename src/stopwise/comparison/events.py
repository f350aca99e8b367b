"""One figure over a take: where it falls out, steps or drifts, told by robust statistics."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from stopwise.grid import MAD_FACTOR

if TYPE_CHECKING:
    from collections.abc import Sequence

    Values = Sequence[float]


def spread(values: Sequence[float]) -> float:
    """Return a robust standard deviation: the median absolute deviation times 1.4826.

    Parameters
    ----------
    values
        At least one.
    """
    middle = statistics.median(values)
    return MAD_FACTOR * statistics.median(abs(value - middle) for value in values)


def slope(values: Sequence[float], places: Sequence[float] | None = None) -> float:
    """Return the median slope through all pairs of points, per unit of `places`.

    Parameters
    ----------
    values
        One a frame, oldest first.
    places
        Where each lies, all different; None counts 0, 1, 2, ...

    Returns
    -------
    float
        0 with fewer than two values. Source: H. Theil, 1950; P. K. Sen, J. Am. Stat. Assoc. 63
        (1968), 1379. The tests hold it to scipy's; loading scipy.stats takes 0.6 s of CPU time.
    """
    if len(values) < 2:
        return 0.0
    x = np.arange(len(values), dtype=float) if places is None else np.asarray(places, float)
    first, second = np.triu_indices(len(x), 1)
    y = np.asarray(values, float)
    return float(np.median((y[second] - y[first]) / (x[second] - x[first])))


def weighted_median(values: Sequence[float], weights: Sequence[float]) -> float:
    """Return the value at which half of the weight is reached; between two, their mean.

    Parameters
    ----------
    values, weights
        Of one length, at least one; weights above 0.
    """
    order = np.argsort(values)
    y, w = np.asarray(values, float)[order], np.asarray(weights, float)[order]
    reached = np.cumsum(w)
    half = reached[-1] / 2.0
    at = int(np.searchsorted(reached, half * (1.0 - 1e-12)))
    if np.isclose(reached[at], half, rtol=1e-12) and at + 1 < len(y):
        return float(y[at] + y[at + 1]) / 2.0
    return float(y[at])


Kind = Literal["out", "step", "drift"]

FEWEST = 4
"""Frames from which a run says anything."""

_NEAR = 5
"""Frames to either side that a step is read from."""

_HELD = 2
"""Frames that a step must hold."""

_SPREADS = 4.0
"""Spreads of the frames to either side that a step or a single frame must exceed."""

_SLOW = 3
"""Frames whose median is held against the first ones', for a drift."""


@dataclass(frozen=True, slots=True)
class Event:
    """What happened to a figure, at the frame that it began with.

    Attributes
    ----------
    kind
        "out": this frame alone; "step": from this frame on; "drift": little by little, and this is
        the first frame over the limit.
    at
        Place in the values.
    stops
        How far, signed.
    """

    kind: Kind
    at: int
    stops: float


def events_of(values: Values, doubts: Values, limit: float) -> tuple[Event, ...]:
    """Return what happened to a figure over a take, oldest first.

    Parameters
    ----------
    values
        One a frame, stops, oldest first.
    doubts
        Standard uncertainty of each, stops.
    limit
        Stops off the take's median that still hold.

    Returns
    -------
    tuple of Event
        Empty with fewer than four frames, or where all hold. A single frame must lie off its
        neighbours by more than the limit, by its own uncertainty and by four spreads of them; a
        step must hold for two frames or more.
    """
    if len(values) < FEWEST:
        return ()
    noise = _noise(values)
    steps = _steps(values, limit, noise)
    level = _without(values, steps)
    single = [
        Event("out", at, level[at] - near)
        for at in range(len(values))
        if abs(level[at] - (near := _around(level, at))) > max(limit, _SPREADS * noise)
        and abs(level[at] - near) - limit > doubts[at]
    ]
    alone = {event.at for event in single}
    calm = [value for at, value in enumerate(level) if at not in alone]
    slow = [] if steps else _drift(calm, [at for at in range(len(level)) if at not in alone], limit)
    return tuple(sorted((*steps, *single, *slow), key=lambda event: event.at))


def _noise(values: Values) -> float:
    """Return the spread from frame to frame: a slope, a step or one bad frame isn't in it.

    Second differences hold no slope and hardly a step; the spread itself holds no single frame.
    The lesser of the two serves.
    """
    second = [
        values[at - 1] - 2.0 * values[at] + values[at + 1] for at in range(1, len(values) - 1)
    ]
    apart = spread([*second, *(-one for one in second)]) / math.sqrt(6.0)
    return min(apart, spread(values))


def _steps(values: Values, limit: float, noise: float) -> list[Event]:
    """Return the places at which the level changes and stays, the largest first found."""
    found: list[Event] = []
    least = max(limit, _SPREADS * noise)
    while (event := _largest(_without(values, found), least)) is not None:
        if any(event.at == other.at for other in found):
            break
        found.append(event)
    return found


def _largest(values: Values, least: float) -> Event | None:
    best: Event | None = None
    for at in range(_HELD, len(values) - _HELD + 1):
        left = statistics.median(values[max(0, at - _NEAR) : at])
        right = statistics.median(values[at : at + _NEAR])
        step = right - left
        sharp = (values[at] - values[at - 1]) * step > 0.5 * step * step
        after, before = values[at : at + _HELD], values[at - _HELD : at]
        held = all((value - left) * step > 0.5 * step * step for value in after)
        held &= all((right - value) * step > 0.5 * step * step for value in before)
        if abs(step) > least and sharp and held and (best is None or abs(step) > abs(best.stops)):
            best = Event("step", at, step)
    return best


def _without(values: Values, steps: Sequence[Event]) -> list[float]:
    """Return values with the steps taken out."""
    level = list(values)
    for event in steps:
        level = [one - event.stops if at >= event.at else one for at, one in enumerate(level)]
    return level


def _around(values: Values, at: int) -> float:
    """Return the median of a frame's neighbours, two to either side where they are there."""
    start = min(max(at - 2, 0), max(len(values) - 5, 0))
    near = [one for place, one in enumerate(values[start : start + 5], start) if place != at]
    return statistics.median(near)


def _drift(values: Values, places: Sequence[int], limit: float) -> list[Event]:
    if len(values) < FEWEST:
        return []
    whole = slope(values) * (len(values) - 1)
    rest = [value - slope(values) * at for at, value in enumerate(values)]
    if abs(whole) <= max(limit, _SPREADS * spread(rest) / math.sqrt(len(values))):
        return []
    first = statistics.median(values[:_SLOW])
    for at in range(_SLOW, len(values) + 1):
        now = statistics.median(values[at - _SLOW : at])
        if abs(now - first) > limit:
            return [Event("drift", places[at - 1], whole)]
    return [Event("drift", places[-1], whole)]
