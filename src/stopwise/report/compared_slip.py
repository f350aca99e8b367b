"""The slip of a comparison: two pictures side by side, and a map of the difference in stops."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.comparison.field import LEVELS_STOPS, difference_field, field_of_moved
from stopwise.grid import fitted_blocks
from stopwise.messages import do, headline_of, say, shortened_line
from stopwise.report.contours import MAP_EDGE, difference_contours
from stopwise.report.look import DARK, STATE_MARKS
from stopwise.report.sheet import (
    BODY_TOP,
    HEIGHT,
    MARGIN,
    TALL,
    WIDTH,
    Area,
    Labels,
    ListEntry,
    Sheet,
)
from stopwise.report.tables import figure, figures
from stopwise.wording import UNCHANGED, fitted, lamp_name, moved_text, signed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from stopwise.comparison.two_sides import Comparison
    from stopwise.findings import Finding
    from stopwise.report.drawable import Drawable

UP, DOWN = DARK.edge, DARK.target
"""Colours of more and of less light; more has whole lines, less has broken ones."""

_GAP, _COLUMN = 28, 44
"""Between pictures and before a column; pixels as all sizes that follow, set by eye."""

_SIZE, _ROW, _LABEL = 17, 26, 14
"""Of the list's type, of its rows, and of labels on pictures."""

_DASHES = (4.5, 2.2)
"""Lengths of a broken line's dashes and gaps, in widths of the line."""

_ALIGN_EDGE = 320
"""Blocks along the longer side in which moved pictures are brought onto each other."""


@dataclass(frozen=True, slots=True)
class _Places:
    """Where each part goes; a list beside the table begins under it."""

    before: Area
    after: Area
    map: Area
    table: Area
    list: Area
    is_list_under_table: bool


def compose(comparison: Comparison, before: Drawable, after: Drawable) -> Sheet:
    """Return a comparison's slip as a sheet whose parts can still be looked at one by one.

    Where the shapes of the two pictures differ there is no map, and the slip says so.
    """
    sheet = Sheet()
    rows, columns = after.luminance.shape[:2]
    places = _layout(columns / rows)
    worst = comparison.findings[0].state if comparison.findings else "holds"
    changes = {name: one.stops for name, one in comparison.patches.items()}
    sheet.headline(comparison_headline(comparison.findings, changes), STATE_MARKS[worst])
    for word, picture, side, area in (
        ("Before", before, comparison.before, places.before),
        ("After", after, comparison.after, places.after),
    ):
        sheet.picture(picture.image, area.fitted(picture.image.shape[1] / picture.image.shape[0]))
        words = f"{word}: {side.name}" + (f", {side.frames} frames" if side.frames > 1 else "")
        kept = sheet.cut(words, _SIZE, area.width)
        sheet.text((area.left, area.bottom + 24), kept, _SIZE, color=DARK.quiet)
    _draw_map(sheet, places.map, comparison, (before, after))
    foot = _draw_table(sheet, places.table, comparison)
    area = places.list
    if places.is_list_under_table:
        area = Area(area.left, max(area.top, foot - 12), area.right, area.bottom)
    told = [
        ListEntry(
            one.state, (say(one), do(one)) if do(one) and one.state != "holds" else (say(one),)
        )
        for one in comparison.findings
        if one.check != "patch" or one.state != "holds"
    ]
    sheet.told(area, told, _SIZE, rest="and more, in the text")
    return sheet


def _layout(aspect: float) -> _Places:
    foot, right = HEIGHT - MARGIN, WIDTH - MARGIN
    if aspect < TALL:
        width, tall = 370.0, 370.0 / aspect
        x = [MARGIN + step * (width + _GAP) for step in range(3)]
        first, second, third = (Area(left, BODY_TOP, left + width, BODY_TOP + tall) for left in x)
        column = third.right + _COLUMN
        table = Area(column, BODY_TOP, right, foot)
        below = Area(MARGIN, third.bottom + 78, column - _COLUMN, foot)
        return _Places(first, second, third, table, below, is_list_under_table=False)
    width = 430.0
    first = Area(MARGIN, BODY_TOP, MARGIN + width, BODY_TOP + min(width / aspect, 323.0))
    left = first.right + _GAP
    second = Area(left, BODY_TOP, left + width, first.bottom)
    top, bottom = first.bottom + 56, foot - 66
    map_ = Area(MARGIN, top, second.right, bottom).fitted(aspect)
    map_ = Area(map_.left, top, map_.right, bottom)
    table = Area(second.right + _COLUMN, BODY_TOP, right, foot)
    beside = Area(map_.right + _COLUMN, top, right, foot)
    return _Places(first, second, map_, table, beside, is_list_under_table=True)


def _draw_map(
    sheet: Sheet, area: Area, comparison: Comparison, pictures: tuple[Drawable, Drawable]
) -> None:
    sheet.fill(area, DARK.raised, zorder=0, gid="map")
    field = field_of(comparison, *pictures)
    if field is None:
        middle = ((area.left + area.right) / 2, (area.top + area.bottom) / 2)
        sheet.text(middle, "No map: the pictures differ in shape.", _SIZE, ha="center")
        return
    room = Labels(area)
    _draw_patches(sheet, room, comparison)
    lines = difference_contours(field)
    ways: tuple[tuple[str, str, Any, bool], ...] = (
        ("contours up", UP, "solid", True),
        ("contours down", DOWN, [(0, _DASHES)], False),
    )
    for gid, colour, dashes, is_up in ways:
        some = [one for one in lines if (one.level > 0) is is_up]
        sheet.labelled(
            room,
            [(area.pixels(one.points), signed(one.level)) for one in some],
            _LABEL,
            ground=(DARK.raised, 1.0),
            ink=colour,
            gid=gid,
            colors=colour,
            linewidths=[0.9 + 0.5 * _steps(one.level) for one in some],
            linestyles=dashes,
            zorder=3,
        )
    _draw_legend(sheet, area, has_lines=bool(lines))


def _steps(level: float) -> int:
    """Return over how many of 0.5, 1 and 2 stops a difference is: its line is so much wider."""
    return sum(abs(level) >= step for step in (0.5, 1.0, 2.0))


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
    then, now = (fitted_blocks(np.asarray(one.luminance, float), edge) for one in (before, after))
    if framing.moved:
        return field_of_moved((then, now), framing, settings_stops=stops)
    return difference_field(then, now, settings_stops=stops)


def _draw_patches(sheet: Sheet, room: Labels, comparison: Comparison) -> None:
    """Draw where the patches lie after, each with what changed there."""
    placed = {
        name: room.area.part((box[0], box[1], box[2], box[3]))
        for name, one in comparison.after.patches.items()
        if (box := one.box) and name in comparison.patches
    }
    room.taken += placed.values()
    for name, spot in placed.items():
        sheet.fill(spot, "none", edgecolor=DARK.text, linewidth=1.1, zorder=6, gid=f"patch:{name}")
        stops = comparison.patches[name].stops
        words = f"{sheet.cut(name, _LABEL, 150)} {'?' if stops is None else figure(stops)}"
        place = room.label(spot, sheet.text_width(words, _LABEL) + 10, _LABEL + 9)
        sheet.fill(place, DARK.ground, alpha=0.82, zorder=6)
        sheet.text((place.left + 5, place.bottom - 7), words, _LABEL, zorder=7)


def _draw_legend(sheet: Sheet, area: Area, *, has_lines: bool) -> None:
    x, y = area.left, area.bottom + 24
    if not has_lines:
        words = "No part differs by 0.2 stop, settings taken out."
        sheet.text((x, y), words, _SIZE, color=DARK.quiet)
        return
    for colour, dashes, words in ((UP, "solid", "more light"), (DOWN, "dashed", "less light")):
        sheet.line([(x, y - 6), (x + 34, y - 6)], colour, 2.0, linestyle=dashes)
        sheet.text((x + 42, y), words, _SIZE, color=DARK.quiet)
        x += 62 + sheet.text_width(words, _SIZE)
    levels = ", ".join(f"{level:g}" for level in LEVELS_STOPS if level > 0)
    told = f"Lines at {levels} stops, after less before, settings taken out."
    sheet.text((area.left, y + 26), sheet.cut(told, _SIZE, area.width), _SIZE, color=DARK.quiet)


def _draw_table(sheet: Sheet, area: Area, comparison: Comparison) -> float:
    """List lamps and patches with what changed and what was said; return where the list ends."""
    lamps = [
        (name, *figures(one.stops, one.uncertainty), figure(one.said))
        for name, one in comparison.lamps.items()
    ]
    patches = [
        (name, *figures(one.stops, one.uncertainty), figure(one.expected))
        for name, one in comparison.patches.items()
    ]
    columns = (area.right - 172, area.right - 102, area.right)
    y = area.top + 14
    for head, told, rows in (("Lamps", "said", lamps), ("Patches", "expected", patches)):
        for name, *cells in [(head, "stops", "±", told), *rows] if rows else ():
            if y > area.bottom:
                break
            is_head = name is head
            colour = DARK.quiet if is_head else DARK.text
            kept = sheet.cut(name, _SIZE, columns[0] - area.left - 74)
            weight = "bold" if is_head else "normal"
            sheet.text((area.left, y), kept, _SIZE, color=colour, weight=weight)
            for x, cell in zip(columns, cells, strict=True):
                quiet = colour if x == columns[0] else DARK.quiet
                sheet.text((x, y), cell, _SIZE, color=quiet, ha="right")
            y += _ROW
        y += 12 if rows else 0
    return y


def comparison_headline(
    findings: Sequence[Finding], patches: Mapping[str, float | None]
) -> tuple[str, str]:
    """Return what two sides compared say at a glance: what, then what to do or what is well.

    Parameters
    ----------
    findings
        What the comparison means, worst first; every lamp that was read on both sides has one.
    patches
        What each patch changed by, stops, said where no lamp is known; None where not seen.
    """
    lamps = [one for one in findings if one.check == "lamp" and one.detail.turned_stops is None]
    rest = _other_lamps(lamps)
    failing = next((one for one in findings if one.state == "fails"), None)
    if failing is not None:
        line, advice = headline_of(failing)
        return line, advice or "Look at the map."
    framing = next((one for one in findings if one.of == "framing"), None)
    if framing is not None:
        return headline_of(framing)[0], rest
    if not lamps:
        return _most_changed(patches), rest
    changed = [
        one for one in lamps if moved_text(one.measured or 0.0, one.uncertainty) != "unchanged"
    ]
    if not changed:
        return "No lamp changed.", rest
    most = max(changed, key=lambda one: abs(one.measured or 0.0))
    return headline_of(most)[0], "Other lamps changed too." if changed[1:] else rest


def _other_lamps(lamps: Sequence[Finding]) -> str:
    """Return which lamps could not be read, else that the rest holds."""
    if not lamps:
        return "No solos, so no lamp is named."
    names = [lamp_name(one.of) for one in lamps if one.state == "not seen"]
    if len(names) == len(lamps):
        return "No lamp can be read."
    return shortened_line(f"Not seen: {', '.join(names)}.") if names else "All else as it was."


def _most_changed(patches: Mapping[str, float | None]) -> str:
    stops = {name: one for name, one in patches.items() if one is not None}
    if not stops:
        return "No patch is seen on both sides."
    name, most = max(stops.items(), key=lambda item: abs(item[1]))
    if abs(most) < UNCHANGED:
        return "No patch changed."
    return fitted(lambda of: f"Most: {of} {signed(most)}.", name)
