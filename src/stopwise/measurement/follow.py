"""Follow: find a sitter's patches again after he has moved, and say how surely."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.measurement.correlate import correlate, evidence, gradient, peak, prepare, tones
from stopwise.measurement.motion import (
    OVERLAP,
    Motion,
    Window,
    common_motion,
    template_of,
    template_shape,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

    from stopwise.measurement.blocks import Blocks
    from stopwise.measurement.measurement import Box

LEAST_SCORE = 0.6
"""Under this score a patch is not seen."""

_SITTER_MARGIN = 0.10
"""Of the long edge: how far the sitter's window reaches beyond the outermost patches."""

_RINGS = (0.04, 0.08)
"""Of the long edge: how far round a patch it is compared for its score."""


@dataclass(frozen=True, slots=True)
class _Look:
    """One look for a patch's own place.

    Attributes
    ----------
    rim, reach
        Of the long edge: how far round the patch is compared, how far off it may lie.
    least
        Least correlation that counts.
    gain
        By how much another place must correlate better than the expected one.
    """

    rim: float
    reach: float
    least: float
    gain: float


_LOOKS = (_Look(0.08, 0.035, 0.45, 0.15), _Look(0.05, 0.01, 0.6, 0.15))
"""First for a head that turned or a hand that moved, then finely."""

_CLOSE = 1.5
"""Blocks: this near to where the sitter's motion puts it, its own place is the finer one."""

_LEAST_INSIDE = 0.8


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a patch was found again.

    Attributes
    ----------
    box
        Where it lies now, fractions of the upright picture.
    score
        How surely, -1 to 1; it counts as seen from `LEAST_SCORE` on.
    """

    box: Box
    score: float


@dataclass(frozen=True, eq=False, slots=True)
class _Pair:
    """The reference and the frame, ready to be compared."""

    then: NDArray[np.float32]
    field: NDArray[np.complex64]
    window: Window
    motion: Motion


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
        One for each box, in order. Score 0 where the pictures have another shape or a fifth of the
        box would lie outside the frame.

    Notes
    -----
    The sitter's window, all boxes with a margin, is found by normalised correlation of the
    gradient of log luminance, coarse to fine over shifts, tilts and sizes. Each patch may then lie
    up to a thirtieth of the long edge off that, where it correlates clearly better by itself: a
    head turned by 10 degrees moves a cheek by a fiftieth. Its score is the mean of the
    correlations of two surroundings and of the whole sitter, each weighted by the gradients there
    are to tell by: a lamp that is out leaves none, a head turned away leaves other ones.
    """
    if reference.shape != blocks.shape or not boxes:
        return tuple(Placement(box, 0.0) for box in boxes)
    then, now = tones(reference.mean), tones(blocks.mean)
    window = _sitter_window(boxes, reference.shape)
    pair = _Pair(then, gradient(now), window, common_motion(then, now, window))
    return tuple(_place(pair, box) for box in boxes)


def _sitter_window(boxes: Sequence[Box], shape: tuple[int, int]) -> Window:
    margin = _SITTER_MARGIN * max(shape)
    rows, columns = shape
    top = max(min(box[1] for box in boxes) * rows - margin, 0.0)
    left = max(min(box[0] for box in boxes) * columns - margin, 0.0)
    bottom = min(max(box[3] for box in boxes) * rows + margin, float(rows))
    right = min(max(box[2] for box in boxes) * columns + margin, float(columns))
    return Window(
        (top + bottom) / 2.0 - 0.5,
        (left + right) / 2.0 - 0.5,
        (bottom - top) / 2.0,
        (right - left) / 2.0,
    )


def _around(box: Box, shape: tuple[int, int], rim: float) -> Window:
    rows, columns = shape
    reach = rim * max(shape)
    return Window(
        (box[1] + box[3]) / 2.0 * rows - 0.5,
        (box[0] + box[2]) / 2.0 * columns - 0.5,
        (box[3] - box[1]) / 2.0 * rows + reach,
        (box[2] - box[0]) / 2.0 * columns + reach,
    )


def _place(pair: _Pair, box: Box) -> Placement:
    shape = pair.then.shape
    middle = _around(box, shape, 0.0)
    at = pair.motion.carry(middle.row, middle.column, pair.window)
    for look in _LOOKS:
        at = _own_place(pair, box, at, look)
    moved = _box_at(box, *at, shape, pair.motion.scale)
    if _inside(moved) < _LEAST_INSIDE:
        return Placement(moved, 0.0)
    return Placement(moved, _score(pair, box, at))


def _own_place(
    pair: _Pair, box: Box, expected: tuple[float, float], look: _Look
) -> tuple[float, float]:
    """Return where a patch lies by its own surroundings, or where it was expected."""
    near = _around(box, pair.then.shape, look.rim)
    shape = template_shape(near, [pair.motion])
    reach = round(look.reach * max(pair.then.shape))
    middle = (round(expected[0]), round(expected[1]))
    searched = prepare(pair.field, middle, (reach, reach), shape)
    template = template_of(pair.then, near, pair.motion, shape)
    scores = correlate(searched, template, overlap=OVERLAP)
    row, column, best = peak(scores)
    close = abs(row - reach) <= _CLOSE and abs(column - reach) <= _CLOSE
    if best < look.least or not (close or best > scores[reach, reach] + look.gain):
        return expected
    return row + searched.origin[0], column + searched.origin[1]


def _score(pair: _Pair, box: Box, at: tuple[float, float]) -> float:
    """Return the mean of the correlations of both rings and the whole sitter, by their evidence."""
    shape = pair.then.shape
    told = [_evidence(pair, _around(box, shape, rim), at) for rim in _RINGS]
    whole = pair.motion.carry(pair.window.row, pair.window.column, pair.window)
    told.append(_evidence(pair, pair.window, whole))
    weight = sum(telling for _, telling in told)
    return sum(agreeing for agreeing, _ in told) / weight if weight > 0 else 0.0


def _evidence(pair: _Pair, window: Window, at: tuple[float, float]) -> tuple[float, float]:
    """Return the agreement and weight of a window that is laid with its middle at a place."""
    middle = (round(at[0]), round(at[1]))
    off = (at[0] - middle[0], at[1] - middle[1])
    shape = template_shape(window, [pair.motion])
    template = template_of(pair.then, window, pair.motion, shape, off=off)
    return evidence(template, pair.field, middle)


def _box_at(box: Box, row: float, column: float, shape: tuple[int, int], scale: float) -> Box:
    tall, wide = (box[3] - box[1]) * scale / 2.0, (box[2] - box[0]) * scale / 2.0
    y, x = (row + 0.5) / shape[0], (column + 0.5) / shape[1]
    return x - wide, y - tall, x + wide, y + tall


def _inside(box: Box) -> float:
    """Return the share of a box that lies in the frame."""
    wide, tall = box[2] - box[0], box[3] - box[1]
    seen_wide = min(box[2], 1.0) - max(box[0], 0.0)
    seen_tall = min(box[3], 1.0) - max(box[1], 0.0)
    return max(seen_wide, 0.0) * max(seen_tall, 0.0) / (wide * tall)
