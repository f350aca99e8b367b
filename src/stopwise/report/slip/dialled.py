"""The slip of a dialled answer: the predicted picture, lamps and targets beside."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.measurement.picture import Picture
from stopwise.measurement.zones import blocked_under
from stopwise.report.dialled import alike_sentences, headline, lamp_rows, target_rows
from stopwise.report.drawable import Drawable, drawable_of
from stopwise.report.look import DARK, STATE_MARKS
from stopwise.report.slip.page import CALL_SIZE, HEIGHT, WIDTH
from stopwise.report.slip.picture import draw_picture
from stopwise.report.slip.sheet import Area, Sheet
from stopwise.stops import MID_GREY_OF_SATURATION

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.lamps.dial import Dial
    from stopwise.lamps.reduced import LightPicture
    from stopwise.plan.model import Plan

_MARGIN, _GAP = 48, 44
_SIZE, _ROW = 19, 29
_TOP = 232
_LONGEST = 960

_Block = tuple[tuple[float, float], tuple[float, float]]


def predicted_drawable(answer: Dial, *, mid_grey: float | None = None) -> Drawable:
    """Return the predicted picture, ready to be drawn or sent to the page.

    Parameters
    ----------
    answer
        What was dialled.
    mid_grey
        Y of mid-grey; None for the default.
    """
    return drawable_of(_picture(answer.predicted.picture, mid_grey or MID_GREY_OF_SATURATION))


def shown_light(light: LightPicture, *, mid_grey: float | None = None) -> NDArray[np.uint8]:
    """Return reduced light rendered for the screen, uint8 (rows, columns, 3), sRGB."""
    return drawable_of(_picture(light, mid_grey or MID_GREY_OF_SATURATION)).image


def _picture(light: LightPicture, mid_grey: float) -> Picture:
    from stopwise.lamps.superpose import clipped_shares

    factor = max(1, round(_LONGEST / max(light.clipped.shape)))
    ceiling = np.asarray(light.ceiling, dtype=np.float32)[:, None, None]
    signals = np.minimum(light.mean, ceiling)
    planes = signals if len(signals) == 3 else np.repeat(signals[:1], 3, axis=0)
    luminance = _finer(np.tensordot(np.asarray(light.weights, np.float32), signals, 1), factor)
    matrix = np.eye(3) if light.to_srgb is None else np.asarray(light.to_srgb)
    return Picture(
        rgb=np.stack([_finer(plane, factor) for plane in planes], axis=-1),
        luminance=luminance,
        clipped=_finer(clipped_shares(light), factor),
        blocked=(luminance < blocked_under(mid_grey)).astype(np.float32),
        to_srgb=matrix,
        mid_grey=mid_grey,
    )


def _finer(plane: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Return a plane with each block parted, straight between the middles of blocks."""
    for axis in (0, 1):
        size = plane.shape[axis]
        at = np.clip((np.arange(size * factor) + 0.5) / factor - 0.5, 0, size - 1)
        low = np.minimum(at.astype(int), max(size - 2, 0))
        shape = [1, 1]
        shape[axis] = -1
        part = (at - low).astype(np.float32).reshape(shape)
        high = np.minimum(low + 1, size - 1)
        plane = np.take(plane, low, axis) * (1 - part) + np.take(plane, high, axis) * part
    return plane


def draw_dial_slip(answer: Dial, plan: Plan, sentences: Sequence[str] = ()) -> bytes:
    """Return the slip of a dialled answer as a PNG of 1600 x 1200 pixels, sRGB.

    Parameters
    ----------
    answer, plan
        What was dialled, and the plan with each lamp at the power that it has now.
    sentences
        What else is to be said, of solos and lamps.
    """
    sheet = Sheet(WIDTH, HEIGHT)
    drawable = predicted_drawable(answer, mid_grey=plan.camera.mid_grey)
    say, do = headline(answer, plan)
    for line, baseline, colour in ((say, 104, DARK.text), (do, 190, DARK.quiet)):
        room = WIDTH - 2 * _MARGIN
        size = CALL_SIZE * min(1.0, room / max(sheet.text_width(line, CALL_SIZE), 1.0))
        sheet.text((_MARGIN, baseline), line, size, color=colour)
    rows, columns = drawable.luminance.shape
    picture = _fit(Area(_MARGIN, _TOP, 960, 850), columns / rows)
    record = _as_record(answer, plan)
    draw_picture(sheet, picture, record, drawable, clip=_clip_zone(plan))
    side = Area(picture.right + _GAP, _TOP, WIDTH - _MARGIN, HEIGHT - _MARGIN)
    below = _draw_lamps(sheet, side, answer, plan)
    _draw_targets(sheet, Area(side.left, below + 30, side.right, side.bottom), answer)
    foot = Area(_MARGIN, picture.bottom + 84, picture.right, HEIGHT - _MARGIN)
    _draw_sentences(sheet, foot, answer, sentences)
    return sheet.png()


def _fit(area: Area, aspect: float) -> Area:
    width = min(area.width, area.height * aspect)
    return Area(area.left, area.top, area.left + width, area.top + width / aspect)


def _clip_zone(plan: Plan) -> float:
    from stopwise.stops import MIDDLE_ZONE

    return MIDDLE_ZONE - float(np.log2(plan.camera.mid_grey or MID_GREY_OF_SATURATION))


def _as_record(answer: Dial, plan: Plan) -> dict[str, Any]:
    """Return what of the answer is drawn on the picture, in the form of a frame's record."""
    planned = {target.of: target for target in answer.predicted.targets if target.kind == "zone"}
    cells = answer.predicted.picture.patches
    return {
        "zones": {"mid_grey": plan.camera.mid_grey},
        "patches": {
            name: {"zone": zone, "box": cells[name].box}
            for name, zone in answer.predicted.patches.items()
        },
        "findings": [
            {
                "check": "patch",
                "of": name,
                "planned": target.target,
                "state": "fails" if target.short_by else "holds",
            }
            for name, target in planned.items()
        ],
    }


def _draw_lamps(sheet: Sheet, area: Area, answer: Dial, plan: Plan) -> float:
    """Write the table of lamps; return where it ends."""
    columns = [area.left + area.width * share for share in (0.0, 0.56, 0.60, 1.0)]
    y = area.top + _SIZE
    _cells(sheet, columns, y, ("lamp", "now", "turn", "new"), DARK.quiet)
    for row in lamp_rows(answer, plan):
        y += _ROW
        colour = DARK.text if row.is_turned else DARK.quiet
        turn = f"{row.turn}, {row.remark}" if row.remark else row.turn
        name = sheet.cut(row.name, _SIZE, area.width * 0.4)
        _cells(sheet, columns, y, (name, row.now, turn, row.new), colour)
    return y


def _cells(
    sheet: Sheet, columns: Sequence[float], y: float, words: Sequence[str], colour: str
) -> None:
    for x, word, side in zip(columns, words, ("left", "right", "left", "right"), strict=True):
        sheet.text((x, y), word, _SIZE, color=colour, ha=side)


def _draw_targets(sheet: Sheet, area: Area, answer: Dial) -> None:
    columns = [area.left + 28, area.left + area.width * 0.60, area.left + area.width * 0.64]
    y = area.top + _SIZE
    _cells(sheet, [*columns, area.right], y, ("target", "then", "planned", "off"), DARK.quiet)
    rows = target_rows(answer)
    room = int((area.bottom - y) // _ROW)
    for row in rows[:room]:
        y += _ROW
        failed = row.state == "fails"
        sheet.mark((area.left + 9, y - 7), STATE_MARKS[row.state], 15)
        name = sheet.cut(row.of, _SIZE, area.width * 0.42)
        words = (name, row.gets, row.planned, row.off)
        _cells(sheet, [*columns, area.right], y, words, DARK.text if failed else DARK.quiet)


def _draw_sentences(sheet: Sheet, area: Area, answer: Dial, sentences: Sequence[str]) -> None:
    """Write what stays unmet and why, then what else is to be said, as far as there is room."""
    told: list[tuple[str | None, str]] = [("fails", target.say) for target in answer.unmet]
    told += [(None, said) for said in (*alike_sentences(answer), *sentences)]
    y = area.top
    for state, words in told:
        lines = sheet.wrapped(words, _SIZE, area.width - 28, lines=4)
        if y + len(lines) * _ROW > area.bottom:
            sheet.text((area.left + 28, y + _SIZE), "and more, in the text", _SIZE)
            return
        if state:
            sheet.mark((area.left + 9, y + _SIZE - 7), STATE_MARKS[state], 15)
        for line in lines:
            colour = DARK.text if state else DARK.quiet
            sheet.text((area.left + 28, y + _SIZE), line, _SIZE, color=colour)
            y += _ROW
        y += 8
