"""The stop ruler on a slip: shares lie along it, each value stands off its target's bracket."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.report.facts import share
from stopwise.report.look import DARK, STATE_MARKS, colour_of
from stopwise.report.ruler import LOWEST, ROMAN, spread
from stopwise.report.slip.sheet import Area
from stopwise.wording import signed, tenths

if TYPE_CHECKING:
    from stopwise.report.ruler import Reading, Ruler
    from stopwise.report.slip.sheet import Sheet

_ABOVE_CLIP = 0.55
"""Zones of room above the clip line, where the clipped share stands."""

_LANE, _LEAST_LANE = 44, 26
_LABELS = 196
"""Pixels that marks, names and figures need at the right."""

_LABEL = 18
_ROW = 29
_SMALL = 15
_LEAST_SHARE = 0.002
_SHARES_WIDTH, _LEAST_SHARES = 0.19, 92


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
        """Return the pixel row of a zone."""
        return self.area.bottom - (zone - LOWEST) / (self.top - LOWEST) * self.area.height


def draw_ruler(sheet: Sheet, area: Area, ruler: Ruler) -> None:
    """Draw the stop ruler into an area."""
    rule = Rule(area, ruler.clip, ruler.lanes)
    if not ruler.shares:
        words = "Zones not seen: mid-grey is set for another body or ISO."
        for place, line in enumerate(sheet.wrapped(words, _LABEL, area.width, lines=3)):
            sheet.text((area.left, area.top + 24 + 26 * place), line, _LABEL, color=DARK.quiet)
        return
    _draw_scale(sheet, rule)
    _draw_shares(sheet, rule, ruler)
    seen = list(ruler.readings)
    wanted = [rule.y(_height(reading)) for reading in seen]
    labels = spread(wanted, _ROW, rule.y(ruler.clip) + _ROW / 2 + 2, area.bottom - _ROW / 2)
    for reading, label in zip(seen, labels, strict=True):
        _draw_target(sheet, rule, reading)
        _draw_value(sheet, rule, reading, label)


def _height(reading: Reading) -> float:
    """Return the zone that a reading's label belongs beside."""
    return next(z for z in (reading.value, reading.target, reading.low, LOWEST) if z is not None)


def _draw_scale(sheet: Sheet, rule: Rule) -> None:
    foot, clip = rule.y(LOWEST), rule.y(rule.clip)
    sheet.line([(rule.axis, foot), (rule.axis, clip)], DARK.rule, 2, gid="scale")
    for zone, roman in enumerate(ROMAN):
        if zone < rule.clip - 0.2:
            y = rule.y(zone)
            sheet.line([(rule.axis, y), (rule.axis + 8, y)], DARK.rule, 2)
            sheet.text((rule.axis + 14, y + 6), roman, _SMALL, color=DARK.quiet)
    sheet.line([(rule.area.left, clip), (rule.area.right, clip)], DARK.text, 3, gid="clip")
    words = f"clip {rule.clip:.2f}"
    at = (rule.area.right, clip - 10)
    sheet.text(at, words, _SMALL, color=DARK.quiet, ha="right")


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


def _draw_target(sheet: Sheet, rule: Rule, reading: Reading) -> None:
    if reading.target is None or reading.low is None or reading.high is None:
        return
    x = rule.lanes + reading.lane * rule.lane
    low, high, target = (rule.y(zone) for zone in (reading.low, reading.high, reading.target))
    bracket = [(x + 7, high), (x, high), (x, low), (x + 7, low)]
    sheet.line(bracket, DARK.target, 2.5, gid=f"target:{reading.name}")
    sheet.line([(x - 5, target), (x, target)], DARK.target, 2.5)


def _draw_value(sheet: Sheet, rule: Rule, reading: Reading, label: float) -> None:
    mark = STATE_MARKS[reading.state] if reading.state else None
    colour = colour_of(mark, DARK) if mark else DARK.text
    x = rule.lanes + reading.lane * rule.lane + 6
    start = rule.y(_height(reading))
    if reading.value is not None:
        bar = Area(x, start - 4, x + rule.lane - 16, start + 4)
        sheet.fill(bar, colour, gid=f"value:{reading.name}", zorder=3)
        _draw_doubt(sheet, rule, reading, x + rule.lane / 2 - 8)
        _draw_stem(sheet, rule, reading, x - 6)
    elbow = rule.labels - 24
    leader = [
        (x + rule.lane - 13, start),
        (max(elbow - 8, x + rule.lane - 11), start),
        (elbow + 8, label),
        (elbow + 12, label),
    ]
    sheet.line(leader, DARK.share, 1.2)
    _draw_label(sheet, rule, reading, label)


def _draw_stem(sheet: Sheet, rule: Rule, reading: Reading, x: float) -> None:
    """Join a value outside its bracket to the bracket's nearer end."""
    value, low, high = reading.value, reading.low, reading.high
    if value is None or low is None or high is None or low <= value <= high:
        return
    end = high if value > high else low
    sheet.line(
        [(x, rule.y(end)), (x, rule.y(value)), (x + 7, rule.y(value))],
        DARK.target,
        1.5,
        linestyle=(0, (2, 1.6)),
    )


def _draw_doubt(sheet: Sheet, rule: Rule, reading: Reading, x: float) -> None:
    if reading.value is None or not reading.uncertainty:
        return
    ends = [(x, rule.y(reading.value + side * reading.uncertainty)) for side in (-1, 1)]
    sheet.line(ends, DARK.text, 1.5, zorder=4, gid=f"uncertainty:{reading.name}")


def _draw_label(sheet: Sheet, rule: Rule, reading: Reading, y: float) -> None:
    figure, figure_colour = _figure(reading)
    right = rule.area.right
    width = sheet.text_width(figure, _LABEL, weight="bold")
    sheet.text(
        (right, y + 6),
        figure,
        _LABEL,
        color=figure_colour,
        ha="right",
        weight="bold",
        gid=f"figure:{reading.name}",
    )
    if reading.state:
        sheet.mark((rule.labels, y), STATE_MARKS[reading.state], 15)
    start = rule.labels + 16
    words = sheet.cut(reading.name, _LABEL, right - width - 12 - start)
    sheet.text((start, y + 6), words, _LABEL, color=DARK.text)


def _figure(reading: Reading) -> tuple[str, str]:
    if reading.value is None:
        return "not seen", DARK.quiet
    if reading.off is None:
        return tenths(reading.value), DARK.quiet
    return signed(reading.off), DARK.text
