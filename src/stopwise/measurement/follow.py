"""Follow: find a sitter's patches again after he has moved, and tell a moved camera from him.

A sitter moves all day; a chip on its rod, a stand, the paper's edge don't. Where these lie
elsewhere in the picture the tripod was knocked, and the boxes of still things go with them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.figures import CameraMove
from stopwise.measurement.motion import (
    OVERLAP,
    Motion,
    Rectangle,
    common_motion,
    correlate,
    evidence,
    gradient,
    peak,
    prepare,
    template_of,
    template_shape,
    tones,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.frame import Box
    from stopwise.grid import LightGrid

LEAST_SCORE = 0.6
"""Under this score a patch is not seen: made moves and 'sitter gone' part there."""

_SITTER_MARGIN = 0.10
"""Of the long edge: how far the sitter's part reaches beyond the outermost patches."""

_RINGS = (0.04, 0.08)
"""Of the long edge: how far round a patch it is compared for its score."""

_CLOSE = 1.5
"""Blocks: this near to where the sitter's motion puts it, its own place is the finer one."""

_STAYS = 0.5
"""Blocks within which a patch is where it was: it is found no nearer than that, and a box that
trembles holds other strands and pores each time.
"""

_LEAST_INSIDE = 0.8
"""Share of a box that must lie inside the frame."""


@dataclass(frozen=True, slots=True)
class _Look:
    """One look for a patch's own place; the figures are set on our own renderer.

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
    """The reference and the frame, ready to be compared, and how the sitter moved between them."""

    then: NDArray[np.float32]
    field: NDArray[np.complex64]
    sitter: Rectangle
    motion: Motion


def find_patches(
    reference: LightGrid, grid: LightGrid, boxes: Sequence[Box]
) -> tuple[Placement, ...]:
    """Find patches of a reference frame again in another frame.

    Parameters
    ----------
    reference
        The frame that the boxes were set on.
    grid
        The frame to look in.
    boxes
        The patches that follow, fractions of the reference's upright picture.

    Returns
    -------
    tuple of Placement
        One for each box, in order. Score 0 where the pictures have another shape or a fifth of the
        box would lie outside the frame.

    Notes
    -----
    The sitter, all boxes with a margin, is found by normalised correlation of the gradient of log
    luminance, coarse to fine over shifts, tilts and sizes. Each patch may then lie up to a
    thirtieth of the long edge off that, where it correlates clearly better by itself: a head turned
    by 10 degrees moves a cheek by a fiftieth. Its score is the mean of the correlations of two
    surroundings and of the whole sitter, each weighted by the gradients there are to tell by: a
    lamp that is out leaves none, a head turned away leaves other ones.
    """
    if reference.shape != grid.shape or not boxes:
        return tuple(Placement(box, 0.0) for box in boxes)
    then, now = (
        tones(np.where(one.usable, one.luminance, np.float32(1.0))) for one in (reference, grid)
    )
    x0, y0, x1, y1 = np.transpose(boxes)
    sitter = around((min(x0), min(y0), max(x1), max(y1)), then.shape, _SITTER_MARGIN, cut=True)
    pair = _Pair(then, gradient(now), sitter, common_motion(then, now, sitter))
    return tuple(_place(pair, box) for box in boxes)


def around(box: Box, shape: tuple[int, ...], rim: float, *, cut: bool = False) -> Rectangle:
    """Return a box with a rim as a rectangle of blocks.

    Parameters
    ----------
    box
        Fractions of the picture.
    shape
        Rows and columns of blocks.
    rim
        Of the longer side.
    cut
        Whether it ends where the picture does.
    """
    rows, columns = shape
    reach = rim * max(shape)
    top, bottom = box[1] * rows - reach, box[3] * rows + reach
    left, right = box[0] * columns - reach, box[2] * columns + reach
    if cut:
        top, left = max(top, 0.0), max(left, 0.0)
        bottom, right = min(bottom, float(rows)), min(right, float(columns))
    return Rectangle(
        (top + bottom) / 2.0 - 0.5,
        (left + right) / 2.0 - 0.5,
        (bottom - top) / 2.0,
        (right - left) / 2.0,
    )


def _place(pair: _Pair, box: Box) -> Placement:
    rows, columns = pair.then.shape
    middle = around(box, pair.then.shape, 0.0)
    at = pair.motion.carry(middle.row, middle.column, pair.sitter)
    for look in _LOOKS:
        at = _own_place(pair, box, at, look)
    if math.dist(at, (middle.row, middle.column)) <= _STAYS:
        return Placement(box, _score(pair, box, at))
    scale = pair.motion.scale
    tall, wide = (box[3] - box[1]) * scale / 2.0, (box[2] - box[0]) * scale / 2.0
    y, x = (at[0] + 0.5) / rows, (at[1] + 0.5) / columns
    moved = (x - wide, y - tall, x + wide, y + tall)
    seen_wide = max(min(moved[2], 1.0) - max(moved[0], 0.0), 0.0)
    seen_tall = max(min(moved[3], 1.0) - max(moved[1], 0.0), 0.0)
    is_inside = seen_wide * seen_tall >= _LEAST_INSIDE * 4.0 * tall * wide
    return Placement(moved, _score(pair, box, at) if is_inside else 0.0)


def _own_place(
    pair: _Pair, box: Box, expected: tuple[float, float], look: _Look
) -> tuple[float, float]:
    """Return where a patch lies by its own surroundings, or where it was expected."""
    near = around(box, pair.then.shape, look.rim)
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
    rings = [(around(box, pair.then.shape, rim), at) for rim in _RINGS]
    whole = pair.motion.carry(pair.sitter.row, pair.sitter.column, pair.sitter)
    told = []
    for part, place in (*rings, (pair.sitter, whole)):
        middle = (round(place[0]), round(place[1]))
        off = (place[0] - middle[0], place[1] - middle[1])
        shape = template_shape(part, [pair.motion])
        template = template_of(pair.then, part, pair.motion, shape, off=off)
        told.append(evidence(template, pair.field, middle))
    weight = sum(telling for _, telling in told)
    return sum(agreeing for agreeing, _ in told) / weight if weight > 0 else 0.0


# --- what stands still --------------------------------------------------------------------------

_STILL_RIM = 0.02
"""Of the long edge: how far round a still thing it is compared. Wide enough for its own edges to
lie inside whatever box was drawn on it, and no more: what is further round may move."""

_STILL_REACH = 0.08
"""Of the long edge: how far a still thing is looked for. Knocked by more, it is set up anew."""

_APART = 0.004
"""Of the long edge: how near the shifts of all still things must lie to their median. Half of what
boxes of still things may be off."""

LEAST_MOVE = 0.004
"""Of the long edge, from which the camera counts as moved: twice what a shift that is read on
blocks of a five-hundredth is sure to."""


def camera_move(reference: LightGrid, grid: LightGrid, still: Sequence[Box]) -> CameraMove | None:
    """Return how still things lie in a frame against the reference.

    Parameters
    ----------
    reference
        The frame that the boxes were set on.
    grid
        The frame to look in.
    still
        Boxes of what stands still, fractions of the reference's upright picture.

    Returns
    -------
    CameraMove or None
        The median of their shifts; no shift where it is too small to count. None where nothing
        still is found again, or what is found disagrees: then nobody knows.
    """
    if reference.shape != grid.shape:
        return None
    then, now = (
        tones(np.where(one.usable, one.luminance, np.float32(1.0))) for one in (reference, grid)
    )
    field, long_edge = gradient(now), max(then.shape)
    reach = round(_STILL_REACH * long_edge)
    shifts = []
    for box in still:
        part = around(box, then.shape, _STILL_RIM)
        shape = template_shape(part, [Motion()])
        middle = (round(part.row), round(part.column))
        off = (part.row - middle[0], part.column - middle[1])
        template = template_of(then, part, Motion(), shape, off=off)
        searched = prepare(field, middle, (reach, reach), shape)
        row, column, score = peak(correlate(searched, template, overlap=OVERLAP))
        if score >= LEAST_SCORE:
            shifts.append((row - reach, column - reach))
    if not shifts:
        return None
    down, across = (float(median(steps)) for steps in zip(*shifts, strict=True))
    apart = max(max(abs(row - down), abs(column - across)) for row, column in shifts)
    if apart > _APART * long_edge:
        return None
    if max(abs(down), abs(across)) < LEAST_MOVE * long_edge:
        return CameraMove()
    return CameraMove(right=across / then.shape[1], down=down / then.shape[0])
