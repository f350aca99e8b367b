"""Whether powers, shutter, spill and background lamps of a plan fit what it targets."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from stopwise import stops
from stopwise.nominal import exact_f_number, exact_shutter, say_f_number, say_shutter
from stopwise.plan.doubts import (
    ROOM,
    Doubt,
    capital,
    together,
    turning,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.plan.model import Light, Plan

_MOST_AMBIENT = 0.1
"""Stops by which spill may lift the light of a flash before it shows."""


def power_doubts(plan: Plan) -> Iterator[Doubt]:
    """Find lamps that have no power left, or stand between the steps of their pack."""
    for index, lamp in enumerate(plan.lights):
        if lamp.power is None:
            continue
        least, most = lamp.range
        shown = lamp.power_shown(lamp.power)
        if most - lamp.power < lamp.step - 1e-6:
            say = f"{capital(lamp.name)} stands at {shown}, the top of its range: it can't go up."
            do = "Move it nearer, or raise the ISO and turn the others down."
            yield Doubt(("light", index, "power"), say, do)
        steps = (lamp.power - most) / lamp.step
        if abs(steps - round(steps)) > 0.01:
            near = most + round(steps) * lamp.step
            say = f"{capital(lamp.name)} at {lamp.power:g} lies between steps of {lamp.step:.2g}."
            yield Doubt(("light", index, "power"), say, f"The nearest that it has is {near:.2f}.")
        if lamp.power - least < lamp.step - 1e-6:
            say = f"{capital(lamp.name)} stands at {shown}, the bottom of its range."
            yield Doubt(("light", index, "power"), say, "Move it back, or put a diffuser on it.")


def shutter_doubts(plan: Plan) -> Iterator[Doubt]:
    """Compare the shutter with the sync speed."""
    shutter, sync = plan.camera.shutter, plan.camera.sync_speed
    flash = any(light.kind == "flash" for light in plan.lights)
    if shutter and sync and flash and shutter < sync * (1.0 - 1e-6):
        say = f"The shutter at {say_shutter(shutter)} is shorter than sync at {say_shutter(sync)}:"
        say += " its edge darkens a side of the frame."
        yield Doubt(("camera", "shutter"), say, f"Set it to {say_shutter(sync)} or longer.")


def ambient_doubts(plan: Plan) -> Iterator[Doubt]:
    """Work out what the spill adds to the weakest flash, from its EV."""
    camera, spill = plan.camera, plan.set_.ambient_ev
    weakest = _weakest_flash(plan)
    if spill is None or weakest is None or not camera.shutter:
        return
    iso = camera.iso or 100.0
    reads = stops.f_number_of(
        spill + math.log2(exact_shutter(camera.shutter)) + math.log2(iso / 100.0)
    )
    flash = exact_f_number(weakest.meter or 1.0)
    lift = stops.stops_between_f_numbers(flash, stops.add_readings(flash, reads))
    if lift > _MOST_AMBIENT:
        say = (
            f"EV {spill:g} of ambient at {say_shutter(camera.shutter)} reads f/{reads:.2g} and "
            f"lifts {weakest.name} ({say_f_number(flash)}) by {lift:.2f} stop."
        )
        do = "Darken the room, shorten the shutter as far as sync allows, or work at more power."
        yield Doubt(("set", "ambient_ev"), say, do)


def _weakest_flash(plan: Plan) -> Light | None:
    metered = [light for light in plan.lights if light.kind == "flash" and light.meter]
    return min(metered, key=lambda light: light.meter or 0.0, default=None)


def background_doubts(plan: Plan) -> Iterator[Doubt]:
    """Compare background lamps left and right with the target for the paper."""
    target = plan.backdrop.left_right if plan.backdrop else None
    lamps = [light for light in plan.lights if light.role == "background"]
    if plan.backdrop is None or target is None or len(lamps) < 2:
        return
    left = [light for light in lamps if _side(light) < 0.0]
    right = [light for light in lamps if _side(light) > 0.0]
    if len(left) + len(right) < len(lamps):
        left, right = lamps[:1], lamps[1:]
    first, second = together(left), together(right)
    if first is None or second is None:
        return
    gives = stops.stops_between_f_numbers(second, first)
    if abs(gives - target) > plan.backdrop.left_right_within + ROOM:
        say = (
            f"Background lamps read {say_f_number(first)} left and {say_f_number(second)} right: "
            f"left minus right is {gives:+.1f}, and the target is {target:g}."
        )
        lamp, change = (right[0], gives - target) if gives < target else (left[0], target - gives)
        yield Doubt(("backdrop", "left_right"), say, f"{capital(turning(lamp, change))}.")


def _side(light: Light) -> float:
    """Return the sine of its place round the sitter: below 0 for camera left."""
    return 0.0 if light.off_axis is None else round(math.sin(math.radians(light.off_axis)), 6)
