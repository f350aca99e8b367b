"""The slip of powers that were dialled: the predicted picture, lamps and targets beside."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.grid import is_blocked
from stopwise.report.contours import zone_contours
from stopwise.report.drawable import Drawable, drawable_of
from stopwise.report.facts import MarkedPatch
from stopwise.report.look import DARK, STATE_MARKS
from stopwise.report.sheet import BODY_TOP, HEIGHT, MARGIN, WIDTH, Area, ListEntry, Sheet
from stopwise.report.slip import draw_picture
from stopwise.report.tables import alike_sentences, dial_call, lamp_rows, target_rows
from stopwise.stops import MID_GREY_OF_SATURATION, MIDDLE_ZONE

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.findings import State
    from stopwise.grid import LightGrid
    from stopwise.lamps.dial import Dial
    from stopwise.plan.model import Plan

_GAP, _SIZE, _ROW = 44, 19, 29
"""Before the tables, of their type and rows, pixels, set by eye."""

_LONGEST = 960
"""Blocks along the longer side of a picture that is made of coarser light: the slip's own."""


def light_drawable(light: LightGrid, *, mid_grey: float | None = None) -> Drawable:
    """Return light that was added up, ready to be drawn on a slip or sent to the page.

    Parameters
    ----------
    light
        A frame's light, or what powers that were dialled give; it ends at each colour's ceiling.
    mid_grey
        Y of mid-grey; None for the default.

    Returns
    -------
    Drawable
        Each block parted, straight between the middles of blocks, to about 960 along the longer
        side.
    """
    from scipy.ndimage import zoom

    from stopwise.lamps.superposition import clipped_shares

    grey = mid_grey or MID_GREY_OF_SATURATION
    factor = max(1, round(_LONGEST / max(light.shape)))
    signals = np.minimum(light.mean, np.asarray(light.ceiling, np.float32)[:, None, None])
    mean, clipped = (
        np.stack([zoom(one, factor, order=1, mode="nearest", grid_mode=True) for one in planes])
        for planes in (signals, clipped_shares(light)[None])
    )
    finer = replace(light, mean=mean, clipped=clipped[0], mid_grey=grey)
    blocked = is_blocked(finer.luminance, grey).astype(np.float32)
    return drawable_of(replace(finer, blocked=blocked))


def draw_dial_slip(
    answer: Dial,
    plan: Plan,
    sentences: Sequence[str] = (),
    texts: Mapping[str, str] | None = None,
) -> bytes:
    """Return the slip of a dialled answer as a PNG of 1600 x 1200 pixels, sRGB.

    Parameters
    ----------
    answer, plan
        What was dialled, and the plan with each lamp at the power that it has now.
    sentences
        What else is to be said, of solos and lamps.
    texts
        What else the file says of itself.
    """
    sheet = Sheet()
    mid_grey = plan.camera.mid_grey or MID_GREY_OF_SATURATION
    picture = light_drawable(answer.picture, mid_grey=mid_grey)
    sheet.headline(dial_call(answer, plan))
    rows, columns = picture.luminance.shape
    area = Area(MARGIN, BODY_TOP, 960, 850).fitted(columns / rows)
    clip = MIDDLE_ZONE - math.log2(mid_grey)
    contours = zone_contours(picture.luminance, mid_grey=mid_grey, clip=clip)
    draw_picture(sheet, area, picture, contours=contours, patches=_patches(answer))
    side = Area(area.right + _GAP, BODY_TOP, WIDTH - MARGIN, HEIGHT - MARGIN)
    below = _draw_lamps(sheet, side, answer, plan)
    _draw_targets(sheet, Area(side.left, below + 30, side.right, side.bottom), answer)
    told = [ListEntry("fails", (target.say,)) for target in answer.unmet]
    told += [ListEntry("on the line", (target.say,)) for target in answer.unsure]
    told += [ListEntry(None, (said,)) for said in (*alike_sentences(answer), *sentences)]
    foot = Area(MARGIN, area.bottom + 84, area.right, HEIGHT - MARGIN)
    sheet.told(foot, told, _SIZE, rest="and more, in the text")
    return sheet.png(texts)


def _patches(answer: Dial) -> list[MarkedPatch]:
    planned = {aim.of: aim for aim in answer.aims if aim.kind == "zone"}
    marked = []
    for name, read in answer.predicted.patches.items():
        patch = MarkedPatch(name, answer.picture.boxes[name].box, read.zone)
        if name in planned:
            state: State = "fails" if planned[name].short_by(answer.predicted) else "holds"
            patch = replace(patch, target=planned[name].planned, state=state)
        marked.append(patch)
    return marked


def _draw_lamps(sheet: Sheet, area: Area, answer: Dial, plan: Plan) -> float:
    """Write the table of lamps; return where it ends."""
    columns = [area.left + area.width * share for share in (0.0, 0.56, 0.60, 1.0)]
    y = area.top + _SIZE
    _cells(sheet, columns, y, ("lamp", "now", "turn", "new"), DARK.quiet)
    for row in lamp_rows(answer, plan):
        y += _ROW
        colour = DARK.quiet if row.turn is None else DARK.text
        turn = f"{row.words}, {row.remark}" if row.remark else row.words
        name = sheet.cut(row.name, _SIZE, area.width * 0.4)
        _cells(sheet, columns, y, (name, row.now, turn, row.new), colour)
    return y


def _cells(
    sheet: Sheet, columns: Sequence[float], y: float, words: Sequence[str], colour: str
) -> None:
    sides = ("left", "right", "left", "right", "right")
    for x, word, side in zip(columns, words, sides, strict=False):
        sheet.text((x, y), word, _SIZE, color=colour, ha=side)


def _draw_targets(sheet: Sheet, area: Area, answer: Dial) -> None:
    shares = (0.56, 0.59, 0.89, 1.0)
    columns = [area.left + 28, *(area.left + area.width * share for share in shares)]
    y = area.top + _SIZE
    _cells(sheet, columns, y, ("target", "then", "planned", "off", "±"), DARK.quiet)
    rows = target_rows(answer)
    room = int((area.bottom - y) // _ROW)
    for row in rows[:room]:
        y += _ROW
        failed = row.state == "fails"
        sheet.mark((area.left + 9, y - 7), STATE_MARKS[row.state], 15)
        name = sheet.cut(row.of, _SIZE, area.width * 0.38)
        words = (name, row.gets, row.planned, row.off, row.sure)
        _cells(sheet, columns, y, words, DARK.text if failed else DARK.quiet)
