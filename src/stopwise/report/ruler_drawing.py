"""The stop ruler on a slip: shares lie along it, each value stands off its target's bracket."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.report.facts import share
from stopwise.report.look import DARK, STATE_MARKS, colour_of
from stopwise.report.ruler import LOWEST, ROMAN, spread
from stopwise.report.sheet import Area
from stopwise.wording import signed, tenths

if TYPE_CHECKING:
    from stopwise.report.ruler import Ruler, RulerReading
    from stopwise.report.sheet import Sheet

_ABOVE_CLIP = 0.55
"""Zones of room above the clip line, where the clipped share stands."""

_LANE, _LEAST_LANE = 44, 26
"""Pixels of a bracket's lane, and where there are many, set by eye."""

_LABELS = 196
"""Pixels that marks, names and figures need at the right."""

_LABEL, _SMALL, _ROW = 18, 15, 29
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
        room = area.right - _LABELS - 34 - self.lanes
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
        for place, line in enumerate(sheet.wrapped(words, _LABEL, area.width, lines=3)):
            sheet.text((area.left, area.top + 24 + 26 * place), line, _LABEL, color=DARK.quiet)
        return
    rule = Rule(area, ruler.clip, ruler.lanes)
    _draw_scale(sheet, rule)
    _draw_shares(sheet, rule, ruler)
    readings = sorted(ruler.readings, key=_height, reverse=True)
    heights = [_height(one) for one in readings]
    highest = rule.y(ruler.clip) + _ROW / 2 + 2
    labels = spread([rule.y(zone) for zone in heights], _ROW, highest, area.bottom - _ROW / 2)
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
    sheet.text((right, y + 6), figure, _LABEL, **style)
    if reading.state:
        sheet.mark((rule.labels, y), STATE_MARKS[reading.state], 15)
    start = rule.labels + 16
    room = right - sheet.text_width(figure, _LABEL, weight="bold") - 12 - start
    words = sheet.cut(reading.name, _LABEL, room)
    sheet.text((start, y + 6), words, _LABEL, color=DARK.text)
