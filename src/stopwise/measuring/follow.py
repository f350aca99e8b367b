"""Follow: find a sitter's patches again after he has moved, and say how surely."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measuring.correlate import correlate, gradient, peak, pooled, prepare, tones

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.measuring.blocks import Blocks
    from stopwise.measuring.measurement import Box

LEAST_SCORE = 0.6
"""Under this score a patch is not seen."""

_MARGIN = 0.10
"""Of the long edge: how far the sitter's window reaches beyond the outermost patches."""

_COARSE = 4
_TILTS = (-10.0, -5.0, 0.0, 5.0, 10.0)
_SCALES = (0.93, 1.0, 1.07)
_OVERLAP = 0.6
_CONTEXT = 0.05
_REACH = 0.025


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a patch was found again.

    Attributes
    ----------
    box
        Where it lies now, fractions of the upright picture.
    score
        Normalised correlation, -1 to 1; it counts as seen from `LEAST_SCORE` on.
    """

    box: Box
    score: float


@dataclass(frozen=True, slots=True)
class Motion:
    """A similarity: how the sitter's window lies now against the reference.

    Attributes
    ----------
    down, across
        Blocks, how far the window's middle moved.
    tilt
        Degrees, positive turns the right side down.
    scale
        Factor.
    score
        Normalised correlation there.
    """

    down: float = 0.0
    across: float = 0.0
    tilt: float = 0.0
    scale: float = 1.0
    score: float = 0.0


@dataclass(frozen=True, slots=True)
class _Window:
    """A rectangle of blocks: its middle, and half its height and width."""

    row: float
    column: float
    tall: float
    wide: float

    def shrunk(self, step: int) -> _Window:
        # the middle of block i lies at i; that of a pooled block k at step k + (step - 1) / 2
        off = (step - 1) / 2.0
        return _Window(
            (self.row - off) / step, (self.column - off) / step, self.tall / step, self.wide / step
        )


def find(reference: Blocks, blocks: Blocks, boxes: Sequence[Box]) -> tuple[Placement, ...]:
    """Find patches of a reference frame again in another frame.

    Parameters
    ----------
    reference
        The frame that the boxes were set on, reduced.
    blocks
        The frame to look in, reduced alike.
    boxes
        The patches that follow, fractions of the reference's upright picture.

    Returns
    -------
    tuple of Placement
        One for each box, in order. Score 0 where the pictures have another shape or the box would
        lie outside the frame.
    """
    if reference.shape != blocks.shape or not boxes:
        return tuple(Placement(box, 0.0) for box in boxes)
    then, now = tones(reference.mean), tones(blocks.mean)
    window = _sitter_window(boxes, then.shape)
    motion = common_motion(then, now, window)
    field = gradient(now)
    return tuple(_place(then, field, box, window, motion) for box in boxes)


def common_motion(then: NDArray[np.float32], now: NDArray[np.float32], window: _Window) -> Motion:
    """Return the similarity that brings the reference's window best onto the frame."""
    small_then, small_now = pooled(then, _COARSE), pooled(now, _COARSE)
    small = window.shrunk(_COARSE)
    tries = [Motion(tilt=tilt, scale=scale) for tilt in _TILTS for scale in _SCALES]
    best = _best(small_then, small_now, small, tries)
    best = replace(best, down=best.down * _COARSE, across=best.across * _COARSE)
    for step, tilts, scales in (
        (2, (-2.5, 0.0, 2.5), (0.965, 1.0, 1.035)),
        (1, (-1.2, 0.0, 1.2), (0.985, 1.0, 1.015)),
    ):
        best = _refined(then, now, window, best, step, tilts, scales)
    return best


def _refined(then, now, window, near, step, tilts, scales):  # noqa
    level_then = pooled(then, step) if step > 1 else then
    level_now = pooled(now, step) if step > 1 else now
    small = window.shrunk(step)
    tries = [
        Motion(near.down / step, near.across / step, near.tilt + t, near.scale * s)
        for t in tilts
        for s in scales
    ]
    best = _best(level_then, level_now, small, tries, reach=4)
    return replace(best, down=best.down * step, across=best.across * step)


def _best(then, now, window, tries, reach=None):
    field = gradient(now)
    origin = (0, 0)
    shape = _template_shape(window, max(m.scale for m in tries), max(abs(m.tilt) for m in tries))
    if reach is not None:
        field, origin = _around(field, window, tries[0], shape, reach)
    searched = prepare(field, shape)
    found = []
    for motion in tries:
        template, weight = _template(then, window, motion, shape)
        row, column, score = peak(correlate(searched, template, weight, overlap=_OVERLAP))
        found.append(
            replace(
                motion,
                down=row + origin[0] - window.row,
                across=column + origin[1] - window.column,
                score=score,
            )
        )
    return max(found, key=lambda m: m.score)


def _around(field, window, motion, shape, reach):
    row, column = round(window.row + motion.down), round(window.column + motion.across)
    top, left = row - shape[0] // 2 - reach, column - shape[1] // 2 - reach
    bottom, right = row + shape[0] // 2 + reach + 1, column + shape[1] // 2 + reach + 1
    top, left = max(top, 0), max(left, 0)
    return field[top:bottom, left:right], (top, left)


def _template_shape(window: _Window, scale: float, tilt: float) -> tuple[int, int]:
    turn = np.deg2rad(tilt)
    tall = scale * (window.tall * np.cos(turn) + window.wide * np.sin(turn))
    wide = scale * (window.wide * np.cos(turn) + window.tall * np.sin(turn))
    return 2 * int(np.ceil(tall)) + 1, 2 * int(np.ceil(wide)) + 1


def _template(then, window, motion, shape, *, soft=False):
    """Return the window's gradients as they would lie after a motion, and their weights."""
    from scipy.ndimage import map_coordinates

    rows = np.arange(shape[0]) - shape[0] // 2
    columns = np.arange(shape[1]) - shape[1] // 2
    down, across = np.meshgrid(rows, columns, indexing="ij")
    turn = np.deg2rad(motion.tilt)
    v = (down * np.cos(turn) - across * np.sin(turn)) / motion.scale
    u = (across * np.cos(turn) + down * np.sin(turn)) / motion.scale
    warped = map_coordinates(then, [v + window.row, u + window.column], order=1, mode="nearest")
    inside = (np.abs(v) <= window.tall) & (np.abs(u) <= window.wide)
    weight = inside.astype(np.float32)
    if soft:
        weight *= np.exp(-0.5 * ((v / window.tall) ** 2 + (u / window.wide) ** 2) * 2.0).astype(
            np.float32
        )
    return gradient(warped.astype(np.float32)), weight


def _sitter_window(boxes: Sequence[Box], shape: tuple[int, ...]) -> _Window:
    margin = _MARGIN * max(shape)
    x0, y0 = min(b[0] for b in boxes), min(b[1] for b in boxes)
    x1, y1 = max(b[2] for b in boxes), max(b[3] for b in boxes)
    top, bottom = max(y0 * shape[0] - margin, 0.0), min(y1 * shape[0] + margin, float(shape[0]))
    left, right = max(x0 * shape[1] - margin, 0.0), min(x1 * shape[1] + margin, float(shape[1]))
    return _Window(
        (top + bottom) / 2.0 - 0.5,
        (left + right) / 2.0 - 0.5,
        (bottom - top) / 2.0,
        (right - left) / 2.0,
    )


def _place(then, field, box, window, motion):
    rows, columns = then.shape
    row, column = (box[1] + box[3]) / 2.0 * rows - 0.5, (box[0] + box[2]) / 2.0 * columns - 0.5
    turn = np.deg2rad(motion.tilt)
    v, u = row - window.row, column - window.column
    new_row = window.row + motion.down + motion.scale * (v * np.cos(turn) + u * np.sin(turn))
    new_column = (
        window.column + motion.across + motion.scale * (u * np.cos(turn) - v * np.sin(turn))
    )
    context = _CONTEXT * max(rows, columns)
    local = _Window(
        row,
        column,
        (box[3] - box[1]) / 2.0 * rows + context,
        (box[2] - box[0]) / 2.0 * columns + context,
    )
    shape = _template_shape(local, motion.scale, abs(motion.tilt))
    reach = round(_REACH * max(rows, columns))
    there = Motion(new_row - row, new_column - column, motion.tilt, motion.scale)
    part, origin = _around(field, local, there, shape, reach)
    if min(part.shape) < 3:
        return Placement(box, 0.0)
    template, weight = _template(then, local, motion, shape, soft=True)
    scores = correlate(prepare(part, shape), template, weight, overlap=_OVERLAP)
    r0, c0 = round(new_row) - origin[0], round(new_column) - origin[1]
    near = np.zeros_like(scores)
    sl = (
        slice(max(r0 - reach, 0), max(r0 + reach + 1, 0)),
        slice(max(c0 - reach, 0), max(c0 + reach + 1, 0)),
    )
    near[sl] = scores[sl]
    r, c, score = peak(near)
    tall, wide = (box[3] - box[1]) * motion.scale / 2.0, (box[2] - box[0]) * motion.scale / 2.0
    y, x = (r + origin[0] + 0.5) / rows, (c + origin[1] + 0.5) / columns
    return Placement((x - wide, y - tall, x + wide, y + tall), score)
