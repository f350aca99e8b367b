"""Whether the meter readings of a plan can give the ratios and zones that it targets.

A dome that faces its lamp reads what no surface turned away from it gets: where the plan says where
a lamp stands, a reading counts from square to the lamp down to square to the camera.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise import stops
from stopwise.nominal import exact_f_number, say_f_number
from stopwise.plan.doubts import (
    ROOM,
    Doubt,
    capital,
    lamps_of,
    together,
    tolerance,
    turning,
    zone_target,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.plan.model import Light, Patch, Plan, RatioTarget

Lamps = tuple["Light", ...]

_AT_THE_METER = {"skin": (3.4, 6.3), "white cloth": (6.6, 7.5), "black cloth": (1.3, 3.2)}
"""Zones at which a stuff lies when lamps and lens agree (common practice, from memory)."""

_OFF_THE_LENS = 0.5
"""Stops by which the key's light and the lens may differ before it is asked about."""


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings of the same lamps: as metered, square to the camera, square to the lamps."""

    metered: float
    least: float
    most: float


def readings_of(lamps: Lamps) -> Readings | None:
    """Return what lamps give together, None where one isn't metered."""
    ways = [together(lamps, facing=facing) for facing in ("meter", "camera", "lamp")]
    known = [way for way in ways if way is not None]
    if len(known) < len(ways):
        return None
    return Readings(known[0], min(known), max(known))


def ratio_doubts(plan: Plan) -> Iterator[Doubt]:
    """Compare the ratio that the readings give with each target."""
    for index, target in enumerate(plan.ratios):
        lit, shadow, said = _sides(plan, target)
        both, fill = readings_of(lit), readings_of(shadow)
        if both is None or fill is None or {*lit} == {*shadow}:
            continue
        gives = stops.stops_between_f_numbers(fill.metered, both.metered)
        least = stops.stops_between_f_numbers(fill.most, both.least)
        most = stops.stops_between_f_numbers(fill.least, both.most)
        if (
            not least - ROOM <= target.stops + target.within
            or not target.stops - target.within <= most + ROOM
        ):
            told = f"{_conventions(lit, shadow, gives)}{said}{_turned(least, most)}"
            say = f"{capital(target.lit)} to {target.shadow}: {told}"
            say += f" The target is {target.stops:.1f}, {target.within:.1f} either way."
            yield Doubt(("ratio", index, "stops"), say, _mend_ratio(target, lit, shadow))


def _turned(least: float, most: float) -> str:
    """Say what surfaces turned from their lamps make of a ratio, where that is known."""
    if most - least < ROOM:
        return ""
    return f" Surfaces turned from their lamps make it {least:.1f} to {most:.1f}."


def _sides(plan: Plan, target: RatioTarget) -> tuple[Lamps, Lamps, str]:
    lit, shadow = plan.patch(target.lit), plan.patch(target.shadow)
    if lit and shadow and lit.lit_by and shadow.lit_by:
        return lamps_of(plan, lit), lamps_of(plan, shadow), "."
    key = tuple(light for light in plan.lights if light.role == "key")
    fill = tuple(light for light in plan.lights if light.role == "fill")
    return (*key, *fill), fill, " (key and fill by their roles, since lit_by isn't said)."


def _conventions(lit: Lamps, shadow: Lamps, gives: float) -> str:
    """Spell the readings' ratio out in both conventions where key and fill can be told apart."""
    alone = tuple(lamp for lamp in lit if lamp not in shadow)
    key, fill = together(alone), together(shadow)
    told = f"the readings give {gives:.1f} stops lit to shadow"
    if key is None or fill is None:
        return told
    apart = stops.stops_between_f_numbers(fill, key)
    sums = f"{stops.ratio_of_stops(apart):.1f}:1 as key to fill"
    sums += f", {stops.combined_ratio(apart):.1f}:1 as key + fill to fill"
    return f"{told} ({say_f_number(key)} over {say_f_number(fill)}: {sums})"


def _mend_ratio(target: RatioTarget, lit: Lamps, shadow: Lamps) -> str:
    alone = tuple(lamp for lamp in lit if lamp not in shadow)
    shared = {lamp.name for lamp in shadow} <= {lamp.name for lamp in lit}
    key, fill = together(alone), together(shadow)
    wanted = stops.ratio_of_stops(target.stops) - (1.0 if shared else 0.0)
    if len(shadow) != 1 or key is None or fill is None or wanted <= 0.0:
        return "Meter the lamps again, or change the target."
    change = stops.stops_between_f_numbers(fill, key) - math.log2(wanted)
    return f"{capital(turning(shadow[0], change))}."


def exposure_doubts(plan: Plan) -> Iterator[Doubt]:
    """Compare the light that falls on each patch with the f-number of the lens."""
    if plan.camera.f_number is None:
        return
    lens = exact_f_number(plan.camera.f_number)
    told: set[tuple[str, ...]] = set()
    for index, patch in enumerate(plan.patches):
        lamps = lamps_of(plan, patch)
        light = readings_of(lamps)
        if light is None:
            continue
        doubt = _out_of_reach(patch, light, lens)
        if doubt is None and (names := tuple(lamp.name for lamp in lamps)) not in told:
            doubt = _off_the_lens(patch, lamps, light, lens)
            told.add(names)
        if doubt:
            yield Doubt(("patch", index), *doubt)


def _out_of_reach(patch: Patch, light: Readings, lens: float) -> tuple[str, str] | None:
    """Say where a patch's stuff lies under its light, where its zone can't be reached there."""
    usual, target = _AT_THE_METER.get(patch.material or ""), zone_target(patch)
    if usual is None or target is None:
        return None
    least = usual[0] + stops.stops_between_f_numbers(lens, light.least)
    most = usual[1] + stops.stops_between_f_numbers(lens, light.most)
    under, above = tolerance(patch)
    if least - under - ROOM <= target <= most + above + ROOM:
        return None
    say = (
        f"{capital(patch.name)}: its lamps give {_against(light, lens)}, which puts "
        f"{patch.material} at Zone {least:.1f} to {most:.1f} (common practice). "
        f"The target is {target:.1f}."
    )
    short = target - (most if target > most else least)
    way = "more" if short > 0.0 else "less"
    return say, f"Give it {abs(short):.1f} {way} light, or change the target."


def _off_the_lens(
    patch: Patch, lamps: Lamps, light: Readings, lens: float
) -> tuple[str, str] | None:
    """Ask whether the key's light is meant to lie far from the lens."""
    if not any(lamp.role == "key" for lamp in lamps):
        return None
    over = stops.stops_between_f_numbers(lens, light.least)
    under = stops.stops_between_f_numbers(lens, light.most)
    if over <= _OFF_THE_LENS + ROOM and under >= -_OFF_THE_LENS - ROOM:
        return None
    say = f"{capital(patch.name)}: its lamps give {_against(light, lens)}."
    right = say_f_number(light.metered)
    return say, f"Set the lens to {right}, turn the lamps, or leave it if it is meant."


def _against(light: Readings, lens: float) -> str:
    over = stops.stops_between_f_numbers(lens, light.metered)
    way = "over" if over > 0.0 else "under"
    lies = f"{abs(over):.1f} {way} the lens at {say_f_number(lens)}"
    lies = lies if abs(over) >= ROOM else "as the lens"
    return f"{say_f_number(light.metered)} together, {lies}"
