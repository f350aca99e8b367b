"""The sense of a plan that is right in form: what its own figures say against each other.

Each check is a function over the plan that gives doubts: what doesn't fit, as a code with its
figures. A dome that faces its lamp reads what no surface turned away from it gets: where the plan
says where a lamp stands, a reading counts from square to the lamp down to square to the camera.
"""

from __future__ import annotations

import math
from pathlib import Path as File
from typing import TYPE_CHECKING, NamedTuple

from stopwise import stops
from stopwise.plan.doubts import ROOM, Doubt, LampTurn
from stopwise.plan.loading import plan_in, read_text
from stopwise.plan.model import BACKDROP
from stopwise.stops import exact_f_number, exact_shutter, say_f_number, say_shutter

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from stopwise.plan.kinds import Box
    from stopwise.plan.model import Light, Patch, Plan, RatioTarget
    from stopwise.plan.places import OldKey, Path

_MOST_AMBIENT = 0.1
"""Stops by which spill may lift the light of a flash before it shows: a meter's tenth."""

_LEAST_COSINE = 0.05
"""A lamp beside or behind still spills a little on a surface that is turned to the camera (set so
that its reading stays finite)."""

_AT_THE_METER = {"skin": (3.4, 6.3), "white cloth": (6.6, 7.5), "black cloth": (1.3, 3.2)}
"""Zones at which a material lies when lamps and lens agree (common practice, from memory)."""

_OFF_THE_LENS = 0.5
"""Stops by which the key's light and the lens may differ before it is asked about (common
practice: half a stop is more than taste)."""

_CONVENTIONS = (
    " ({key} over {fill}: {source:.1f}:1 as key to fill, {additive:.1f}:1 as key + fill to fill)"
)
_BY_ROLE = " (key and fill by their roles, since lit_by isn't said)"
_TURNED = " Surfaces turned from their lamps make it {least:.1f} to {most:.1f}."
_HEADROOM = " with {room:g} stops of headroom"


class Checked(NamedTuple):
    """What a check of a plan came to: the lines to print, and how many of them are warnings."""

    lines: tuple[str, ...]
    warnings: int


def check_plan(
    path: str | File, *, also: Callable[[Plan], Iterable[Doubt]] | None = None
) -> Checked:
    """Check a plan file: its form, then its sense.

    Parameters
    ----------
    path
        The plan.
    also
        A further check of its sense, such as one that looks at a frame.

    Raises
    ------
    PlanError
        If its form is wrong.
    PathMissing
        If a file isn't there.
    """
    source = read_text(path)
    plan = plan_in(source)
    doubts = [*sense_of(plan, folder=File(path).parent), *(also(plan) if also else ())]
    told = [f"{source.name}:{one.line}: {say_old_key(one)}" for one in source.old_keys]
    told += source.lines((doubt.path, f"{doubt.say} {doubt.do}") for doubt in doubts)
    count = f"{len(told)} warning{'s' if len(told) != 1 else ''}" if told else "no warnings"
    return Checked((*told, f"{source.name}: {say_plan(plan)}; {count}."), len(told))


def sense_of(plan: Plan, *, folder: File | None = None) -> tuple[Doubt, ...]:
    """Return what in a plan doesn't fit together.

    Parameters
    ----------
    plan
        A plan that is right in form.
    folder
        Where the plan lies, to look for the frames that it names; None leaves them.
    """
    found = [doubt for check in CHECKS for doubt in check(plan)]
    named = ((one, file) for one in plan.frames.marked for file in one.files)
    for (part, *_), name in named if folder is not None else ():
        if folder is not None and not (folder / name).exists():
            mark = part.asked if part.role != "white card" else f"{part.lamp} --white-card"
            found.append(_doubt(part.path, "frame_missing", file=name, mark=mark))
    return tuple(found)


def say_old_key(one: OldKey) -> str:
    """Say what a key of before is called now."""
    return f"{one.old} is {one.new} now. It is read, and the next edit writes it so."


def say_plan(plan: Plan) -> str:
    """Return in one line what a plan holds."""
    counts = (
        ("lamp", "lamps", len(plan.lights)),
        ("patch", "patches", len(plan.patches)),
        ("ratio", "ratios", len(plan.ratios)),
        ("look", "looks", len(plan.looks)),
    )
    told = [f"{n} {one if n == 1 else many}" for one, many, n in counts if n]
    told += ["a backdrop"] if plan.backdrop else []
    return ", ".join(told) or "nothing yet: frames are measured, not judged"


def _doubt(path: Path, code: str, **values: object) -> Doubt:
    return Doubt(path, code, values)


# --- camera and lamps -----------------------------------------------------------------------------


def _camera_doubts(plan: Plan) -> Iterator[Doubt]:
    """Compare the shutter with the sync speed, and the ISO with that of mid-grey."""
    camera = plan.camera
    shutter, sync = camera.shutter, camera.sync_speed
    flash = any(light.kind == "flash" for light in plan.lights)
    if shutter and sync and flash and shutter < sync * (1.0 - 1e-6):
        said = {"shutter": say_shutter(shutter), "sync": say_shutter(sync)}
        yield _doubt(("camera", "shutter"), "beyond_sync", **said)
    if camera.mid_grey and camera.mid_grey_iso and camera.iso not in (None, camera.mid_grey_iso):
        isos = {"was": camera.mid_grey_iso, "now": camera.iso}
        yield _doubt(("camera", "mid_grey"), "mid_grey_of_other_iso", **isos)


def _power_doubts(plan: Plan) -> Iterator[Doubt]:
    """Find lamps that have no power left, or stand between the steps of their pack."""
    for index, lamp in enumerate(plan.lights):
        if lamp.power is None:
            continue
        path, (least, most) = ("light", index, "power"), lamp.range
        said = {"lamp": lamp.name, "shown": lamp.power_shown(lamp.power)}
        if most - lamp.power < lamp.step - 1e-6:
            yield _doubt(path, "at_top", **said)
        steps = (lamp.power - most) / lamp.step
        if abs(steps - round(steps)) > 0.01:
            near = most + round(steps) * lamp.step
            figures = {"power": lamp.power, "step": lamp.step, "near": near}
            yield _doubt(path, "between_steps", **said, **figures)
        if lamp.power - least < lamp.step - 1e-6:
            yield _doubt(path, "at_bottom", **said)


def _pack_doubts(plan: Plan) -> Iterator[Doubt]:
    """Find heads of one pack that can't stand as the plan says: one dial turns them together."""
    for index, lamp in enumerate(plan.lights):
        first, *rest = plan.turned_with(lamp.name)
        other = plan.light(first)
        if lamp.name not in rest or other is None:
            continue
        said = {"lamp": lamp.name, "other": first, "pack": lamp.pack}
        if lamp.power != other.power:
            yield _doubt(("light", index, "power"), "pack_apart", **said)
        elif (lamp.step, lamp.range, lamp.scale) != (other.step, other.range, other.scale):
            yield _doubt(("light", index, "pack"), "pack_of_two_scales", **said)
        heads = [plan.light(name) for name in (first, *rest)]
        shares = [head.share for head in heads if head is not None and head.share is not None]
        if lamp.name == rest[-1] and sum(shares) > 1.0 + 1e-6:
            whole = {"pack": lamp.pack, "sum": 100.0 * sum(shares)}
            yield _doubt(("light", index, "share"), "pack_over_shared", **whole)


def _ambient_doubts(plan: Plan) -> Iterator[Doubt]:
    """Work out what the spill adds to the weakest flash, from its EV."""
    camera, spill = plan.camera, plan.set_.ambient_ev
    flashes = [light for light in plan.lights if light.kind == "flash" and light.meter]
    weakest = min(flashes, key=lambda light: light.meter or 0.0, default=None)
    if spill is None or weakest is None or not camera.shutter:
        return
    settings = math.log2(exact_shutter(camera.shutter) * (camera.iso or 100.0) / 100.0)
    reads, flash = stops.f_number_of(spill + settings), exact_f_number(weakest.meter or 1.0)
    lift = stops.stops_between_f_numbers(flash, stops.add_readings(flash, reads))
    if lift > _MOST_AMBIENT:
        yield _doubt(
            ("set", "ambient_ev"), "ambient_lifts", ev=spill, shutter=say_shutter(camera.shutter),
            reads=reads, lamp=weakest.name, flash=say_f_number(flash), lift=lift,
        )  # fmt: skip


def _background_doubts(plan: Plan) -> Iterator[Doubt]:
    """Compare background lamps left and right with the target for the paper."""
    target = plan.backdrop.left_right if plan.backdrop else None
    lamps = [light for light in plan.lights if light.role == "background"]
    if plan.backdrop is None or target is None or len(lamps) < 2:
        return
    sides = [math.sin(math.radians(light.off_axis or 0.0)) for light in lamps]
    left = [lamp for lamp, side in zip(lamps, sides, strict=True) if side < -1e-6]
    right = [lamp for lamp, side in zip(lamps, sides, strict=True) if side > 1e-6]
    if len(left) + len(right) < len(lamps):
        left, right = lamps[:1], lamps[1:]
    first, second = _together(left), _together(right)
    if first is None or second is None:
        return
    gives = stops.stops_between_f_numbers(second, first)
    if abs(gives - target) > plan.backdrop.left_right_within + ROOM:
        lamp = right[0] if gives < target else left[0]
        yield _doubt(
            ("backdrop", "left_right"), "paper_uneven", left=say_f_number(first),
            right=say_f_number(second), gives=gives, target=target,
            turn=LampTurn(lamp, -abs(gives - target)),
        )  # fmt: skip


# --- meter readings against ratios and zones ------------------------------------------------------


class _Light(NamedTuple):
    """Readings of the same lamps together: as metered, least and most over what faces them."""

    metered: float
    least: float
    most: float


def _together(lamps: Iterable[Light], *, facing: str = "meter") -> float | None:
    """Return the exact reading of lamps that fire together, None where one isn't metered.

    Parameters
    ----------
    lamps
        The lamps.
    facing
        What the lit surface is turned to: each lamp in turn ("lamp"), the "camera", or wherever the
        "meter"'s dome faced. Without a lamp's place its reading stays as it is.
    """
    found = []
    for lamp in lamps:
        if lamp.meter is None:
            return None
        reading = exact_f_number(lamp.meter)
        if facing not in ("meter", lamp.meter_at) and None not in (lamp.off_axis, lamp.elevation):
            cosine = math.cos(math.radians(lamp.elevation or 0.0))
            cosine *= math.cos(math.radians(lamp.off_axis or 0.0))
            lost = math.log2(max(cosine, _LEAST_COSINE))
            reading = stops.shift_reading(reading, lost if facing == "camera" else -lost)
        found.append(reading)
    return stops.add_readings(*found) if found else None


def _light_of(lamps: Iterable[Light]) -> _Light | None:
    lamps = tuple(lamps)
    ways = [_together(lamps, facing=facing) for facing in ("meter", "camera", "lamp")]
    known = [way for way in ways if way is not None]
    return _Light(known[0], min(known), max(known)) if len(known) == len(ways) else None


def _lamps_of(plan: Plan, patch: Patch) -> tuple[Light, ...]:
    return tuple(light for light in plan.lights if light.name in patch.lit_by)


def _ratio_doubts(plan: Plan) -> Iterator[Doubt]:
    """Compare the ratio that the readings give with each target."""
    for index, target in enumerate(plan.ratios):
        on_lit, on_shadow, by_role = _sides(plan, target)
        both, fill = _light_of(on_lit), _light_of(on_shadow)
        if both is None or fill is None or {*on_lit} == {*on_shadow}:
            continue
        gives = stops.stops_between_f_numbers(fill.metered, both.metered)
        least = stops.stops_between_f_numbers(fill.most, both.least)
        most = stops.stops_between_f_numbers(fill.least, both.most)
        if _reach((least, most), (target.stops - target.within, target.stops + target.within)):
            continue
        alone = _together(lamp for lamp in on_lit if lamp not in on_shadow)
        clauses = ""
        if alone is not None:
            apart = stops.stops_between_f_numbers(fill.metered, alone)
            clauses = _CONVENTIONS.format(
                key=say_f_number(alone), fill=say_f_number(fill.metered),
                source=stops.ratio_of_stops(apart), additive=stops.combined_ratio(apart),
            )  # fmt: skip
        clauses += f"{_BY_ROLE}." if by_role else "."
        clauses += _TURNED.format(least=least, most=most) if most - least >= ROOM else ""
        turn = None
        shared = {lamp.name for lamp in on_shadow} <= {lamp.name for lamp in on_lit}
        wanted = stops.ratio_of_stops(target.stops) - (1.0 if shared else 0.0)
        if len(on_shadow) == 1 and alone is not None and wanted > 0.0:
            change = stops.stops_between_f_numbers(fill.metered, alone) - math.log2(wanted)
            turn = LampTurn(on_shadow[0], change)
        yield _doubt(
            ("ratio", index, "stops"), "ratio_of_readings", lit=target.lit, shadow=target.shadow,
            gives=gives, clauses=clauses, target=target.stops, within=target.within,
            turn=turn or "meter the lamps again, or change the target",
        )  # fmt: skip


def _sides(plan: Plan, target: RatioTarget) -> tuple[tuple[Light, ...], tuple[Light, ...], bool]:
    """Return the lamps on the lit and the shadow side, and whether only their roles say so."""
    lit, shadow = plan.patch(target.lit), plan.patch(target.shadow)
    if lit and shadow and lit.lit_by and shadow.lit_by:
        return _lamps_of(plan, lit), _lamps_of(plan, shadow), False
    key = tuple(light for light in plan.lights if light.role == "key")
    fill = tuple(light for light in plan.lights if light.role == "fill")
    return (*key, *fill), fill, True


def _exposure_doubts(plan: Plan) -> Iterator[Doubt]:
    """Compare the light that falls on each patch with the f-number of the lens."""
    if plan.camera.f_number is None:
        return
    lens = exact_f_number(plan.camera.f_number)
    asked: set[tuple[str, ...]] = set()
    for index, patch in enumerate(plan.patches):
        lamps = _lamps_of(plan, patch)
        light = _light_of(lamps)
        if light is None:
            continue
        names = tuple(lamp.name for lamp in lamps)
        over, least, most = (stops.stops_between_f_numbers(lens, reading) for reading in light)
        side = f"{abs(over):.1f} {'over' if over > 0.0 else 'under'} the lens at"
        said = {
            "patch": patch.name,
            "reading": say_f_number(light.metered),
            "against": f"{side} {say_f_number(lens)}" if abs(over) >= ROOM else "as the lens",
        }
        usual, target = _AT_THE_METER.get(patch.material or ""), patch.target_zone
        lies = (usual[0] + least, usual[1] + most) if usual else None
        if lies and target is not None and not _reach(lies, _around(patch, target)):
            short = target - (lies[1] if target > lies[1] else lies[0])
            yield _doubt(
                ("patch", index), "zone_out_of_reach", **said, material=patch.material,
                least=lies[0], most=lies[1], target=target, short=abs(short),
                way="more" if short > 0.0 else "less",
            )  # fmt: skip
            continue
        is_off = least > _OFF_THE_LENS + ROOM or most < -_OFF_THE_LENS - ROOM
        if is_off and names not in asked and any(lamp.role == "key" for lamp in lamps):
            yield _doubt(("patch", index), "key_off_the_lens", **said)
        asked.add(names)


# --- targets against each other -------------------------------------------------------------------


def _lit_doubts(plan: Plan) -> Iterator[Doubt]:
    """Find patches that no lamp lights, and lamps that light no patch."""
    if not plan.lights:
        return
    for index, patch in enumerate(plan.patches):
        if not patch.lit_by:
            yield _doubt(("patch", index), "patch_unlit", patch=patch.name)
    every = (*plan.patches, *(patch for look in plan.looks for patch in look.patches))
    used = {name for patch in every for name in patch.lit_by}
    for index, light in enumerate(plan.lights):
        if used and light.name not in used and light.role != "background":
            yield _doubt(("light", index), "lamp_lights_nothing", lamp=light.name)


def _clip_doubts(plan: Plan) -> Iterator[Doubt]:
    """Find zones that a sensor can't hold with the headroom asked for."""
    clip = stops.zone_of_luminance(1.0, plan.camera.mid_grey or stops.MID_GREY_OF_SATURATION)
    for index, patch in enumerate(plan.patches):
        target, room = patch.target_zone, patch.least_headroom or 0.0
        if target is None or patch.most_clipped >= 1.0:
            continue
        if target - patch.allows[0] + room > clip + ROOM:
            kept = _HEADROOM.format(room=room) if room else ""
            figures = {"target": target, "kept": kept, "clip": clip, "most": clip - room}
            yield _doubt(("patch", index), "above_the_clip_line", patch=patch.name, **figures)


def _place_doubts(plan: Plan) -> Iterator[Doubt]:
    """Find patches on places that are meant to clip, and on boxes of the backdrop."""
    for index, patch in enumerate(plan.patches):
        path = ("patch", index, "box")
        for place in plan.may_clip:
            if _overlap(patch.box, place.box) and (patch.may_clip or 0.0) < 1.0:
                yield _doubt(path, "on_a_clipping_place", patch=patch.name, place=place.name)
        for box in plan.backdrop.boxes if plan.backdrop and patch.material != "paper" else ():
            if _overlap(patch.box, box):
                yield _doubt(path, "on_the_backdrop", patch=patch.name)


def _pair_doubts(plan: Plan) -> Iterator[Doubt]:
    """Compare ratios and separations with the target zones, and ratios with each other."""
    seen: dict[tuple[str, str], float] = {}
    for index, ratio in enumerate(plan.ratios):
        path, names = ("ratio", index, "stops"), {"lit": ratio.lit, "shadow": ratio.shadow}
        lit, shadow = _span(plan, ratio.lit), _span(plan, ratio.shadow)
        if lit and shadow:
            zones = (lit[0] - shadow[1], lit[1] - shadow[0])
            if not _reach(zones, (ratio.stops - ratio.within, ratio.stops + ratio.within)):
                figures = {"least": zones[0], "most": zones[1], "target": ratio.stops}
                yield _doubt(path, "ratio_against_zones", **names, **figures)
        before = seen.get((ratio.lit, ratio.shadow), ratio.stops)
        if abs(before - ratio.stops) > ROOM:
            yield _doubt(path, "two_ratios", **names, before=before, target=ratio.stops)
        seen[ratio.lit, ratio.shadow], seen[ratio.shadow, ratio.lit] = ratio.stops, -ratio.stops
    for index, one in enumerate(plan.separations):
        lighter, darker = _span(plan, one.lighter), _span(plan, one.darker)
        if lighter and darker and lighter[1] - darker[0] < one.at_least - ROOM:
            yield _doubt(
                ("separation", index, "at_least"), "separation_against_zones", lighter=one.lighter,
                darker=one.darker, most=lighter[1] - darker[0], target=one.at_least,
            )  # fmt: skip


def _reach(gives: tuple[float, float], wanted: tuple[float, float]) -> bool:
    """Tell whether two spans of stops meet, with room."""
    return gives[0] - ROOM <= wanted[1] and wanted[0] <= gives[1] + ROOM


def _around(patch: Patch, target: float) -> tuple[float, float]:
    under, over = patch.allows
    return target - under, target + over


def _span(plan: Plan, name: str) -> tuple[float, float] | None:
    """Return the zones that a side of a ratio or separation may have, None without a target."""
    backdrop, patch = plan.backdrop, plan.patch(name)
    if name == BACKDROP and backdrop and backdrop.zone is not None:
        return backdrop.zone - backdrop.under, backdrop.zone + backdrop.over
    return _around(patch, patch.target_zone) if patch and patch.target_zone is not None else None


def _overlap(first: Box, second: Box) -> bool:
    across = min(first[2], second[2]) > max(first[0], second[0])
    return across and min(first[3], second[3]) > max(first[1], second[1])


CHECKS: tuple[Callable[[Plan], Iterator[Doubt]], ...] = (
    _camera_doubts,
    _power_doubts,
    _pack_doubts,
    _exposure_doubts,
    _ratio_doubts,
    _ambient_doubts,
    _background_doubts,
    _lit_doubts,
    _clip_doubts,
    _place_doubts,
    _pair_doubts,
)
"""Every check of a plan against itself."""
