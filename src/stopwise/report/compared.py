"""The slip of a comparison: two pictures side by side, and a map of the difference in stops."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import LineCollection

from stopwise.comparison.field import LEVELS_STOPS, difference_field, field_of_moved
from stopwise.comparison.lamp_changes import lamp_words
from stopwise.report.compared_text import doubt, figure
from stopwise.report.contours import MAP_EDGE, difference_contours, reduced
from stopwise.report.look import DARK, STATE_MARKS
from stopwise.report.slip.page import CALL_SIZE, HEIGHT, WIDTH
from stopwise.report.slip.placing import Room
from stopwise.report.slip.sheet import Area, Sheet
from stopwise.wording import HEADLINE_WIDTH, shortened, shown, signed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.comparison.comparison import Comparison
    from stopwise.comparison.finding import Difference
    from stopwise.report.contours import Contour
    from stopwise.report.drawable import Drawable

UP, DOWN = DARK.edge, DARK.target
"""Colours of more and of less light; more has whole lines, less has broken ones."""

_MARGIN = 48
_TOP = 236
_GAP = 28
_SIZE = 17
_ROW = 26
_TALL = 1.05
_LABEL = 14
_ALIGN_EDGE = 320
_UNCHANGED = 0.05
_BESIDE = WIDTH - _MARGIN - 1
"""A list that reaches further to the right than this stands below the table."""


@dataclass(frozen=True, slots=True)
class _Places:
    before: Area
    after: Area
    map: Area
    table: Area
    list: Area


def draw_compared(comparison: Comparison, before: Drawable, after: Drawable) -> bytes:
    """Return a comparison's slip as a PNG file of 1600 x 1200 pixels.

    Parameters
    ----------
    comparison
        What was worked out.
    before, after
        The two pictures. Where their shapes differ there is no map, and the slip says so.
    """
    return compose(comparison, before, after).png()


def compose(comparison: Comparison, before: Drawable, after: Drawable) -> Sheet:
    """Return the slip as a sheet whose parts can still be looked at one by one."""
    sheet = Sheet(WIDTH, HEIGHT)
    rows, columns = after.luminance.shape[:2]
    places = _layout(columns / rows)
    _draw_call(sheet, comparison)
    sides = (
        ("Before", before, comparison.before, places.before),
        ("After", after, comparison.after, places.after),
    )
    for word, picture, side, area in sides:
        fitted = _fit(area, picture.image.shape[1] / picture.image.shape[0])
        extent = (fitted.left, fitted.right, fitted.bottom, fitted.top)
        sheet.axes.imshow(picture.image, extent=extent, aspect="auto", zorder=0).set_gid("picture")
        words = f"{word}: {side.name}" + (f", {side.frames} frames" if side.frames > 1 else "")
        _caption(sheet, area, words)
    sheet.axes.set_xlim(0.0, sheet.width)
    sheet.axes.set_ylim(sheet.height, 0.0)
    _draw_map(sheet, places.map, comparison, (before, after))
    foot = _draw_table(sheet, places.table, comparison)
    _draw_list(sheet, places.list, comparison, under=foot)
    return sheet


def _layout(aspect: float) -> _Places:
    foot, right = HEIGHT - _MARGIN, WIDTH - _MARGIN
    if aspect < _TALL:
        width = 370.0
        tall = width / aspect
        x = [_MARGIN + step * (width + _GAP) for step in range(3)]
        areas = [Area(left, _TOP, left + width, _TOP + tall) for left in x]
        column = x[2] + width + 44
        below = Area(_MARGIN, _TOP + tall + 92, column - 44, foot)
        return _Places(areas[0], areas[1], areas[2], Area(column, _TOP, right, foot), below)
    width = 430.0
    tall = min(width / aspect, 323.0)
    first = Area(_MARGIN, _TOP, _MARGIN + width, _TOP + tall)
    second = Area(first.right + _GAP, _TOP, first.right + _GAP + width, _TOP + tall)
    top = first.bottom + 56
    high = foot - 66 - top
    map_ = Area(_MARGIN, top, _MARGIN + min(high * aspect, 2 * width + _GAP), foot - 66)
    column = second.right + 44
    return _Places(
        first,
        second,
        map_,
        Area(column, _TOP, right, foot),
        Area(map_.right + 44, top, right, foot),
    )


def _fit(area: Area, aspect: float) -> Area:
    width = min(area.width, area.height * aspect)
    height = min(area.height, width / aspect)
    return Area(area.left, area.top, area.left + width, area.top + height)


def call_of(comparison: Comparison) -> tuple[str, str]:
    """Return the two lines at the head: what, then what to do or what is well."""
    failing = [one for one in comparison.findings if one.state == "fails"]
    if failing:
        return failing[0].say, failing[0].do or "Look at the map."
    if comparison.framing.moved:
        told = next(one for one in comparison.findings if one.of == "framing")
        return told.say, _unseen(comparison)
    if not comparison.lamps:
        return _without_solos(comparison)
    moved = [one for one in comparison.findings if one.check == "lamp" and _has_moved(one)]
    moved.sort(key=lambda one: -abs(one.measured or 0.0))
    if not moved:
        return "No lamp changed.", _unseen(comparison)
    return moved[0].say, "Other lamps changed too." if moved[1:] else _unseen(comparison)


def _has_moved(finding: Difference) -> bool:
    size = abs(finding.measured or 0.0)
    return size >= max(_UNCHANGED, finding.uncertainty or 0.0)


def _unseen(comparison: Comparison) -> str:
    """Say which lamps could not be read, else that the rest holds."""
    names = [lamp_words(name) for name, one in comparison.lamps.items() if one.state == "not seen"]
    if not names:
        return "All else as it was." if comparison.lamps else "No solos, so no lamp is named."
    seen = len(comparison.lamps) - len(names)
    return f"Not seen: {', '.join(names)}." if seen else "No lamp can be read."


def _without_solos(comparison: Comparison) -> tuple[str, str]:
    stops = {name: one.stops for name, one in comparison.patches.items() if one.stops is not None}
    if not stops:
        return "No patch is seen on both sides.", "The map shows what differs."
    name, most = max(stops.items(), key=lambda item: abs(item[1]))
    if abs(most) < _UNCHANGED:
        return "No patch changed.", "No solos, so no lamp is named."
    return f"Most: {name} {signed(most)}.", "No solos, so no lamp is named."


def _draw_call(sheet: Sheet, comparison: Comparison) -> None:
    states = [one.state for one in comparison.findings]
    mark = STATE_MARKS[states[0] if states else "holds"]
    start = _MARGIN + CALL_SIZE * 0.98
    room = WIDTH - _MARGIN - start
    sheet.mark((_MARGIN + CALL_SIZE * 0.36, 78), mark, CALL_SIZE * 0.68, gid="verdict")
    lines = [shortened(shown(line), HEADLINE_WIDTH) for line in call_of(comparison)]
    for line, baseline, colour in zip(lines, (104, 190), (DARK.text, DARK.quiet), strict=True):
        size = CALL_SIZE * min(1.0, room / max(sheet.text_width(line, CALL_SIZE), 1.0))
        sheet.text((start, baseline), line, size, color=colour, gid="call")


def _caption(sheet: Sheet, area: Area, words: str) -> None:
    kept = sheet.cut(shown(words), _SIZE, area.width)
    sheet.text((area.left, area.bottom + 24), kept, _SIZE, color=DARK.quiet)


def _draw_map(
    sheet: Sheet, area: Area, comparison: Comparison, pictures: tuple[Drawable, Drawable]
) -> None:
    sheet.fill(area, DARK.raised, zorder=0, gid="map")
    field = field_of(comparison, *pictures)
    if field is None:
        middle = ((area.left + area.right) / 2, (area.top + area.bottom) / 2)
        sheet.text(middle, "No map: the pictures differ in shape.", _SIZE, ha="center")
        return
    room = Room(area)
    _draw_patches(sheet, room, comparison)
    lines = difference_contours(field)
    for is_up in (True, False):
        some = [line for line in lines if (line.level > 0) is is_up]
        _draw_lines(sheet, room, some, is_up=is_up)
    _draw_legend(sheet, area, lines)


def field_of(
    comparison: Comparison, before: Drawable, after: Drawable
) -> NDArray[np.float64] | None:
    """Return the map's field in stops, with the picture brought along where something moved.

    Returns
    -------
    ndarray or None
        float64 (h, w); None where the pictures differ in shape.
    """
    framing, stops = comparison.framing, comparison.settings.flash_stops
    edge = _ALIGN_EDGE if framing.moved else MAP_EDGE
    then, now = (reduced(np.asarray(one.luminance, float), edge) for one in (before, after))
    if framing.moved:
        return field_of_moved((then, now), framing, settings_stops=stops)
    return difference_field(then, now, settings_stops=stops)


def _draw_lines(sheet: Sheet, room: Room, lines: Sequence[Contour], *, is_up: bool) -> None:
    area = room.area
    placed = [
        np.asarray(line.points) * (area.width, area.height) + (area.left, area.top)
        for line in lines
    ]
    widths = [
        0.9 + 0.5 * sum(abs(line.level) >= level for level in (0.5, 1.0, 2.0)) for line in lines
    ]
    drawn = LineCollection(
        placed,
        colors=UP if is_up else DOWN,
        linewidths=widths,
        linestyles="solid" if is_up else [(0, (4.5, 2.2))],
        zorder=3,
    )
    drawn.set_gid("contours up" if is_up else "contours down")
    sheet.axes.add_collection(drawn, autolim=False)
    for at in sorted(range(len(placed)), key=lambda place: -len(placed[place]))[:12]:
        _label(sheet, room, placed[at], signed(lines[at].level), UP if is_up else DOWN)


def _label(sheet: Sheet, room: Room, line: NDArray[np.float64], words: str, colour: str) -> None:
    """Write a line's level on it, at the first place along it that is free."""
    width, height = sheet.text_width(words, _LABEL) + 8, _LABEL + 4
    for part in (0.5, 0.3, 0.7, 0.15, 0.85):
        x, y = line[int(part * (len(line) - 1))]
        place = Area(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
        if room.area.holds(place) and not any(place.meets(taken) for taken in room.taken):
            room.taken.append(place)
            sheet.fill(place, DARK.raised, zorder=4)
            sheet.text((x, place.bottom - 5), words, _LABEL, color=colour, ha="center", zorder=5)
            return


def _draw_patches(sheet: Sheet, room: Room, comparison: Comparison) -> None:
    """Draw where the patches lie after, each with what changed there."""
    area = room.area
    boxes = {
        name: one.box
        for name, one in comparison.after.patches.items()
        if one.box and name in comparison.patches
    }
    placed = {
        name: Area(
            area.left + box[0] * area.width,
            area.top + box[1] * area.height,
            area.left + box[2] * area.width,
            area.top + box[3] * area.height,
        )
        for name, box in boxes.items()
    }
    room.taken += list(placed.values())
    for name, box in placed.items():
        sheet.fill(box, "none", edgecolor=DARK.text, linewidth=1.1, zorder=6, gid=f"patch:{name}")
        stops = comparison.patches[name].stops
        words = f"{sheet.cut(shown(name), _LABEL, 150)} {'?' if stops is None else figure(stops)}"
        place = room.label(box, sheet.text_width(words, _LABEL) + 10, _LABEL + 9)
        sheet.fill(place, DARK.ground, alpha=0.82, zorder=6)
        sheet.text((place.left + 5, place.bottom - 7), words, _LABEL, zorder=7)


def _draw_legend(sheet: Sheet, area: Area, lines: Sequence[Contour]) -> None:
    y = area.bottom + 24
    if not lines:
        words = "No part differs by 0.2 stop, settings taken out."
        sheet.text((area.left, y), words, _SIZE, color=DARK.quiet)
        return
    x = area.left
    for colour, dashes, words in ((UP, (), "more light"), (DOWN, (4.5, 2.2), "less light")):
        line = sheet.line([(x, y - 6), (x + 34, y - 6)], colour, 2.0)
        if dashes:
            line.set_dashes(dashes)
        sheet.text((x + 42, y), words, _SIZE, color=DARK.quiet)
        x += 62 + sheet.text_width(words, _SIZE)
    levels = ", ".join(f"{level:g}" for level in LEVELS_STOPS if level > 0)
    told = f"Lines at {levels} stops, after less before, settings taken out."
    sheet.text((area.left, y + 26), sheet.cut(told, _SIZE, area.width), _SIZE, color=DARK.quiet)


def _draw_table(sheet: Sheet, area: Area, comparison: Comparison) -> float:
    """List lamps and patches with what changed and what was said; return where the list ends."""
    rows: list[tuple[str, str, str, str]] = [
        (name, figure(one.stops), doubt(one.uncertainty), figure(one.said))
        for name, one in comparison.lamps.items()
    ]
    patches = [
        (name, figure(one.stops), doubt(one.uncertainty), figure(one.expected))
        for name, one in comparison.patches.items()
    ]
    y = area.top + 14
    for head, told, table in (("Lamps", "said", rows), ("Patches", "expected", patches)):
        if table:
            y = _draw_rows(sheet, area, y, [(head, "stops", "±", told), *table]) + 12
    return y


def _draw_rows(sheet: Sheet, area: Area, y: float, rows: Sequence[tuple[str, ...]]) -> float:
    columns = (area.right - 172, area.right - 102, area.right)
    for place, row in enumerate(rows):
        if y > area.bottom:
            break
        colour = DARK.text if place else DARK.quiet
        name = sheet.cut(shown(row[0]), _SIZE, columns[0] - area.left - 74)
        sheet.text((area.left, y), name, _SIZE, color=colour, weight="normal" if place else "bold")
        for x, cell in zip(columns, row[1:], strict=True):
            quiet = DARK.quiet if x != columns[0] else colour
            sheet.text((x, y), cell, _SIZE, color=quiet, ha="right")
        y += _ROW
    return y


def _draw_list(sheet: Sheet, area: Area, comparison: Comparison, *, under: float) -> None:
    """List the findings, worst first, what to do under what failed; nothing above `under`."""
    y = max(area.top + 14, under if area.right > _BESIDE else 0.0)
    for finding in comparison.findings:
        if finding.check == "patch" and finding.state == "holds":
            continue
        lines = sheet.wrapped(finding.say, _SIZE, area.width - 30)
        if finding.do and finding.state != "holds":
            lines += sheet.wrapped(finding.do, _SIZE, area.width - 30)
        if y + _ROW * len(lines) > area.bottom:
            sheet.text((area.left + 28, y), "and more, in the text", _SIZE, color=DARK.quiet)
            return
        sheet.mark((area.left + 9, y - 6), STATE_MARKS[finding.state], 15)
        for line in lines:
            colour = DARK.text if finding.state == "fails" else DARK.quiet
            sheet.text((area.left + 28, y), line, _SIZE, color=colour, gid="finding")
            y += _ROW
