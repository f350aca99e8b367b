"""Write `plan.toml` from the set and the targets, so that plan and frames can't drift apart."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from lightmodel import studio
from lightmodel import targets as plan
from lightmodel.frames import LEVEL, RECIPES
from lightmodel.render import MID_GREY
from lightmodel.scene import PAPER_Z

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from lightmodel.lamps import Lamp
    from lightmodel.targets import Box, Patch, Targets

_MORE = {
    "key": ("key", "snoot", -2.0),
    "fill": ("fill", "snoot", -4.5),
    "hair": ("hair", "gridded dish", -3.0),
    "paper left": ("background", "reflector", -4.0),
    "paper right": ("background", "reflector", -4.0),
}
"""Role, modifier and power of each lamp, which the light itself doesn't know."""

CAMERA_HEIGHT = 1.5


def plan_text() -> str:
    """Return the whole plan file."""
    parts = [
        *_head(),
        *(line for lamp in studio.LAMPS for line in _light(lamp)),
        "# The patches follow the sitter; the chip on its rod stays where it is.",
        *_targets(plan.WHITE, ""),
        *_backdrop(),
        *_limits(),
        *_frames(),
        *_set(),
        *(line for look in (plan.BLACK, plan.UPRIGHT) for line in _look(look)),
    ]
    return "\n".join(parts).rstrip() + "\n"


def _head() -> Iterator[str]:
    yield "# Lighting plan of the sample frames; written by the program in lightmodel/."
    yield "schema = 1"
    yield 'title = "Fencer, hard light"'
    yield ""
    yield "[camera]"
    yield "iso = 100"
    yield 'f_number = "f/11"'
    yield 'shutter = "1/160"'
    yield 'sync_speed = "1/200"'
    yield f"mid_grey = {MID_GREY:.4f}  # from the card in F0001.dng"
    yield 'mid_grey_model = "LF-1"'
    yield "mid_grey_iso = 100"
    yield 'balance = "daylight"'
    yield ""


def _light(lamp: Lamp) -> Iterator[str]:
    role, modifier, power = _MORE[lamp.name]
    x, y, z = _from_sitter(lamp, role)
    away = math.hypot(x, y, z)
    yield "[[light]]"
    yield f'name = "{lamp.name}"'
    yield f'role = "{role}"'
    yield f'modifier = "{modifier}"'
    yield f"off_axis = {math.degrees(math.atan2(x, z)):.0f}"
    yield f"elevation = {math.degrees(math.asin(y / away)):.0f}"
    yield f"distance = {away:.2f}"
    yield f"meter = {lamp.meter:.1f}{'  # read at the paper' if role == 'background' else ''}"
    yield 'meter_at = "lamp"'
    yield f"power = {power:.1f}"
    yield "step = 0.1"
    yield "range = [-8.0, 0.0]"
    yield ""


def _from_sitter(lamp: Lamp, role: str) -> tuple[float, float, float]:
    """Return where a lamp stands from what it lights of the sitter; paper lamps from his head."""
    (x, y, z), (u, v, w) = lamp.position, lamp.aim
    return (x, y, z) if role == "background" else (x - u, y - v, z - w)


def _targets(targets: Targets, table: str) -> Iterator[str]:
    for patch in targets.patches:
        yield from _patch(patch, table)
    yield f"[[{table}ratio]]"
    yield f'lit = "{plan.LIT}"'
    yield f'shadow = "{plan.SHADOW}"'
    yield f"stops = {targets.ratio_stops}"
    yield f"within = {targets.ratio_within}"
    yield ""


def _patch(patch: Patch, table: str) -> Iterator[str]:
    yield f"[[{table}patch]]"
    yield f'name = "{patch.name}"'
    yield f"box = {_box(patch.box)}"
    if patch.material:
        yield f'material = "{patch.material}"'
    yield f"zone = {patch.zone}"
    yield "still = true" if patch.part is None else "follow = true"
    yield f"lit_by = [{', '.join(_quoted(name) for name in patch.lit_by)}]"
    yield ""


def _backdrop() -> Iterator[str]:
    yield "[[separation]]"
    yield f'lighter = "{plan.HAIR}"'
    yield 'darker = "backdrop"'
    yield f"at_least = {plan.SEPARATION_AT_LEAST}"
    yield ""
    yield from _paper(plan.BACKDROP.boxes, "")


def _paper(boxes: Iterable[Box], table: str) -> Iterator[str]:
    target = plan.BACKDROP
    yield f"[{table}backdrop]"
    yield f"boxes = [{', '.join(_box(box) for box in boxes)}]"
    for key in ("zone", "left_right", "left_right_within", "falloff", "falloff_within", "uneven"):
        yield f"{key} = {getattr(target, key)}"
    yield ""


def _may_clip(boxes: Iterable[Box], table: str) -> Iterator[str]:
    for box in boxes:
        yield f"[[{table}may_clip]]"
        yield 'name = "buckle"'
        yield f"box = {_box(box)}"
        yield ""


def _limits() -> Iterator[str]:
    yield from _may_clip(plan.WHITE.may_clip, "")
    yield "[limits]"
    yield f"blown_area = {plan.BLOWN_AREA:.4f}"
    yield f"pinpoint_largest = {plan.PINPOINT_LARGEST:.5f}"
    yield f"pinpoints_total = {plan.PINPOINTS_TOTAL:.4f}"
    yield ""


def _frames() -> Iterator[str]:
    roles = {recipe.role: f"{recipe.name}.dng" for recipe in RECIPES if recipe.role}
    lamps = [lamp.name for lamp in studio.LAMPS]
    yield "[frames]"
    for role in ("grey", "ambient", "plate", "reference"):
        yield f'{role} = "{roles[role]}"'
    yield ""
    yield "[frames.solo]"
    for lamp in lamps:
        yield f'{_quoted(lamp) if " " in lamp else lamp} = "{roles[lamp]}"'
    yield ""


def _set() -> Iterator[str]:
    yield "[set]"
    yield f"sitter_to_paper = {-PAPER_Z}"
    yield f"camera_to_sitter = {LEVEL.eye[2]}"
    yield f"camera_height = {CAMERA_HEIGHT}"
    yield "lens_mm = 85"
    yield 'paper = "mid-grey, 2.7 m wide"'
    yield 'note = "Hair lamp on a boom: sandbag it, tie it off, keep people from under it."'
    yield ""


def _look(look: Targets) -> Iterator[str]:
    yield "[[look]]"
    yield f'name = "{look.look}"'
    if look.backdrop:
        yield 'orientation = "upright"'
    yield ""
    yield from _targets(look, "look.")
    if look.backdrop:
        yield from _paper(look.backdrop, "look.")
        yield from _may_clip(look.may_clip, "look.")


def _box(box: Box) -> str:
    return "[" + ", ".join(f"{edge:g}" for edge in box) + "]"


def _quoted(text: str) -> str:
    return f'"{text}"'
