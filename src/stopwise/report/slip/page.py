"""How a slip is laid out, and the way from a record and its picture to a PNG."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.report.drawable import drawable_of
from stopwise.report.look import DARK, VERDICT_MARKS
from stopwise.report.ruler import ruler_of
from stopwise.report.slip.lists import draw_facts, draw_findings
from stopwise.report.slip.picture import draw_no_picture, draw_picture
from stopwise.report.slip.scale import draw_ruler
from stopwise.report.slip.sheet import Area, Sheet

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.measurement.picture import Picture
    from stopwise.record import Record
    from stopwise.report.drawable import Drawable

WIDTH, HEIGHT = 1600, 1200
CALL_SIZE = 0.047 * WIDTH
"""Height of the call line's type: 4.7 % of the width, as on the page."""

_MARGIN = 48
_GAP = 40
_BODY_TOP = 232
_TALL = 1.05
"""Pictures narrower than this many times their height stand beside all else."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Where each part of the slip goes."""

    picture: Area
    ruler: Area
    findings: Area
    facts: Area


def layout(aspect: float) -> Layout:
    """Return where things go for a picture that is `aspect` times as wide as it is high."""
    foot, right = HEIGHT - _MARGIN, WIDTH - _MARGIN
    if aspect < _TALL:
        picture = _fit(Area(_MARGIN, _BODY_TOP, _MARGIN + 560, foot - 56), aspect)
        start = max(picture.right, _MARGIN + 360) + _GAP
        column = start + (right - start - _GAP) * 0.5
        return Layout(
            picture=picture,
            ruler=Area(start, _BODY_TOP - 16, column, foot),
            findings=Area(column + _GAP, _BODY_TOP + 8, right, 700),
            facts=Area(column + _GAP, 724, right, foot),
        )
    picture = _fit(Area(_MARGIN, _BODY_TOP, 980, 852), aspect)
    below = max(picture.bottom, 800) + 68
    return Layout(
        picture=picture,
        ruler=Area(980 + _GAP, _BODY_TOP - 16, right, below - 50),
        findings=Area(_MARGIN, picture.bottom + 68, 980, foot),
        facts=Area(980 + _GAP, below, right, foot),
    )


def _fit(area: Area, aspect: float) -> Area:
    """Return the largest area of that aspect that fits, at the top left."""
    width = min(area.width, area.height * aspect)
    height = min(area.height, width / aspect)
    return Area(area.left, area.top, area.left + width, area.top + height)


def draw_slip(record: Record, picture: Picture | None) -> bytes:
    """Return one frame's slip as a PNG file.

    Parameters
    ----------
    record
        The frame's record; an unreadable one gives a slip that says why.
    picture
        The reduced picture, or None where there is none.

    Returns
    -------
    bytes
        A PNG of 1600 x 1200 pixels, sRGB.
    """
    return compose(record, None if picture is None else drawable_of(picture)).png()


def write_slip(path: Path, record: Record, picture: Picture | None) -> None:
    """Write one frame's slip to `path`; see :func:`draw_slip`.

    Raises
    ------
    OSError
        If the file can't be written.
    """
    path.write_bytes(draw_slip(record, picture))


def compose(frame: Record, picture: Drawable | None) -> Sheet:
    """Return the slip as a sheet whose parts can still be looked at one by one."""
    record = frame.to_json()
    sheet = Sheet(WIDTH, HEIGHT)
    rows, columns = (2, 3) if picture is None else picture.luminance.shape[:2]
    places = layout(columns / rows)
    ruler = ruler_of(record)
    _draw_call(sheet, frame)
    if picture is None:
        whole = Area(_MARGIN, _BODY_TOP, WIDTH - _MARGIN, places.picture.bottom)
        draw_no_picture(sheet, whole, record)
    else:
        draw_picture(sheet, places.picture, record, picture, clip=ruler.clip)
        draw_ruler(sheet, places.ruler, ruler)
    draw_findings(sheet, places.findings, record)
    draw_facts(sheet, places.facts, record)
    return sheet


def _draw_call(sheet: Sheet, record: Record) -> None:
    say, do = record.headline
    mark = VERDICT_MARKS[record.verdict]
    start = _MARGIN + CALL_SIZE * 0.98
    room = WIDTH - _MARGIN - start
    sheet.mark((_MARGIN + CALL_SIZE * 0.36, 78), mark, CALL_SIZE * 0.68, gid="verdict")
    for line, baseline, colour in ((say, 104, DARK.text), (do, 190, DARK.quiet)):
        size = CALL_SIZE * min(1.0, room / max(sheet.text_width(line, CALL_SIZE), 1.0))
        sheet.text((start, baseline), line, size, color=colour, gid="call")
