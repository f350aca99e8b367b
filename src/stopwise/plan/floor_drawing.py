"""Draw the floor in black and white, from above and from the side, as SVG or PNG."""

from __future__ import annotations

import math
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stopwise.errors import WrongUse
from stopwise.plan.floor import FACE_HEIGHT
from stopwise.plan.floor_lamps import BEAM, INK, QUIET, discs, draw_beam, end_at, labels

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from stopwise.plan.floor import Floor, FloorPanel, Spot

Point = tuple[float, float]

_RULE = "0.8"
_PANEL_HALF = 0.35
_PAPER_TALL = 2.6
_COLUMNS = ("", "lamp", "shaped by", "round", "up", "from face", "set to", "reads alone", "held by")
_AT = (0.0, 0.06, 0.17, 0.39, 0.48, 0.56, 0.64, 0.73, 0.83)
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
    if file.suffix.lower() not in (".svg", ".png"):
        msg = f"{file.name} must end in .svg or .png: that says what is drawn."
        raise WrongUse(msg)
    from matplotlib import rc_context

    settings: Any = {
        "svg.fonttype": "none",
        "svg.hashsalt": "stopwise",
        "font.family": "DejaVu Sans",
        "text.parse_math": False,
    }
    try:
        with rc_context(settings), warnings.catch_warnings():
            warnings.filterwarnings("ignore", "Glyph .* missing")
            metadata = {"Title": floor.title, **({"Date": None} if _is_svg(file) else {})}
            draw_floor(floor).savefig(file, dpi=150, metadata=metadata)
    except OSError as error:
        msg = f"{file} can't be written: {error.strerror or error}."
        raise WrongUse(msg) from None
    return file


def _is_svg(file: Path) -> bool:
    return file.suffix.lower() == ".svg"


def draw_floor(floor: Floor) -> Figure:
    """Return the drawing: from above at the left, from the side at the right, a table below."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11.69, 8.27), facecolor="white")
    rows = max(len(floor.lamps), 1)
    foot = min(0.09 + 0.027 * (rows + 1), 0.42)
    above = figure.add_axes((0.03, foot + 0.02, 0.50, 0.88 - foot))
    side = figure.add_axes((0.55, foot + 0.02, 0.42, 0.88 - foot))
    table = figure.add_axes((0.04, 0.05, 0.93, foot - 0.04))
    figure.text(0.04, 0.955, floor.title, fontsize=15, weight="bold", va="center")
    _from_above(above, floor)
    _from_the_side(side, floor)
    _write_table(table, floor)
    figure.text(0.04, 0.022, _NOTE, fontsize=7, color=QUIET)
    return figure


# --- from above -----------------------------------------------------------------------------------


def _from_above(axes: Axes, floor: Floor) -> None:
    for lamp in floor.lamps:
        wedge = draw_beam(axes, (lamp.at.x, lamp.at.y), (lamp.aim.x, lamp.aim.y), lamp.beam)
        end_at(axes, wedge, ((-99.0, -99.0), (99.0, floor.paper_y)))
    _rings(axes, floor)
    half = floor.paper_half
    axes.plot([-half, half], [floor.paper_y] * 2, color=INK, lw=3.5, solid_capstyle="butt")
    axes.plot([0.0, 0.0], [floor.camera.y, floor.paper_y], color=_RULE, lw=0.8, ls=(0, (1, 3)))
    _sitter_above(axes)
    _camera_above(axes, floor.camera)
    for panel in floor.panels:
        _panel_above(axes, panel)
    lamps = [((lamp.at.x, lamp.at.y), lamp) for lamp in floor.lamps]
    discs(axes, lamps)
    labels(axes, lamps)
    _frame(axes, _bounds(floor), "From above")


def _rings(axes: Axes, floor: Floor) -> None:
    from matplotlib.patches import Circle

    far = max([abs(floor.camera.y), *(math.hypot(lamp.at.x, lamp.at.y) for lamp in floor.lamps)])
    for metre in range(1, math.ceil(min(far, 12.0)) + 1):
        axes.add_patch(Circle((0, 0), metre, fill=False, ec=_RULE, lw=0.6, ls=(0, (1, 4))))
        x, y = metre * math.sin(0.4), -metre * math.cos(0.4)
        axes.text(x, y, f"{metre} m", fontsize=6.5, color=QUIET, ha="center", va="center",
                  bbox={"fc": "white", "ec": "none", "pad": 0.6})  # fmt: skip


def _sitter_above(axes: Axes) -> None:
    from matplotlib.patches import Circle, Ellipse, Polygon

    axes.add_patch(Ellipse((0, 0.05), 0.5, 0.26, fc="white", ec=INK, lw=1.2, zorder=4))
    axes.add_patch(Polygon([(-0.05, -0.09), (0.05, -0.09), (0, -0.2)], fc=INK, zorder=4))
    axes.add_patch(Circle((0, 0), 0.115, fc="white", ec=INK, lw=1.4, zorder=5))


def _camera_above(axes: Axes, at: Spot) -> None:
    from matplotlib.patches import Polygon, Rectangle

    axes.add_patch(Rectangle((at.x - 0.17, at.y - 0.2), 0.34, 0.2, fc=INK, zorder=4))
    corners = [(-0.07, 0.0), (0.07, 0.0), (0.1, 0.16), (-0.1, 0.16)]
    axes.add_patch(Polygon([(at.x + x, at.y + y) for x, y in corners], fc=INK, zorder=4))
    axes.text(at.x + 0.27, at.y - 0.1, "camera", fontsize=8, va="center")


def _panel_above(axes: Axes, panel: FloorPanel) -> None:
    x, y = panel.at.x, panel.at.y
    far = math.hypot(x, y) or 1.0
    across = (-y / far * _PANEL_HALF, x / far * _PANEL_HALF)
    ends = ([x - across[0], x + across[0]], [y - across[1], y + across[1]])
    _panel_line(axes, ends, panel.kind)
    outward = (x + 0.24 * x / far, y + 0.24 * y / far)
    axes.text(*outward, panel.kind, fontsize=7, ha="right" if x < 0 else "left", va="center")


def _panel_line(axes: Axes, ends: tuple[list[float], list[float]], kind: str) -> None:
    """Draw a flag as a bar, a black board as a broad bar, a white one hollow, a scrim dashed."""
    axes.plot(*ends, color=INK, lw={"flag": 2.5, "scrim": 1.6}.get(kind, 6.0), zorder=4,
              ls=(0, (2, 1)) if kind == "scrim" else "-", solid_capstyle="butt")  # fmt: skip
    if kind == "white board":
        axes.plot(*ends, color="white", lw=3.6, zorder=4.1, solid_capstyle="butt")


# --- from the side --------------------------------------------------------------------------------


def _from_the_side(axes: Axes, floor: Floor) -> None:
    for lamp in floor.lamps:
        wedge = draw_beam(axes, (lamp.at.y, lamp.at.z), (lamp.aim.y, lamp.aim.z), lamp.beam)
        end_at(axes, wedge, ((-99.0, 0.0), (floor.paper_y, 99.0)))
    left = min([floor.camera.y - 0.5, *(lamp.at.y - 0.6 for lamp in floor.lamps)])
    right = max([floor.paper_y + 0.4, *(lamp.at.y + 0.6 for lamp in floor.lamps)])
    _ground(axes, (left, right), floor)
    _sitter_side(axes)
    _camera_side(axes, floor.camera)
    for panel in floor.panels:
        _panel_side(axes, panel)
    for lamp in floor.lamps:
        axes.plot([lamp.at.y] * 2, [0.0, lamp.at.z], color=_RULE, lw=0.8, zorder=1)
    discs(axes, [((lamp.at.y, lamp.at.z), lamp) for lamp in floor.lamps])
    top = max([_PAPER_TALL, *(lamp.at.z for lamp in floor.lamps)]) + 0.5
    _frame(axes, ((left, -0.3), (right, top)), "From the side, seen from camera right")


def _ground(axes: Axes, ends: Point, floor: Floor) -> None:
    axes.plot(ends, [0.0, 0.0], color=INK, lw=1.2)
    paper = ([floor.paper_y, floor.paper_y], [0.0, _PAPER_TALL])
    axes.plot(*paper, color=INK, lw=3.5, solid_capstyle="butt")
    for metre in range(math.ceil(ends[0]), math.floor(ends[1]) + 1):
        axes.plot([metre, metre], [0.0, -0.08], color=INK, lw=0.8)
        axes.text(metre, -0.2, f"{abs(metre)} m" if metre else "sitter", fontsize=6.5,
                  color=QUIET, ha="center", va="center")  # fmt: skip


def _panel_side(axes: Axes, panel: FloorPanel) -> None:
    """Draw a panel behind the sitter, since it stands beside."""
    low, high = max(panel.at.z - _PANEL_HALF, 0.0), panel.at.z + _PANEL_HALF
    style = (0, (2, 1)) if panel.kind == "scrim" else "-"
    axes.plot([panel.at.y] * 2, [low, high], color=BEAM, lw=2.5, ls=style, zorder=2,
              solid_capstyle="butt")  # fmt: skip


def _sitter_side(axes: Axes) -> None:
    from matplotlib.patches import Ellipse, Polygon

    body = [(-0.12, FACE_HEIGHT - 0.2), (0.16, FACE_HEIGHT - 0.2), (0.2, 0.0), (-0.14, 0.0)]
    axes.add_patch(Polygon(body, fc="white", ec=INK, lw=1.2, zorder=3))
    axes.add_patch(Ellipse((0.0, FACE_HEIGHT), 0.2, 0.27, fc="white", ec=INK, lw=1.4, zorder=4))
    nose = [(-0.095, FACE_HEIGHT + 0.02), (-0.16, FACE_HEIGHT - 0.03), (-0.09, FACE_HEIGHT - 0.05)]
    axes.add_patch(Polygon(nose, fc=INK, zorder=4))


def _camera_side(axes: Axes, at: Spot) -> None:
    from matplotlib.patches import Rectangle

    axes.plot([at.y, at.y], [0.0, at.z], color=QUIET, lw=0.8)
    axes.add_patch(Rectangle((at.y - 0.16, at.z - 0.1), 0.22, 0.2, fc=INK, zorder=4))
    axes.add_patch(Rectangle((at.y + 0.06, at.z - 0.06), 0.16, 0.12, fc=INK, zorder=4))


def _bounds(floor: Floor) -> tuple[Point, Point]:
    xs = [abs(lamp.at.x) for lamp in floor.lamps] + [abs(panel.at.x) for panel in floor.panels]
    ys = [lamp.at.y for lamp in floor.lamps] + [panel.at.y for panel in floor.panels]
    wide = max([floor.paper_half, *xs]) + 1.25
    low, high = min([floor.camera.y, *ys]) - 0.45, max([floor.paper_y, *ys]) + 0.35
    return (-wide, low), (wide, high)


def _frame(axes: Axes, bounds: tuple[Point, Point], title: str) -> None:
    (left, low), (right, high) = bounds
    axes.set(xlim=(left, right), ylim=(low, high), aspect="equal")
    axes.axis("off")
    axes.set_title(title, fontsize=10, loc="left", color=QUIET)


def _write_table(axes: Axes, floor: Floor) -> None:
    axes.set(xlim=(0, 1), ylim=(len(floor.lamps) + 1.2, 0))
    axes.axis("off")
    for at, head in zip(_AT, _COLUMNS, strict=True):
        axes.text(at, 0.5, head, fontsize=7.5, color=QUIET, va="center")
    axes.plot([0, 1], [1, 1], color=INK, lw=0.8)
    for number, lamp in enumerate(floor.lamps):
        for at, cell in zip(_AT, (lamp.short, *lamp.row), strict=True):
            axes.text(at, number + 1.6, _short(cell), fontsize=8.5, va="center",
                      weight="bold" if at == 0.0 else "normal")  # fmt: skip


def _short(text: str) -> str:
    return text if len(text) <= 34 else f"{text[:33]}…"
