"""The slip: one frame's picture report as a PNG, its ruler beside the picture."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from stopwise.conditions import condition
from stopwise.messages import reason_text, say, told
from stopwise.report.contours import area_outlines, stipple, zone_contours
from stopwise.report.drawable import drawable_of
from stopwise.report.facts import facts, marked_patches, share
from stopwise.report.look import DARK, OKABE_ITO, STATE_MARKS, VERDICT_MARKS, colour_of
from stopwise.report.ruler import LOWEST, ROMAN, mid_grey_of, ruler_of, spread
from stopwise.report.sheet import (
    BODY_TOP,
    HEIGHT,
    INK,
    MARGIN,
    TALL,
    WIDTH,
    Area,
    Labels,
    ListEntry,
    Sheet,
    haloed,
)
from stopwise.report.slip_file import keep_slip
from stopwise.wording import shown, signed, tenths

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from stopwise.findings import Reason
    from stopwise.grid import LightGrid
    from stopwise.measurement.figures import BlownArea
    from stopwise.record import Record
    from stopwise.report.contours import Contour
    from stopwise.report.drawable import Drawable
    from stopwise.report.facts import MarkedPatch
    from stopwise.report.ruler import Ruler, RulerReading

_ABOVE_CLIP = 0.55
"""Zones of room above the clip line, where the clipped share stands."""

_LANE, _LEAST_LANE = 44, 26
"""Pixels of a bracket's lane, and where there are many, set by eye."""

_RULER_LABELS = 196
"""Pixels that marks, names and figures need at the right."""

_RULER_LABEL, _SMALL, _RULER_ROW = 18, 15, 29
"""Pixels of names, of small type and of a row, set by eye."""

_LEAST_SHARE = 0.002
"""Share of a frame whose bar would be thinner than a pixel."""

_SHARES_WIDTH, _LEAST_SHARES = 0.19, 92
"""Share of the panel's width that bars of shares may take, and pixels that they take at least."""


class Rule:
    """Where zones lie on the sheet.

    Parameters
    ----------
    area
        Of the whole panel.
    clip
        Zone of the clip line.
    lanes
        Lanes that brackets need.
    """

    def __init__(self, area: Area, clip: float, lanes: int) -> None:
        self.area, self.clip = area, clip
        self.top = clip + _ABOVE_CLIP
        self.axis = area.left + max(_SHARES_WIDTH * area.width, _LEAST_SHARES)
        self.lanes = self.axis + 46
        room = area.right - _RULER_LABELS - 34 - self.lanes
        self.lane = min(max(room / max(lanes, 1), _LEAST_LANE), _LANE)
        self.labels = self.lanes + max(lanes, 1) * self.lane + 34

    def y(self, zone: float) -> float:
        """Return the pixel row of a zone; what lies below the foot stands at the foot."""
        return (
            self.area.bottom - (max(zone, LOWEST) - LOWEST) / (self.top - LOWEST) * self.area.height
        )


def draw_ruler(sheet: Sheet, area: Area, ruler: Ruler) -> None:
    """Draw the stop ruler into an area."""
    if not ruler.shares:
        words = "Zones not seen: mid-grey is set for another body or ISO."
        for place, line in enumerate(sheet.wrapped(words, _RULER_LABEL, area.width, lines=3)):
            sheet.text(
                (area.left, area.top + 24 + 26 * place), line, _RULER_LABEL, color=DARK.quiet
            )
        return
    rule = Rule(area, ruler.clip, ruler.lanes)
    _draw_scale(sheet, rule)
    _draw_shares(sheet, rule, ruler)
    readings = sorted(ruler.readings, key=_height, reverse=True)
    heights = [_height(one) for one in readings]
    highest = rule.y(ruler.clip) + _RULER_ROW / 2 + 2
    labels = spread(
        [rule.y(zone) for zone in heights], _RULER_ROW, highest, area.bottom - _RULER_ROW / 2
    )
    for reading, zone, label in zip(readings, heights, labels, strict=True):
        _draw_target(sheet, rule, reading)
        _draw_value(sheet, rule, reading)
        x, start, elbow = rule.lanes + reading.lane * rule.lane, rule.y(zone), rule.labels - 24
        end = x + rule.lane - 7
        leader = [(end, start), (max(elbow - 8, end + 2), start), (elbow + 8, label)]
        sheet.line([*leader, (elbow + 12, label)], DARK.share, 1.2)
        _draw_label(sheet, rule, reading, label)


def _height(reading: RulerReading) -> float:
    """Return the zone that a reading's label belongs to."""
    known = (reading.value, reading.target, reading.low, LOWEST)
    return next(zone for zone in known if zone is not None)


def _draw_scale(sheet: Sheet, rule: Rule) -> None:
    foot, clip = rule.y(LOWEST), rule.y(rule.clip)
    sheet.line([(rule.axis, foot), (rule.axis, clip)], DARK.rule, 2, gid="scale")
    for zone, roman in enumerate(ROMAN):
        if zone < rule.clip - 0.2:
            y = rule.y(zone)
            sheet.line([(rule.axis, y), (rule.axis + 8, y)], DARK.rule, 2)
            sheet.text((rule.axis + 14, y + 6), roman, _SMALL, color=DARK.quiet)
    sheet.line([(rule.area.left, clip), (rule.area.right, clip)], DARK.text, 3, gid="clip")
    at = (rule.area.right, clip - 10)
    sheet.text(at, f"clip {rule.clip:.2f}", _SMALL, color=DARK.quiet, ha="right")


def _draw_shares(sheet: Sheet, rule: Rule, ruler: Ruler) -> None:
    room = rule.axis - rule.area.left - 62
    longest = max((part.fraction for part in ruler.shares), default=0.0) or 1.0
    for part in ruler.shares:
        if part.fraction >= _LEAST_SHARE:
            end = rule.axis - 5
            length = room * part.fraction / longest
            bar = Area(end - length, rule.y(part.high) + 1.5, end, rule.y(part.low) - 1.5)
            sheet.fill(bar, DARK.share, gid=f"share:{round(part.low + 0.5)}")
            at = (bar.left - 7, (bar.top + bar.bottom) / 2 + 5)
            sheet.text(at, share(part.fraction), _SMALL, color=DARK.quiet, ha="right")
    if ruler.clipped > 0:
        words = f"{share(ruler.clipped)} clipped"
        sheet.text((rule.area.left, rule.y(rule.clip) - 10), words, _SMALL, color=DARK.text)


def _draw_target(sheet: Sheet, rule: Rule, reading: RulerReading) -> None:
    if reading.target is None or reading.low is None or reading.high is None:
        return
    x = rule.lanes + reading.lane * rule.lane
    low, high, target = (rule.y(zone) for zone in (reading.low, reading.high, reading.target))
    bracket = [(x + 7, high), (x, high), (x, low), (x + 7, low)]
    sheet.line(bracket, DARK.target, 2.5, gid=f"target:{reading.name}")
    sheet.line([(x - 5, target), (x, target)], DARK.target, 2.5)


def _draw_value(sheet: Sheet, rule: Rule, reading: RulerReading) -> None:
    """Draw a value's bar with its uncertainty, and a stem to the bracket that it stands off."""
    value, low, high = reading.value, reading.low, reading.high
    if value is None:
        return
    colour = colour_of(STATE_MARKS[reading.state], DARK) if reading.state else DARK.text
    x, y = rule.lanes + reading.lane * rule.lane + 6, rule.y(value)
    bar = Area(x, y - 4, x + rule.lane - 16, y + 4)
    sheet.fill(bar, colour, gid=f"value:{reading.name}", zorder=3)
    if reading.is_under:
        middle = (bar.left + bar.right) / 2
        arrow = [(bar.left, y + 7), (middle, y + 14), (bar.right, y + 7)]
        sheet.line(arrow, colour, 2.0, gid=f"under:{reading.name}")
    if reading.uncertainty and not reading.is_under:
        middle = x + rule.lane / 2 - 8
        ends = [(middle, rule.y(value + side * reading.uncertainty)) for side in (-1, 1)]
        sheet.line(ends, DARK.text, 1.5, zorder=4, gid=f"uncertainty:{reading.name}")
    if low is not None and high is not None and not low <= value <= high:
        end = rule.y(high if value > high else low)
        stem = [(x - 6, end), (x - 6, y), (x + 1, y)]
        sheet.line(stem, DARK.target, 1.5, linestyle=(0, (2, 1.6)))


def _draw_label(sheet: Sheet, rule: Rule, reading: RulerReading, y: float) -> None:
    right, off = rule.area.right, reading.off
    seen = "not seen" if reading.value is None else tenths(reading.value)
    figure, colour = (seen, DARK.quiet) if off is None else (signed(off), DARK.text)
    style = {"weight": "bold", "color": colour, "ha": "right", "gid": f"figure:{reading.name}"}
    sheet.text((right, y + 6), figure, _RULER_LABEL, **style)
    if reading.state:
        sheet.mark((rule.labels, y), STATE_MARKS[reading.state], 15)
    start = rule.labels + 16
    room = right - sheet.text_width(figure, _RULER_LABEL, weight="bold") - 12 - start
    words = sheet.cut(reading.name, _RULER_LABEL, room)
    sheet.text((start, y + 6), words, _RULER_LABEL, color=DARK.text)


MOST_TAGS = 9
"""Blown areas that get a number, one digit each; smaller ones are outlined only."""

_GAP, _SIZE, _ROW = 40, 17, 25
"""Between the parts, of the type and of its rows; pixels as all that follow, set by eye."""

_COLUMN = 400
"""Least width of a column of findings: a sentence of it in two lines."""

_FACT_ROW, _USUAL_FACTS, _MOST_FACTS = 22, 15, 22
"""Of the plain figures: pixels of a row of 16 pixels' type, rows that most frames have, and rows
beyond which they would leave the ruler too short; more are told to be in the record."""

_LOWEST_FACTS = 920
"""Where few rows begin: beside the findings, under the longest picture."""

_UNDER = 14
"""Pixels under the ruler for the signs of what lies below it."""

_LABELS = 108
"""Pixels that a plain figure's name takes, set by eye."""

_LABEL, _CONTOUR_LABEL, _LEGEND = 17, 13, 15
"""Pixels of type on patches, along contours, and of the legend."""

_BLOWN, _PALE = OKABE_ITO["orange"], "#C9CED6"
_CORNER, _DOT_STEP = 9.0, 9.0
"""Pixels of a corner that holds a patch, and between dots over what is blocked."""

_COUNTED = {
    "fails": ("fails", "fail"),
    "on the line": ("on the line", "on the line"),
    "not seen": ("not seen", "not seen"),
    "holds": ("holds", "hold"),
}


@dataclass(frozen=True, slots=True)
class Layout:
    """Where each part of the slip goes."""

    picture: Area
    ruler: Area
    findings: Area
    facts: Area


def layout(aspect: float, facts: int = _USUAL_FACTS) -> Layout:
    """Return where things go.

    Parameters
    ----------
    aspect
        How many times as wide as high the picture is.
    facts
        Rows that the plain figures take: they have room before ruler and findings have theirs.
    """
    foot, right = HEIGHT - MARGIN, WIDTH - MARGIN
    told = min(foot + _ROW - min(facts, _MOST_FACTS) * _FACT_ROW, _LOWEST_FACTS)
    if aspect < TALL:
        picture = Area(MARGIN, BODY_TOP, MARGIN + 560, foot - 56).fitted(aspect)
        start = max(picture.right, MARGIN + 360) + _GAP
        column = start + (right - start - _GAP) * 0.53
        return Layout(
            picture=picture,
            ruler=Area(start, BODY_TOP - 16, column, foot - _UNDER),
            findings=Area(column + _GAP, BODY_TOP + 8, right, told - 40),
            facts=Area(column + _GAP, told, right, foot),
        )
    picture = Area(MARGIN, BODY_TOP, 980, 852).fitted(aspect)
    return Layout(
        picture=picture,
        ruler=Area(980 + _GAP, BODY_TOP - 16, right, told - 34 - _UNDER),
        findings=Area(MARGIN, picture.bottom + 68, 980, foot),
        facts=Area(980 + _GAP, told, right, foot),
    )


def draw_slip(
    record: Record, picture: LightGrid | None, texts: Mapping[str, str] | None = None
) -> bytes:
    """Return one frame's slip as a PNG file.

    Parameters
    ----------
    record
        The frame's record; an unreadable one gives a slip that says why.
    picture
        The reduced picture, or None where there is none.
    texts
        What else the file says of itself.

    Returns
    -------
    bytes
        A PNG of 1600 x 1200 pixels, sRGB.
    """
    return compose(record, None if picture is None else drawable_of(picture)).png(texts)


def keep_frame_slip(folder: Path, frame: Path, record: Record, picture: LightGrid | None) -> Path:
    """Draw one frame's slip into a folder, named as the frame; see :func:`keep_slip`."""
    of = str(frame.resolve())
    return keep_slip(folder, frame.stem, of, partial(draw_slip, record, picture))


def compose(record: Record, picture: Drawable | None) -> Sheet:
    """Return the slip as a sheet whose parts can still be looked at one by one."""
    sheet = Sheet()
    rows, columns = (2, 3) if picture is None else picture.luminance.shape[:2]
    aspect = columns / rows
    told = _fact_rows(sheet, layout(aspect).facts.width, record)
    places = layout(aspect, len(told))
    sheet.headline(record.headline, VERDICT_MARKS[record.verdict])
    if picture is None:
        whole = Area(MARGIN, BODY_TOP, WIDTH - MARGIN, places.picture.bottom)
        _draw_no_picture(sheet, whole, record.reason)
    else:
        ruler = ruler_of(record)
        draw_picture(
            sheet,
            places.picture,
            picture,
            contours=zone_contours(
                picture.luminance, mid_grey=mid_grey_of(record), clip=ruler.clip
            ),
            patches=marked_patches(record),
            areas=record.clipping.areas if record.clipping else (),
        )
        draw_ruler(sheet, places.ruler, ruler)
    _draw_findings(sheet, places.findings, record)
    _draw_facts(sheet, places.facts, told)
    return sheet


def _draw_no_picture(sheet: Sheet, area: Area, reason: Reason | None) -> None:
    """Draw an empty frame that says why there is no picture, and what to do."""
    sheet.fill(area, DARK.raised)
    told = shown(reason_text(reason)) if reason else ""
    if reason and reason.condition:
        told = condition(reason.condition).long
    lines = ["No picture.", *sheet.wrapped(told, 30, area.width - 80, lines=3)]
    middle = (area.left + area.right) / 2
    top = (area.top + area.bottom) / 2 - 22 * (len(lines) - 1)
    for place, line in enumerate(lines):
        colour = DARK.quiet if place else DARK.text
        sheet.text((middle, top + 44 * place), line, 30, color=colour, ha="center")


def draw_picture(
    sheet: Sheet,
    area: Area,
    picture: Drawable,
    *,
    contours: Sequence[Contour],
    patches: Sequence[MarkedPatch],
    areas: Sequence[BlownArea] = (),
) -> None:
    """Draw a picture with all that is marked on it.

    Parameters
    ----------
    sheet, area
        Where to draw.
    picture
        The reduced picture.
    contours
        Its zones' boundaries.
    patches, areas
        What is held by corners, and what is outlined and numbered, largest first.
    """
    sheet.picture(picture.image, area)
    room = Labels(area, [area.part(patch.box) for patch in patches])
    dots = stipple(picture.blocked > 0.5, across=int(area.width / _DOT_STEP))
    sheet.dots(area.pixels(dots), 1.5, _PALE, zorder=1, gid="blocked")
    _draw_blown(sheet, room, picture, areas)
    for patch in patches:
        _draw_patch(sheet, room, patch)
    placed = [(area.pixels(one.points), f"{one.level:.1f}") for one in contours]
    sheet.labelled(
        room,
        placed,
        _CONTOUR_LABEL,
        ground=(INK, 0.55),
        gid="contours",
        path_effects=haloed(0.7),
        colors="#FFFFFF",
        linewidths=0.7,
        alpha=0.62,
        zorder=2,
    )
    _draw_legend(sheet, area)


def _draw_blown(sheet: Sheet, room: Labels, picture: Drawable, areas: Sequence[BlownArea]) -> None:
    """Outline blown areas, by their boxes where they are smaller than the picture's blocks."""
    lines = [
        room.area.pixels(line)
        for area in areas
        for line in area_outlines(picture.clipped, area.box)
    ]
    style = {"colors": _BLOWN, "linewidths": 1.6, "zorder": 5}
    sheet.lines(lines, gid="blown", path_effects=haloed(1.6), **style)
    for number, area in enumerate(areas[:MOST_TAGS], start=1):
        spot = room.area.part(area.box)
        room.taken.append(spot)
        place = room.label(spot, 22, 22)
        x, y = (place.left + place.right) / 2, (place.top + place.bottom) / 2
        rim = (min(max(x, spot.left), spot.right), min(max(y, spot.top), spot.bottom))
        sheet.line([rim, (x, y)], _BLOWN, 1.5, zorder=5)
        sheet.fill(place, INK, edgecolor=_BLOWN, linewidth=1.2, zorder=6, gid=f"tag:{number}")
        bold = {"weight": "bold", "color": "#FFFFFF", "ha": "center", "zorder": 7}
        sheet.text((x, place.bottom - 5.5), str(number), 16, **bold)


def _draw_patch(sheet: Sheet, room: Labels, patch: MarkedPatch) -> None:
    """Hold a patch by four right angles a little outside it, with its name and figure beside."""
    box = room.area.part(patch.box)
    left, top, right, bottom = box.left - 3, box.top - 3, box.right + 3, box.bottom + 3
    arm = min(_CORNER, (right - left) / 3, (bottom - top) / 3)
    for x, across in ((left, arm), (right, -arm)):
        for y, down in ((top, arm), (bottom, -arm)):
            corner = [(x + across, y), (x, y), (x, y + down)]
            line = sheet.line(corner, "#FFFFFF", 2.4, zorder=8, gid=f"patch:{patch.name}")
            line.set_path_effects(haloed(2.0))
    mark = STATE_MARKS[patch.state] if patch.state else None
    words = f"{sheet.cut(shown(patch.name), _LABEL, 220)}  {patch.figure}"
    width = sheet.text_width(words, _LABEL) + (37 if mark else 14)
    place = room.label(box, width, _LABEL + 11)
    sheet.fill(place, INK, alpha=0.86, zorder=8)
    if mark:
        sheet.mark((place.left + 15, (place.top + place.bottom) / 2), mark, 14, zorder=9)
    at = (place.left + (30 if mark else 7), place.bottom - 9)
    sheet.text(at, words, _LABEL, color="#FFFFFF", zorder=9, gid=f"patch label:{patch.name}")


def _draw_legend(sheet: Sheet, area: Area) -> None:
    """Say below the picture what its lines and dots mean, in as many rows as its width needs."""
    dots = np.array([(2.0 + 7 * step, 4 * (step % 2 - 0.5)) for step in range(4)])
    signs: tuple[tuple[str, Callable[[float, float], object]], ...] = (
        ("zone boundary", lambda x, y: sheet.line([(x, y), (x + 26, y)], _PALE, 1.2)),
        (
            "blown, numbered",
            lambda x, y: sheet.fill(
                Area(x + 4, y - 7, x + 22, y + 7), "none", edgecolor=_BLOWN, linewidth=1.4
            ),
        ),
        ("blocked, under Zone I", lambda x, y: sheet.dots(dots + np.array((x, y)), 2.5, _PALE)),
    )
    x, y = area.left, area.bottom + 19
    for words, draw in signs:
        width = 34 + sheet.text_width(words, _LEGEND)
        if x > area.left and x + width > area.right:
            x, y = area.left, y + 22
        draw(x, y)
        sheet.text((x + 34, y + 5), words, _LEGEND, color=DARK.quiet)
        x += width + 26


def _draw_findings(sheet: Sheet, area: Area, record: Record) -> None:
    """Count the findings by state and list them, worst first; what failed with what to do."""
    findings = record.findings
    x, y = area.left, area.top + 8
    if not findings:
        why = reason_text(record.reason) if record.reason else "the plan asks for nothing"
        words = f"Not judged: {shown(why)}."
        sheet.text((x, y), words, _SIZE, color=DARK.quiet)
        return
    for state, forms in _COUNTED.items():
        count = sum(finding.state == state for finding in findings)
        text = f"{count} {forms[count != 1]}"
        width = 26 + sheet.text_width(text, _SIZE, weight="bold")
        if count:
            if x + width > area.right:
                x, y = area.left, y + _ROW
            sheet.mark((x + 8, y - 6), STATE_MARKS[state], 16)
            sheet.text((x + 26, y), text, _SIZE, weight="bold")
            x += width + 28
    under = Area(area.left, y + 12, area.right, area.bottom)
    columns = max(1, int(area.width // _COLUMN))
    entries = [ListEntry(one.state, (say(one), advice)) for one, advice in told(record.answer)]
    sheet.told(under, entries, _SIZE, columns=columns, rest="and more, in the record")


def _fact_rows(sheet: Sheet, width: float, record: Record) -> list[tuple[str, str]]:
    """Return the rows of the plain figures, each a word and what it is, broken to a width."""
    size, room = _SIZE - 1, width - _LABELS
    rows: list[tuple[str, str]] = []
    for label, words in facts(record):
        if label == "File":  # its number stands at its end
            rows.append((label, sheet.cut(words, size, room, head=True)))
        elif label != "Reason" or record.findings:  # else it stands in the findings' place
            lines = sheet.wrapped(words, size, room, lines=3)
            rows += [("" if place else label, line) for place, line in enumerate(lines)]
    if len(rows) > _MOST_FACTS:
        rows = [*rows[: _MOST_FACTS - 1], ("", "and more, in the record")]
    return rows


def _draw_facts(sheet: Sheet, area: Area, rows: Sequence[tuple[str, str]]) -> None:
    """List the plain figures: a word at the left, what it is at the right."""
    for place, (label, words) in enumerate(rows):
        y = area.top + place * _FACT_ROW
        sheet.text((area.left, y), label, _SIZE - 1, color=DARK.quiet)
        sheet.text((area.left + _LABELS, y), words, _SIZE - 1, gid="fact")
