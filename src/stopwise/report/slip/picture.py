"""The picture on a slip: contours of zones, blown outlines with tags, dots, patches in brackets."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.patheffects import Stroke

from stopwise.conditions import CONDITIONS
from stopwise.report.contours import outlines, stipple, within_box, zone_contours
from stopwise.report.facts import patch_figure
from stopwise.report.look import DARK, OKABE_ITO, STATE_MARKS
from stopwise.report.slip.placing import Room
from stopwise.report.slip.sheet import Area
from stopwise.stops import MID_GREY_OF_SATURATION
from stopwise.wording import shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.report.drawable import Drawable
    from stopwise.report.slip.sheet import Sheet

MOST_TAGS = 9
"""Blown areas that get a number; smaller ones are outlined only."""

_LABEL = 17
_CONTOUR_LABEL = 13
_CONTOUR_LABELS = 14
_BLOWN = OKABE_ITO["orange"]
_INK = "#0B0C0E"
_PALE = "#C9CED6"
_CORNER = 9.0


def draw_no_picture(sheet: Sheet, area: Area, record: dict[str, Any]) -> None:
    """Draw an empty frame that says why there is no picture, and what to do."""
    sheet.fill(area, DARK.raised)
    reason = shown(record.get("reason") or "")
    short = reason.partition(":")[0]
    told = next((row.long for row in CONDITIONS.values() if row.short == short), reason)
    lines = ["No picture.", *sheet.wrapped(told, 30, area.width - 80, lines=3)]
    middle = (area.left + area.right) / 2
    top = (area.top + area.bottom) / 2 - 22 * (len(lines) - 1)
    for place, line in enumerate(lines):
        colour = DARK.quiet if place else DARK.text
        sheet.text((middle, top + 44 * place), line, 30, color=colour, ha="center")


def draw_picture(
    sheet: Sheet, area: Area, record: dict[str, Any], picture: Drawable, *, clip: float
) -> None:
    """Draw the picture with all that is marked on it.

    Parameters
    ----------
    sheet, area
        Where to draw.
    record
        The frame's record, for patches and blown areas.
    picture
        The reduced picture.
    clip
        Zone at which a neutral clips.
    """
    extent = (area.left, area.right, area.bottom, area.top)
    image = sheet.axes.imshow(picture.image, extent=extent, aspect="auto", zorder=0)
    image.set_gid("picture")
    sheet.axes.set_xlim(0.0, sheet.width)
    sheet.axes.set_ylim(sheet.height, 0.0)
    room = Room(area)
    mid_grey = (record.get("zones") or {}).get("mid_grey") or MID_GREY_OF_SATURATION
    room.taken += [_on(area, figures["box"]) for figures in _patches(record).values()]
    _draw_blocked(sheet, area, picture)
    _draw_blown(sheet, room, record, picture)
    for name, figures in _patches(record).items():
        _draw_patch(sheet, room, record, name, figures)
    _draw_contours(sheet, room, zone_contours(picture.luminance, mid_grey=mid_grey, clip=clip))
    _draw_legend(sheet, area)


def _patches(record: dict[str, Any]) -> dict[str, Any]:
    return dict(record.get("patches") or {})


def _on(area: Area, box: Sequence[float]) -> Area:
    x0, y0, x1, y1 = box
    return Area(
        area.left + x0 * area.width,
        area.top + y0 * area.height,
        area.left + x1 * area.width,
        area.top + y1 * area.height,
    )


def _in_pixels(area: Area, points: NDArray[np.float64]) -> NDArray[np.float64]:
    origin, size = (area.left, area.top), (area.width, area.height)
    placed: NDArray[np.float64] = np.asarray(points) * size + origin
    return placed


def _haloed(width: float) -> list[Any]:
    return [Stroke(linewidth=width + 1.4, foreground=_INK, alpha=0.5), Stroke()]


def _draw_contours(sheet: Sheet, room: Room, contours: Sequence[Any]) -> None:
    lines = [_in_pixels(room.area, contour.points) for contour in contours]
    drawn = LineCollection(lines, colors="#FFFFFF", linewidths=0.7, alpha=0.62, zorder=2)
    drawn.set_path_effects(_haloed(0.7))
    drawn.set_gid("contours")
    sheet.axes.add_collection(drawn, autolim=False)
    longest = sorted(range(len(lines)), key=lambda index: -len(lines[index]))
    for index in longest[:_CONTOUR_LABELS]:
        _label_contour(sheet, room, lines[index], f"{contours[index].level:.1f}")


def _label_contour(sheet: Sheet, room: Room, line: NDArray[np.float64], words: str) -> None:
    """Write a contour's zone on it, at the first place along it that is free."""
    width, height = sheet.text_width(words, _CONTOUR_LABEL) + 6, _CONTOUR_LABEL + 3
    for part in (0.5, 0.3, 0.7, 0.15, 0.85):
        x, y = line[int(part * (len(line) - 1))]
        place = Area(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
        if room.area.holds(place) and not any(place.meets(taken) for taken in room.taken):
            room.taken.append(place)
            sheet.fill(place, _INK, alpha=0.55, zorder=3)
            at = (x, place.bottom - 4)
            sheet.text(at, words, _CONTOUR_LABEL, color="#FFFFFF", ha="center", zorder=4)
            return


def _draw_blocked(sheet: Sheet, area: Area, picture: Drawable) -> None:
    dots = _in_pixels(area, stipple(picture.blocked > 0.5, across=int(area.width / 9)))
    sheet.axes.plot(
        *dots.T,
        linestyle="none",
        marker="o",
        markersize=1.5,
        color=_PALE,
        zorder=1,
        markeredgewidth=0.0,
        gid="blocked",
    )


def _draw_blown(sheet: Sheet, room: Room, record: dict[str, Any], picture: Drawable) -> None:
    areas = (record.get("clipping") or {}).get("areas") or ()
    lines = [line for area in areas for line in _outline(room.area, picture, area["box"])]
    drawn = LineCollection(lines, colors=_BLOWN, linewidths=1.6, zorder=5)
    drawn.set_path_effects(_haloed(1.6))
    drawn.set_gid("blown")
    sheet.axes.add_collection(drawn, autolim=False)
    for number, area in enumerate(areas[:MOST_TAGS], start=1):
        _draw_tag(sheet, room, _on(room.area, area["box"]), str(number))


def _outline(area: Area, picture: Drawable, box: Sequence[float]) -> list[NDArray[np.float64]]:
    """Return a blown area's outline, or its box where it is smaller than the picture's blocks."""
    x0, y0, x1, y1 = box
    lines = outlines(within_box(picture.clipped, (x0, y0, x1, y1)))
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)])
    return [_in_pixels(area, line) for line in lines or [corners]]


def _draw_tag(sheet: Sheet, room: Room, spot: Area, number: str) -> None:
    room.taken.append(spot)
    place = room.label(spot, 22, 22)
    middle = ((place.left + place.right) / 2, (place.top + place.bottom) / 2)
    rim = (min(max(middle[0], spot.left), spot.right), min(max(middle[1], spot.top), spot.bottom))
    sheet.line([rim, middle], _BLOWN, 1.5, zorder=5)
    sheet.fill(place, _INK, edgecolor=_BLOWN, linewidth=1.2, zorder=6, gid=f"tag:{number}")
    at = (middle[0], place.bottom - 5.5)
    sheet.text(at, number, 16, color="#FFFFFF", ha="center", weight="bold", zorder=7)


def _draw_patch(
    sheet: Sheet, room: Room, record: dict[str, Any], name: str, figures: dict[str, Any]
) -> None:
    box = _on(room.area, figures["box"])
    finding = _finding_of(record, name)
    mark = STATE_MARKS[finding["state"]] if finding else None
    for corner in _corners(box):
        line = sheet.line(corner, "#FFFFFF", 2.4, zorder=8, gid=f"patch:{name}")
        line.set_path_effects(_haloed(2.0))
    words = f"{sheet.cut(shown(name), _LABEL, 220)}  {patch_figure(name, figures, record)}"
    width = sheet.text_width(words, _LABEL) + (37 if mark else 14)
    place = room.label(box, width, _LABEL + 11)
    sheet.fill(place, _INK, alpha=0.86, zorder=8)
    if mark:
        sheet.mark((place.left + 15, (place.top + place.bottom) / 2), mark, 14, zorder=9)
    at = (place.left + (30 if mark else 7), place.bottom - 9)
    sheet.text(at, words, _LABEL, color="#FFFFFF", zorder=9, gid=f"patch label:{name}")


def _finding_of(record: dict[str, Any], name: str) -> dict[str, Any] | None:
    """Return the patch's worst finding; the record has the worst first."""
    return next((found for found in record.get("findings") or () if found["of"] == name), None)


def _corners(box: Area) -> list[list[tuple[float, float]]]:
    """Return four right angles that hold a box, a little outside it."""
    left, top, right, bottom = box.left - 3, box.top - 3, box.right + 3, box.bottom + 3
    arm = min(_CORNER, (right - left) / 3, (bottom - top) / 3)
    return [
        [(x + across * arm, y), (x, y), (x, y + down * arm)]
        for x, across in ((left, 1), (right, -1))
        for y, down in ((top, 1), (bottom, -1))
    ]


def _draw_legend(sheet: Sheet, area: Area) -> None:
    """Say below the picture what its lines and dots mean, in as many rows as its width needs."""
    x, y = area.left, area.bottom + 19
    for sign, words in _LEGEND:
        width = 34 + sheet.text_width(words, _LEGEND_SIZE)
        if x > area.left and x + width > area.right:
            x, y = area.left, y + 22
        sign(sheet, x, y)
        sheet.text((x + 34, y + 5), words, _LEGEND_SIZE, color=DARK.quiet)
        x += width + 26


def _line_sign(sheet: Sheet, x: float, y: float) -> None:
    sheet.line([(x, y), (x + 26, y)], _PALE, 1.2)


def _outline_sign(sheet: Sheet, x: float, y: float) -> None:
    sheet.fill(Area(x + 4, y - 7, x + 22, y + 7), "none", edgecolor=_BLOWN, linewidth=1.4)


def _dots_sign(sheet: Sheet, x: float, y: float) -> None:
    dots = [(x + 2 + 7 * step, y + 4 * (step % 2 - 0.5)) for step in range(4)]
    sheet.axes.plot(*zip(*dots, strict=True), ".", color=_PALE, ms=3)


_LEGEND_SIZE = 15
_LEGEND = (
    (_line_sign, "zone boundary"),
    (_outline_sign, "blown, numbered"),
    (_dots_sign, "blocked, under Zone I"),
)
