"""Lamps of the floor as they are drawn in either view: a circle, a wedge of beam, a label."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.patches import Patch

    from stopwise.plan.floor import FloorLamp

Point = tuple[float, float]

INK = "0.0"
QUIET = "0.35"
BEAM = "0.55"
DISC = 0.17
"""Greys of the drawing, and a lamp's radius on it in metres."""


def draw_beam(axes: Axes, at: Point, aim: Point, beam: float) -> list[Patch]:
    """Draw a lamp's beam as a wedge and its outline, as far as what it is turned to."""
    from matplotlib.patches import Wedge

    reach = math.hypot(aim[0] - at[0], aim[1] - at[1])
    if reach < DISC:
        return []
    middle = math.degrees(math.atan2(aim[1] - at[1], aim[0] - at[0]))
    edges = (middle - beam / 2.0, middle + beam / 2.0)
    tone = Wedge(at, reach, *edges, fc=BEAM, alpha=0.16, ec="none", zorder=0)
    line = Wedge(at, reach, *edges, fill=False, ec=BEAM, lw=0.7, zorder=1)
    return [axes.add_patch(tone), axes.add_patch(line)]


def end_at(axes: Axes, beams: list[Patch], room: tuple[Point, Point]) -> None:
    """Let beams end at the paper and the floor."""
    from matplotlib.patches import Rectangle

    (left, low), (right, high) = room
    for beam in beams:
        end = Rectangle((left, low), right - left, high - low, transform=axes.transData)
        beam.set_clip_path(end)


def discs(axes: Axes, lamps: list[tuple[Point, FloorLamp]]) -> None:
    """Draw each lamp as a circle with its short name; those in one place share a circle."""
    groups: list[tuple[Point, list[FloorLamp]]] = []
    for at, lamp in lamps:
        near = next((held for spot, held in groups if math.dist(spot, at) < 1.3 * DISC), None)
        if near is None:
            groups.append((at, [lamp]))
        else:
            near.append(lamp)
    for at, held in groups:
        _disc(axes, at, held)


def _reach(names: str) -> float:
    """Return half the width of the disc that holds so many signs, metres."""
    return DISC * max(1.0, 0.25 * (len(names) + 1))


def _disc(axes: Axes, at: Point, lamps: list[FloorLamp]) -> None:
    from matplotlib.patches import Ellipse

    style = "-" if any(lamp.is_placed for lamp in lamps) else (0, (2, 1.5))
    names = ", ".join(lamp.short for lamp in lamps)
    disc = Ellipse(
        at, 2.0 * _reach(names), 2.0 * DISC, fc="white", ec=INK, lw=1.6, ls=style, zorder=6
    )
    axes.add_patch(disc)
    axes.text(*at, names, fontsize=8, weight="bold", ha="center", va="center", zorder=7)


def labels(axes: Axes, lamps: list[tuple[Point, FloorLamp]]) -> None:
    """Write each lamp's name and setting outside of it, away from the sitter."""
    taken: list[Point] = []
    for (x, y), lamp in sorted(lamps, key=lambda pair: -pair[0][1]):
        right = x > 0.0 or (x == 0.0 and len(taken) % 2 == 0)
        away = _reach(lamp.short) + 0.1
        place = (x + (away if right else -away), y)
        while any(abs(place[1] - other[1]) < 0.3 and (other[0] > 0.0) == right for other in taken):
            place = (place[0], place[1] - 0.1)
        taken.append((1.0 if right else -1.0, place[1]))
        text = f"{lamp.name}\n{lamp.told}"
        axes.text(*place, text, fontsize=8, va="center", ha="left" if right else "right",
                  linespacing=1.25, zorder=5,
                  bbox={"fc": "white", "ec": "none", "alpha": 0.85, "pad": 1.0})  # fmt: skip
