"""The floor: where everything of a set stands, worked out from angles and distances."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.stops import exact_f_number, say_f_number
from stopwise.wording import LAMP_WORDS

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from stopwise.plan.model import Light, Panel, Plan

FACE_HEIGHT = 1.6
"""Metres from the floor to the sitter's face, as it is drawn; nothing is worked out from it."""

_LAMP_DISTANCE, _CAMERA_DISTANCE, _PAPER_DISTANCE = 1.8, 3.0, 2.0
"""Metres at which things are drawn that the plan doesn't place (common in a small studio)."""

_CAMERA_HEIGHT, _AIM_HEIGHT = 1.5, 1.4
"""Metres above the floor of the lens and of what lamps look at (common in a small studio)."""

_PAPER_HALF = 1.35
"""Half of a paper roll 2.7 m wide, metres."""

_BEAMS = {
    "snoot": 16.0,
    "spot": 20.0,
    "projector": 20.0,
    "grid": 30.0,
    "dish": 60.0,
    "reflector": 65.0,
    "barn": 60.0,
    "strip": 70.0,
    "softbox": 90.0,
    "octa": 90.0,
    "umbrella": 100.0,
    "bare": 120.0,
}
"""Whole beam in degrees by a word of the modifier: usual figures, only for the drawing."""

_WIDE = 60.0
"""The beam of a modifier that nobody named, degrees: a bare dish, only for the drawing."""

_SIDES = {"left": "L", "right": "R"}
_USUAL = {"key": 45.0, "fill": -45.0, "hair": 180.0, "rim": 150.0, "kicker": -150.0, "edge": 120.0}
"""Degrees round the sitter at which a lamp of a role is drawn that the plan doesn't place."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A place in metres from the sitter: x to camera right, y away from the camera, z up."""

    x: float
    y: float
    z: float


@dataclass(frozen=True, slots=True)
class FloorLamp:
    """One lamp of the set.

    Attributes
    ----------
    short, name
        Its short name on the drawing, unique on the set, and the plan's name.
    at, aim
        Where it stands, and the spot that it is turned to.
    beam
        Whole angle of the drawn wedge, degrees.
    told
        What to set it to: "set to -2.0".
    row
        Its line of the table: name, modifier, round, up, distance, set to, reads alone, held by.
    is_placed
        Whether the plan says where it stands; else its place is only a guess for the drawing.
    """

    short: str
    name: str
    at: Spot
    aim: Spot
    beam: float
    told: str
    row: tuple[str, ...]
    is_placed: bool


@dataclass(frozen=True, slots=True)
class FloorPanel:
    """A flag, board or scrim: its kind, its middle, and where it faces (the sitter)."""

    kind: str
    at: Spot


@dataclass(frozen=True, slots=True)
class Floor:
    """A set: lamps in the plan's order, panels, camera, and the paper behind the sitter.

    Attributes
    ----------
    paper_y, paper_half
        Metres from the sitter to the paper, and half its width as drawn.
    is_measured
        Whether the plan says how far paper and camera are; else they are only drawn somewhere.
    """

    title: str
    lamps: tuple[FloorLamp, ...]
    panels: tuple[FloorPanel, ...]
    camera: Spot
    paper_y: float
    paper_half: float
    is_measured: bool


def floor_of_plan(plan: Plan) -> Floor:
    """Return where everything of a plan's set stands."""
    known = plan.set_
    lamps = zip(plan.lights, short_names([light.name for light in plan.lights]), strict=True)
    paper = known.sitter_to_paper or _PAPER_DISTANCE
    camera = known.camera_to_sitter or _CAMERA_DISTANCE
    height = known.camera_height or _CAMERA_HEIGHT
    return Floor(
        title=plan.title or "The set",
        lamps=tuple(
            _lamp(light, place, paper, short) for place, (light, short) in enumerate(lamps)
        ),
        panels=tuple(_panel(panel) for panel in plan.panels),
        camera=Spot(0.0, -camera, height),
        paper_y=paper,
        paper_half=_PAPER_HALF,
        is_measured=bool(known.sitter_to_paper and known.camera_to_sitter),
    )


def short_names(names: Sequence[str]) -> list[str]:
    """Return a short name for each lamp, made of its own, at most five signs and no two alike.

    The first word that isn't said of every lamp, cut to four signs; with a side or a number to
    three, and that behind it: "key", "hair", "pap L" of "paper left". Where two would be one, the
    next word's first letter tells them apart, else a number.
    """
    short: list[str] = []
    for name in names:
        words = [word for word in name.split() if word.lower() not in LAMP_WORDS] or name.split()
        first, *rest = sorted(words, key=lambda word: word.lower() in _SIDES)
        marks = [_SIDES.get(word.lower(), word[0].upper()) for word in rest]
        is_told = bool(rest) and (rest[-1].lower() in _SIDES or rest[-1].isdigit())
        tried = [f"{first[:3]} {mark}" for mark in reversed(marks)]
        tried.insert(len(tried) if is_told else 0, first[:4])
        tried += [f"{first[:3]}{number}" for number in range(2, len(names) + 2)]
        short.append(next(one for one in tried if one not in short))
    return short


def place_of(off_axis: float, elevation: float, distance: float) -> Spot:
    """Return a place from its angles and its distance to the sitter's face.

    Parameters
    ----------
    off_axis
        Degrees round the sitter from the camera axis, to camera right positive.
    elevation
        Degrees above the sitter's face.
    distance
        Metres, straight from lamp to face.
    """
    round_, up = math.radians(off_axis), math.radians(elevation)
    along = distance * math.cos(up)
    height = FACE_HEIGHT + distance * math.sin(up)
    return Spot(along * math.sin(round_), -along * math.cos(round_), height)


def beam_of(light: Light) -> float:
    """Return the whole angle of a lamp's drawn beam, degrees: its grid's, or its modifier's."""
    if light.grid and (found := re.search(r"[0-9]+(?:\.[0-9]+)?", light.grid)):
        return min(max(float(found[0]), 5.0), 120.0)
    said = (light.modifier or "").lower()
    beam = next((angle for word, angle in _BEAMS.items() if word in said), _WIDE)
    return min(beam, _BEAMS["grid"]) if light.grid or "grid" in said else beam


def _lamp(light: Light, number: int, paper: float, short: str) -> FloorLamp:
    off_axis, aim = light.off_axis, Spot(0.0, 0.0, FACE_HEIGHT)
    if light.role == "background":
        usual = -135.0 if "left" in light.name.lower() else 135.0
    else:
        usual = _USUAL.get(light.role, 30.0 * (number + 1))
    off_axis = usual if off_axis is None else off_axis
    at = place_of(off_axis, light.elevation or 0.0, light.distance or _LAMP_DISTANCE)
    if light.role == "background":  # turned to its own half of the paper
        aim = Spot(math.copysign(0.35 * _PAPER_HALF, at.x or 1.0), paper, _AIM_HEIGHT)
    return FloorLamp(
        short=short,
        name=light.name,
        at=Spot(at.x, at.y, max(at.z, 0.1)),
        aim=aim,
        beam=beam_of(light),
        told="power not said"
        if light.power is None
        else f"set to {light.power_shown(light.power)}",
        row=_row(light),
        is_placed=light.off_axis is not None and light.distance is not None,
    )


def _row(light: Light) -> tuple[str, ...]:
    """Return a lamp's line of the table, a dash for what isn't said."""
    shaped = (light.modifier, light.grid and f"grid {light.grid}", light.gel)
    cells = (
        light.name,
        ", ".join(part for part in shaped if part),
        side_text(light.off_axis, "right", "left"),
        side_text(light.elevation, "up", "down"),
        f"{light.distance:.2f} m" if light.distance else "",
        "" if light.power is None else light.power_shown(light.power),
        say_f_number(exact_f_number(light.meter)) if light.meter else "",
        ", ".join(part for part in (light.stand, light.pack) if part),
    )
    return tuple(cell or "–" for cell in cells)


def side_text(degrees: float | None, ahead: str, back: str) -> str:
    """Return an angle to one of two sides: "60° right", "0°"; "" for none."""
    if not degrees:
        return "" if degrees is None else "0°"
    return f"{abs(degrees):g}° {ahead if degrees > 0.0 else back}"


def round_the_set(plan: Plan, names: Collection[str]) -> list[Light]:
    """Return lamps in the order of a walk from the camera round by its right.

    Those that the plan doesn't place come last, in its own order.
    """
    lights = [light for light in plan.lights if light.name in names]
    return sorted(
        lights, key=lambda one: math.inf if one.off_axis is None else one.off_axis % 360.0
    )


def _panel(panel: Panel) -> FloorPanel:
    at = place_of(panel.off_axis or 0.0, 0.0, panel.distance or 1.0)
    return FloorPanel(panel.kind, Spot(at.x, at.y, panel.height or _AIM_HEIGHT))
