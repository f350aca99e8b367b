"""Whether the targets of a plan can hold at once, and whether anything can answer them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.plan.crosscheck import BACKDROP
from stopwise.plan.doubts import ROOM, Doubt, capital, tolerance, zone_target
from stopwise.stops import MID_GREY_OF_SATURATION, zone_of_luminance

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path as File

    from stopwise.plan.kinds import Box
    from stopwise.plan.model import Patch, Plan

Span = tuple[float, float]


def lit_doubts(plan: Plan) -> Iterator[Doubt]:
    """Find patches that no lamp lights, and lamps that light no patch."""
    if not plan.lights:
        return
    for index, patch in enumerate(plan.patches):
        if not patch.lit_by:
            say = f"No lamp is said to light {patch.name}: when it is off, none can be named."
            yield Doubt(("patch", index), say, 'Write its lamps, such as lit_by = ["key", "fill"].')
    used = {name for patch in plan.patches for name in patch.lit_by}
    used |= {name for look in plan.looks for patch in look.patches for name in patch.lit_by}
    for index, light in enumerate(plan.lights):
        if used and light.name not in used and light.role != "background":
            say = f"{capital(light.name)} lights no patch: nothing in the frame answers for it."
            yield Doubt(("light", index), say, "Put a patch where it alone is seen.")


def ratio_target_doubts(plan: Plan) -> Iterator[Doubt]:
    """Compare ratios with the zones that their patches have targets at, and with each other."""
    seen: dict[tuple[str, str], float] = {}
    for index, target in enumerate(plan.ratios):
        path = ("ratio", index, "stops")
        lit, shadow = _span(plan, target.lit), _span(plan, target.shadow)
        if lit and shadow:
            least, most = lit[0] - shadow[1], lit[1] - shadow[0]
            if (
                most < target.stops - target.within - ROOM
                or least > target.stops + target.within + ROOM
            ):
                say = f"{capital(target.lit)} and {target.shadow} have targets {least:.1f} to"
                say += f" {most:.1f} stops apart as zones, and {target.stops:.1f} as a ratio."
                yield Doubt(path, say, "One of the three must give way.")
        before = seen.get((target.lit, target.shadow), target.stops)
        if abs(before - target.stops) > ROOM:
            say = f"The ratio of {target.lit} to {target.shadow} has two targets,"
            say += f" {before:g} and {target.stops:g}."
            yield Doubt(path, say, "Keep one of the two.")
        seen[target.lit, target.shadow] = target.stops
        seen[target.shadow, target.lit] = -target.stops


def separation_doubts(plan: Plan) -> Iterator[Doubt]:
    """Compare separations with the target zones."""
    for index, target in enumerate(plan.separations):
        lighter, darker = _span(plan, target.lighter), _span(plan, target.darker)
        if lighter and darker and lighter[1] - darker[0] < target.at_least - ROOM:
            say = (
                f"{capital(target.lighter)} can lie {lighter[1] - darker[0]:.1f} over "
                f"{target.darker} at most, by their zones; the target between them is "
                f"{target.at_least:.1f}."
            )
            yield Doubt(("separation", index, "at_least"), say, "Move a zone, or ask for less.")


def clip_doubts(plan: Plan) -> Iterator[Doubt]:
    """Find zones that a sensor can't hold with the headroom asked for."""
    clip = zone_of_luminance(1.0, plan.camera.mid_grey or MID_GREY_OF_SATURATION)
    for index, patch in enumerate(plan.patches):
        target = zone_target(patch)
        room = patch.headroom if patch.headroom is not None else patch.defaults.headroom
        limit = patch.may_clip if patch.may_clip is not None else patch.defaults.may_clip
        if target is None or limit >= 1.0:
            continue
        lowest = target - tolerance(patch)[0] + (room or 0.0)
        if lowest > clip + ROOM:
            kept = f" with {room:g} stops of headroom" if room else ""
            say = f"{capital(patch.name)} at Zone {target:g}{kept} lies above the clip line"
            say += f", Zone {clip:.2f}."
            yield Doubt(("patch", index), say, f"Target Zone {clip - (room or 0.0):.1f} at most.")


def place_doubts(plan: Plan) -> Iterator[Doubt]:
    """Find patches on places that are meant to clip, and on boxes of the backdrop."""
    for index, patch in enumerate(plan.patches):
        for place in plan.may_clip:
            if _overlap(patch.box, place.box) > 0.0 and (patch.may_clip or 0.0) < 1.0:
                say = f"{capital(patch.name)} lies on {place.name}, which is meant to clip."
                yield Doubt(("patch", index, "box"), say, "Move one of the boxes.")
        for box in plan.backdrop.boxes if plan.backdrop and patch.material != "paper" else ():
            if _overlap(patch.box, box) > 0.0:
                say = f"{capital(patch.name)} lies on a box of the backdrop."
                yield Doubt(("patch", index, "box"), say, "Move one of the boxes.")


def camera_doubts(plan: Plan) -> Iterator[Doubt]:
    """Find a mid-grey that doesn't hold for the plan's ISO."""
    camera = plan.camera
    if camera.mid_grey and camera.mid_grey_iso and camera.iso not in (None, camera.mid_grey_iso):
        say = f"mid_grey was set at ISO {camera.mid_grey_iso:g}, the plan shoots at {camera.iso:g}:"
        do = "Shoot the grey card again and run `stopwise grey`."
        yield Doubt(("camera", "mid_grey"), f"{say} zones won't be seen.", do)


def file_doubts(plan: Plan, folder: File) -> Iterator[Doubt]:
    """Find frames that are named but aren't there."""
    frames = plan.frames
    named: list[tuple[tuple[str, ...], str | None]] = [
        (("frames", "grey"), frames.grey),
        (("frames", "ambient"), frames.ambient),
        (("frames", "plate"), frames.plate),
        (("frames", "reference"), frames.reference),
        *((("frames", "solo", lamp), name) for lamp, name in frames.solo.items()),
        *((("frames", "white_card", lamp), name) for lamp, name in frames.white_card.items()),
    ]
    for path, name in named:
        if name and not (folder / name).exists():
            card = " --white-card" if path[1] == "white_card" else ""
            do = f"Copy it there, or mark another: stopwise mark FRAME {path[-1]}{card}."
            yield Doubt(path, f"{name} isn't beside the plan.", do)


def _span(plan: Plan, name: str) -> Span | None:
    if name == BACKDROP and plan.backdrop and plan.backdrop.zone is not None:
        backdrop, target = plan.backdrop, plan.backdrop.zone
        return target - backdrop.under, target + backdrop.over
    patch = plan.patch(name)
    return _patch_span(patch) if patch else None


def _patch_span(patch: Patch) -> Span | None:
    target, (under, over) = zone_target(patch), tolerance(patch)
    return None if target is None else (target - under, target + over)


def _overlap(first: Box, second: Box) -> float:
    width = min(first[2], second[2]) - max(first[0], second[0])
    height = min(first[3], second[3]) - max(first[1], second[1])
    return max(width, 0.0) * max(height, 0.0)
