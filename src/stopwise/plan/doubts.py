"""A doubt about a plan: what doesn't fit together, with figures, and what to do."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from stopwise.nominal import exact_f_number
from stopwise.stops import add_readings, shift_reading

if TYPE_CHECKING:
    from collections.abc import Iterable

    from stopwise.plan.model import Light, Patch, Plan
    from stopwise.plan.places import Path

ROOM = 0.05
"""Stops by which two figures may differ before anyone should be bothered."""


Facing = Literal["meter", "lamp", "camera"]

_LEAST_COSINE = 0.05
"""A lamp beside or behind still spills a little on a surface that is turned to the camera."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """One warning.

    Attributes
    ----------
    path
        The key that it is about.
    say
        What doesn't fit, with the figures.
    do
        What to do about it.
    """

    path: Path
    say: str
    do: str


def together(lamps: Iterable[Light], *, facing: Facing = "meter") -> float | None:
    """Return the exact reading of lamps that fire together, None where one isn't metered.

    Parameters
    ----------
    lamps
        The lamps.
    facing
        What the lit surface is turned to: each lamp in turn ("lamp"), the camera, or wherever the
        meter's dome faced. Without a lamp's place its reading stays as it is.
    """
    readings = [_reading(lamp, facing) for lamp in lamps]
    known = [reading for reading in readings if reading is not None]
    return add_readings(*known) if known and len(known) == len(readings) else None


def _reading(lamp: Light, facing: Facing) -> float | None:
    if lamp.meter is None:
        return None
    reading = exact_f_number(lamp.meter)
    if facing in ("meter", lamp.meter_at) or lamp.off_axis is None or lamp.elevation is None:
        return reading
    cosine = math.cos(math.radians(lamp.elevation)) * math.cos(math.radians(lamp.off_axis))
    lost = math.log2(max(cosine, _LEAST_COSINE))
    return shift_reading(reading, lost if facing == "camera" else -lost)


def lamps_of(plan: Plan, patch: Patch) -> tuple[Light, ...]:
    """Return the lamps that a patch says it is lit by."""
    return tuple(light for light in plan.lights if light.name in patch.lit_by)


def tolerance(patch: Patch) -> tuple[float, float]:
    """Return how far under and over its target a patch may lie, stops; 0 where it isn't judged."""
    usual = patch.defaults
    under, over = usual.under, usual.over
    if patch.within is not None:
        under = over = patch.within
    under = patch.under if patch.under is not None else under
    over = patch.over if patch.over is not None else over
    return under or 0.0, over or 0.0


def zone_target(patch: Patch) -> float | None:
    """Return the zone that is a patch's target, by itself or by its material."""
    return patch.zone if patch.zone is not None else patch.defaults.zone


def turning(lamp: Light, stops: float) -> str:
    """Say a turn as an assistant does it, and say so where the lamp can't be turned so far."""
    way = "up" if stops > 0.0 else "down"
    told = f"{lamp.name} {way} {abs(stops):.1f}"
    if lamp.power is None:
        return told
    least, most = lamp.range
    wanted = lamp.power + stops
    if least - ROOM <= wanted <= most + ROOM:
        return f"{told}, to {lamp.power_shown(wanted)}"
    left = most - lamp.power if stops > 0.0 else lamp.power - least
    return f"{told}; it has only {left:.1f} left, so move it, open the lens or change the target"


def capital(text: str) -> str:
    """Return a sentence's start with a capital, names left as they are otherwise."""
    return f"{text[:1].upper()}{text[1:]}"
