"""Draw the floor in black and white, from above and from the side, as SVG or PNG."""

from __future__ import annotations

import io
import math
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stopwise.errors import WrongUse
from stopwise.plan.floor import FACE_HEIGHT
from stopwise.whole_file import write_whole

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from stopwise.plan.floor import Floor, FloorLamp, Spot

    Point = tuple[float, float]

_INK, _QUIET, _BEAM, _RULE = "0.0", "0.35", "0.55", "0.8"
"""Greys of the drawing."""

_DISC = 0.17
"""Half the height of a lamp's disc, metres; as all lengths here, chosen to be read on a page."""

_PANEL_HALF, _PAPER_TALL = 0.35, 2.6  # metres, as drawn
_DASHED = (0, (2, 1))  # offset, line and gap in line widths
_COLUMNS = ("", "lamp", "shaped by", "round", "up", "from face", "set to", "reads alone", "held by")
_AT = (0.0, 0.06, 0.17, 0.39, 0.48, 0.56, 0.64, 0.73, 0.83)  # left edges, of the width
_NOTE = (
    "Beams are drawn at the usual angle of their modifier, the face at 1.6 m; dashed lamps have no "
    "place in the plan. Weight every stand, tie what hangs over people, follow the makers."
)


def write_floor(floor: Floor, path: str | Path) -> Path:
    """Write the drawing of a set.

    Parameters
    ----------
    floor
        The set.
    path
        Where to; .svg or .png says what is written. A drawing there is replaced.

    Raises
    ------
    WrongUse
        If the name ends otherwise, or the file can't be written.
    """
    file = Path(path)
    kind = file.suffix.lower()
    if kind not in (".svg", ".png"):
        msg = f"{file.name} must end in .svg or .png: that says what is drawn."
        raise WrongUse(msg)
    write_whole(file, floor_file(floor, kind[1:]))
    return file


def floor_file(floor: Floor, kind: str) -> bytes:
    """Return the drawing of a set as a file: "svg" or "png"."""
    from matplotlib import rc_context

    settings: Any = {
        "svg.fonttype": "none",
        "svg.hashsalt": "stopwise",
        "font.family": "DejaVu Sans",
        "text.parse_math": False,
    }
    metadata = {"Title": floor.title, **({"Date": None} if kind == "svg" else {})}
    drawn = io.BytesIO()
    with rc_context(settings), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing")
        draw_floor(floor).savefig(drawn, format=kind, dpi=150, metadata=metadata)
    return drawn.getvalue()


def draw_floor(floor: Floor) -> Figure:
    """Return the drawing: from above at the left, from the side at the right, a table below."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11.69, 8.27), facecolor="white")
    foot = min(0.09 + 0.027 * (max(len(floor.lamps), 1) + 1), 0.42)
    figure.text(0.04, 0.955, floor.title, fontsize=15, weight="bold", va="center")
    _from_above(figure.add_axes((0.03, foot + 0.02, 0.50, 0.88 - foot)), floor)
    _from_the_side(figure.add_axes((0.55, foot + 0.02, 0.42, 0.88 - foot)), floor)
    _write_table(figure.add_axes((0.04, 0.05, 0.93, foot - 0.04)), floor)
    figure.text(0.04, 0.022, _NOTE, fontsize=7, color=_QUIET)
    return figure


def _from_above(axes: Axes, floor: Floor) -> None:
    from matplotlib.patches import Circle

    _draw_lamps(axes, floor, lambda at: (at.x, at.y), room=((-99.0, -99.0), (99.0, floor.paper_y)))
    _label_lamps(axes, floor.lamps)
    far = max([-floor.camera.y, *(math.hypot(lamp.at.x, lamp.at.y) for lamp in floor.lamps)])
    for metre in range(1, math.ceil(min(far, 12.0)) + 1):
        axes.add_patch(Circle((0, 0), metre, fill=False, ec=_RULE, lw=0.6, ls=(0, (1, 4))))
        place = (metre * math.sin(0.4), -metre * math.cos(0.4))
        _write(axes, place, f"{metre} m", 6.5, color=_QUIET,
               bbox={"fc": "white", "ec": "none", "pad": 0.6})  # fmt: skip
    _line(axes, [(-floor.paper_half, floor.paper_y), (floor.paper_half, floor.paper_y)], 3.5)
    middle = [(0.0, floor.camera.y), (0.0, floor.paper_y)]
    _line(axes, middle, 0.8, color=_RULE, ls=(0, (1, 3)), zorder=2)
    _disc(axes, (0.0, 0.05), (0.5, 0.26), lw=1.2, zorder=4)
    _fill(axes, [(-0.05, -0.09), (0.05, -0.09), (0.0, -0.2)])
    _disc(axes, (0.0, 0.0), (0.23, 0.23), lw=1.4, zorder=5)
    x, y = floor.camera.x, floor.camera.y
    _fill(axes, _oblong((x - 0.17, y - 0.2), (x + 0.17, y)))
    _fill(axes, [(x - 0.07, y), (x + 0.07, y), (x + 0.1, y + 0.16), (x - 0.1, y + 0.16)])
    _write(axes, (x + 0.27, y - 0.1), "camera", 8, ha="left")
    for panel in floor.panels:
        _draw_panel(axes, panel.at, panel.kind)
    places = [*(lamp.at for lamp in floor.lamps), *(panel.at for panel in floor.panels)]
    xs, ys = [abs(at.x) for at in places], [at.y for at in places]
    wide = max([floor.paper_half, *xs]) + 1.25
    low, high = min([floor.camera.y, *ys]) - 0.45, max([floor.paper_y, *ys]) + 0.35
    _frame(axes, ((-wide, low), (wide, high)), "From above")


def _draw_panel(axes: Axes, at: Spot, kind: str) -> None:
    """Draw a flag as a bar, a black board as a broad bar, a white one hollow, a scrim dashed."""
    far = math.hypot(at.x, at.y) or 1.0
    right, down = -at.y / far * _PANEL_HALF, at.x / far * _PANEL_HALF
    ends = [(at.x - right, at.y - down), (at.x + right, at.y + down)]
    style = {"ls": _DASHED} if kind == "scrim" else {}
    _line(axes, ends, {"flag": 2.5, "scrim": 1.6}.get(kind, 6.0), zorder=4, **style)
    if kind == "white board":
        _line(axes, ends, 3.6, color="white", zorder=4.1)
    outward = (at.x * (1.0 + 0.24 / far), at.y * (1.0 + 0.24 / far))
    _write(axes, outward, kind, 7, ha="right" if at.x < 0 else "left")


def _from_the_side(axes: Axes, floor: Floor) -> None:
    _draw_lamps(axes, floor, lambda at: (at.y, at.z), room=((-99.0, 0.0), (floor.paper_y, 99.0)))
    left = min([floor.camera.y - 0.5, *(lamp.at.y - 0.6 for lamp in floor.lamps)])
    right = max([floor.paper_y + 0.4, *(lamp.at.y + 0.6 for lamp in floor.lamps)])
    _line(axes, [(left, 0.0), (right, 0.0)], 1.2)
    _line(axes, [(floor.paper_y, 0.0), (floor.paper_y, _PAPER_TALL)], 3.5)
    for metre in range(math.ceil(left), math.floor(right) + 1):
        _line(axes, [(metre, 0.0), (metre, -0.08)], 0.8)
        _write(axes, (metre, -0.2), f"{abs(metre)} m" if metre else "sitter", 6.5, color=_QUIET)
    face = FACE_HEIGHT
    body = [(-0.12, face - 0.2), (0.16, face - 0.2), (0.2, 0.0), (-0.14, 0.0)]
    _fill(axes, body, fc="white", ec=_INK, lw=1.2, zorder=3)
    _disc(axes, (0.0, face), (0.2, 0.27), lw=1.4, zorder=4)
    _fill(axes, [(-0.095, face + 0.02), (-0.16, face - 0.03), (-0.09, face - 0.05)])
    y, z = floor.camera.y, floor.camera.z
    _line(axes, [(y, 0.0), (y, z)], 0.8, color=_QUIET, zorder=2)
    _fill(axes, _oblong((y - 0.16, z - 0.1), (y + 0.06, z + 0.1)))
    _fill(axes, _oblong((y + 0.06, z - 0.06), (y + 0.22, z + 0.06)))
    for panel in floor.panels:  # behind the sitter, since it stands beside
        low, high = max(panel.at.z - _PANEL_HALF, 0.0), panel.at.z + _PANEL_HALF
        style = {"ls": _DASHED} if panel.kind == "scrim" else {}
        ends = [(panel.at.y, low), (panel.at.y, high)]
        _line(axes, ends, 2.5, color=_BEAM, zorder=2, **style)
    for lamp in floor.lamps:
        _line(axes, [(lamp.at.y, 0.0), (lamp.at.y, lamp.at.z)], 0.8, color=_RULE, zorder=1)
    top = max([_PAPER_TALL, *(lamp.at.z for lamp in floor.lamps)]) + 0.5
    _frame(axes, ((left, -0.3), (right, top)), "From the side, seen from camera right")


# --- lamps in either view -------------------------------------------------------------------------


def _draw_lamps(
    axes: Axes, floor: Floor, flat: Callable[[Spot], Point], *, room: tuple[Point, Point]
) -> None:
    """Draw each lamp as a disc with its short name, and its beam as a wedge inside the `room`.

    A beam ends at what it is turned to; lamps in one place share a disc.
    """
    from matplotlib.patches import Rectangle, Wedge

    groups: list[tuple[Point, list[FloorLamp]]] = []
    for lamp in floor.lamps:
        at, aim = flat(lamp.at), flat(lamp.aim)
        near = next((held for spot, held in groups if math.dist(spot, at) < 1.3 * _DISC), None)
        if near is None:
            groups.append((at, near := []))
        near.append(lamp)
        reach = math.dist(at, aim)
        middle = math.degrees(math.atan2(aim[1] - at[1], aim[0] - at[0]))
        edges = (middle - lamp.beam / 2.0, middle + lamp.beam / 2.0)
        tone = Wedge(at, reach, *edges, fc=_BEAM, alpha=0.16, ec="none", zorder=0)
        line = Wedge(at, reach, *edges, fill=False, ec=_BEAM, lw=0.7, zorder=1)
        (left, low), (right, high) = room
        for beam in (tone, line) if reach >= _DISC else ():
            end = Rectangle((left, low), right - left, high - low, transform=axes.transData)
            axes.add_patch(beam).set_clip_path(end)
    for at, held in groups:
        names = ", ".join(lamp.short for lamp in held)
        style = "-" if any(lamp.is_placed for lamp in held) else (0, (2, 1.5))
        _disc(axes, at, (2.0 * _half_width(names), 2.0 * _DISC), lw=1.6, ls=style, zorder=6)
        _write(axes, at, names, 8, weight="bold", zorder=7)


def _half_width(names: str) -> float:
    """Return half the width of the disc that holds so many signs, metres."""
    return _DISC * max(1.0, 0.25 * (len(names) + 1))


def _label_lamps(axes: Axes, lamps: Iterable[FloorLamp]) -> None:
    """Write each lamp's name and setting outside of it, away from the sitter."""
    taken: list[tuple[bool, float]] = []
    for lamp in sorted(lamps, key=lambda lamp: -lamp.at.y):
        x, y = lamp.at.x, lamp.at.y
        is_right = x > 0.0 or (x == 0.0 and len(taken) % 2 == 0)
        while any(abs(y - other) < 0.3 and side == is_right for side, other in taken):
            y -= 0.1
        taken.append((is_right, y))
        away = _half_width(lamp.short) + 0.1
        place = (x + away if is_right else x - away, y)
        _write(axes, place, f"{lamp.name}\n{lamp.told}", 8, ha="left" if is_right else "right",
               linespacing=1.25, zorder=5,
               bbox={"fc": "white", "ec": "none", "alpha": 0.85, "pad": 1.0})  # fmt: skip


def _write_table(axes: Axes, floor: Floor) -> None:
    axes.set(xlim=(0, 1), ylim=(len(floor.lamps) + 1.2, 0))
    axes.axis("off")
    _line(axes, [(0, 1), (1, 1)], 0.8)
    for at, head in zip(_AT, _COLUMNS, strict=True):
        _write(axes, (at, 0.5), head, 7.5, color=_QUIET, ha="left")
    for number, lamp in enumerate(floor.lamps):
        for at, cell in zip(_AT, (lamp.short, *lamp.row), strict=True):
            text = cell if len(cell) <= 34 else f"{cell[:33]}…"
            weight = "normal" if at else "bold"
            _write(axes, (at, number + 1.6), text, 8.5, ha="left", weight=weight)


# --- ink ------------------------------------------------------------------------------------------


def _write(axes: Axes, at: Point, text: str, size: float, **more: Any) -> None:
    axes.text(*at, text, fontsize=size, va="center", **{"ha": "center", **more})


def _line(axes: Axes, points: Sequence[Point], width: float, **more: Any) -> None:
    look = {"color": _INK, "solid_capstyle": "butt", **more}
    axes.plot(*zip(*points, strict=True), lw=width, **look)


def _fill(axes: Axes, points: Sequence[Point], **more: Any) -> None:
    from matplotlib.patches import Polygon

    axes.add_patch(Polygon(points, **{"fc": _INK, "zorder": 4, **more}))


def _oblong(first: Point, last: Point) -> list[Point]:
    return [first, (last[0], first[1]), last, (first[0], last[1])]


def _disc(axes: Axes, at: Point, size: Point, **more: Any) -> None:
    from matplotlib.patches import Ellipse

    axes.add_patch(Ellipse(at, *size, fc="white", ec=_INK, **more))


def _frame(axes: Axes, bounds: tuple[Point, Point], title: str) -> None:
    (left, low), (right, high) = bounds
    axes.set(xlim=(left, right), ylim=(low, high), aspect="equal")
    axes.axis("off")
    axes.set_title(title, fontsize=10, loc="left", color=_QUIET)
