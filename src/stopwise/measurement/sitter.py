"""Sitter: which blocks of a frame are he and which are paper, by his edges or a clean plate."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.blocks import block_sums, centres
from stopwise.measurement.surface import fit_plainest, fit_surface

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.measurement.blocks import Blocks
    from stopwise.measurement.measurement import Box
    from stopwise.measurement.surface import Surface

EDGES: tuple[Box, ...] = ((0.0, 0.0, 0.06, 0.5), (0.94, 0.0, 1.0, 0.5), (0.0, 0.0, 1.0, 0.05))
"""Where the backdrop is looked for when no box says where it is: high up along the sides."""

_DEPARTS_STOPS = 0.15
_PLATE_STOPS = 0.08
_NEAR_STOPS = 1.0
_STEP_STOPS = 0.12
_SCATTERS = 4.0
_TEXTURED = 2.5
_SHARP = 0.6
_MOST_SQUARES = 2000
_MARGIN = 2
_POCKET = 0.2
"""A piece of paper this small against the largest, and cut off by the sitter, is his."""


@dataclass(frozen=True, eq=False, slots=True)
class Parts:
    """What the blocks of a frame show, with a rim between the two that is neither.

    Attributes
    ----------
    paper
        bool (n, m), the backdrop, in its boxes and as far round them as it is joined to them.
    subject
        bool (n, m), all that isn't backdrop.
    """

    paper: NDArray[np.bool_]
    subject: NDArray[np.bool_]


def find_parts(blocks: Blocks, boxes: Sequence[Box] = (), *, plate: Blocks | None = None) -> Parts:
    """Tell paper from sitter.

    Parameters
    ----------
    blocks
        The frame.
    boxes
        Where the backdrop is, fractions of the upright picture; the sitter may reach into them.
        With none, the upper sides of the frame stand for them.
    plate
        The bare backdrop, reduced to the same blocks; None or another shape: not used.

    Returns
    -------
    Parts
        Paper and subject.

    Notes
    -----
    With a plate he is where the frame departs from it by more than a smooth change of power. With
    none he departs from a smooth surface, or is textured, and is told from a blotch of light by
    being bounded by sharp edges and reaching in from a box's side. So a sharp shadow that reaches
    a box's side can't be told from him: that takes a plate. Outside the boxes paper is what is
    joined to them by smooth blocks within a stop of the surface.
    """
    from scipy.ndimage import label

    held = blocks.inside(tuple(boxes) or EDGES) & blocks.seen
    if plate is not None and plate.shape == blocks.shape:
        sitter = _against_plate(blocks, plate, held)
    else:
        sitter = _by_edges(blocks, held)
    paper = held & ~sitter
    joined, _ = label(paper | (_like(blocks, paper) & ~held))
    paper = np.isin(joined, np.unique(joined[paper])) & (joined > 0)
    return Parts(paper, np.isfinite(blocks.mean) & ~grown(paper, _MARGIN))


def spread(mask: NDArray[np.bool_], blocks: Blocks) -> NDArray[np.bool_]:
    """Return a mask of blocks as one of cells, bool (h, w); cells outside any block are False."""
    cells = np.zeros(blocks.cells, dtype=bool)
    wide = np.repeat(np.repeat(mask, blocks.step, axis=0), blocks.step, axis=1)
    top, left = ((a - b) // 2 for a, b in zip(blocks.cells, wide.shape, strict=True))
    cells[top : top + wide.shape[0], left : left + wide.shape[1]] = wide
    return cells


def grown(mask: NDArray[np.bool_], blocks: int = 1) -> NDArray[np.bool_]:
    """Return a mask with a rim of so many blocks added all round."""
    from scipy.ndimage import binary_dilation

    return np.asarray(binary_dilation(mask, structure=np.ones((3, 3)), iterations=blocks))


def surface_over(
    blocks: Blocks, stops: NDArray[np.float64], at: NDArray[np.bool_], *, order: int | None
) -> Surface | None:
    """Fit a robust surface through `stops` (n, m) at the blocks marked in `at` (n, m).

    Marked blocks are averaged in squares until there are some thousand left, so that noise
    doesn't hide what departs. With no order the plainest that fits is taken.
    """
    x, y, means = _pooled(blocks, stops, at)
    if order is None:
        return fit_plainest(x, y, means)
    return fit_surface(x, y, means, order=order)


def _pooled(
    blocks: Blocks, stops: NDArray[np.float64], at: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return x, y and mean of the marked blocks by squares that are marked for more than half."""
    step = max(1, math.ceil(math.sqrt(np.count_nonzero(at) / _MOST_SQUARES)))
    if step == 1:
        rows, columns = np.nonzero(at)
        return blocks.x[columns], blocks.y[rows], stops[rows, columns]
    counts = block_sums(at, step)
    sums = block_sums(np.where(at, stops, 0.0), step)
    rows, columns = np.nonzero(counts > step * step / 2.0)
    return (
        centres(blocks.x, step)[columns],
        centres(blocks.y, step)[rows],
        (sums / np.maximum(counts, 1.0))[rows, columns].astype(np.float64),
    )


def _against_plate(blocks: Blocks, plate: Blocks, held: NDArray[np.bool_]) -> NDArray[np.bool_]:
    both = held & plate.seen
    change = blocks.log2_y - plate.log2_y
    smooth = surface_over(blocks, change, both, order=2)
    if smooth is None:
        return _by_edges(blocks, held)
    limit = max(_PLATE_STOPS, _SCATTERS * smooth.scatter)
    rest = change - smooth.over(blocks.x, blocks.y)
    return grown(both & (np.abs(rest) > limit), _MARGIN)


def _by_edges(blocks: Blocks, held: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Look twice: past a stiff surface first, then past a supple one through what is left."""
    sitter = np.zeros(blocks.shape, dtype=bool)
    for order in (2, 4):
        surface = surface_over(blocks, blocks.log2_y, held & ~sitter, order=order)
        if surface is None:
            return sitter
        rest = blocks.log2_y - surface.over(blocks.x, blocks.y)
        sitter = _with_pockets(sitter | _bodies(blocks, held, rest, surface.scatter), held)
    return sitter


def _with_pockets(sitter: NDArray[np.bool_], held: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Add the small pieces that the sitter cuts off: a neck in the paper's tone isn't paper."""
    from scipy.ndimage import label

    pieces, count = label(held & ~sitter)
    if not sitter.any() or count == 0:
        return sitter
    sizes = np.bincount(pieces.ravel(), minlength=count + 1)
    sizes[0] = 0
    cut_off = np.unique(pieces[grown(sitter) & (pieces > 0)])
    pockets = cut_off[sizes[cut_off] < _POCKET * sizes.max()]
    return np.asarray(sitter | np.isin(pieces, pockets))


def _bodies(
    blocks: Blocks, held: NDArray[np.bool_], rest: NDArray[np.float64], scatter: float
) -> NDArray[np.bool_]:
    """Return what departs, reaches in from a box's side and is bounded sharply, with a rim."""
    from scipy.ndimage import binary_closing, label

    off = held & (np.abs(rest) > max(_DEPARTS_STOPS, _SCATTERS * scatter))
    off |= held & _textured(blocks, held)
    parts, count = label(binary_closing(off, iterations=2) & held, structure=np.ones((3, 3)))
    reaching = np.unique(parts[held & grown(~held) & (parts > 0)])
    steps = _step(blocks.log2_y)
    bodies = np.zeros(blocks.shape, dtype=bool)
    for number in reaching[:count]:
        part = parts == number
        border = part & grown(held & ~part)
        jump = np.median(steps[border]) if border.any() else 0.0
        if jump > _SHARP * np.median(np.abs(rest[part])):
            bodies |= part
    return grown(bodies, _MARGIN)


def _like(blocks: Blocks, paper: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where blocks are as smooth as the paper and near the surface through it."""
    surface = surface_over(blocks, blocks.log2_y, paper, order=2)
    if surface is None:
        return np.zeros(blocks.shape, dtype=bool)
    steps = _step(blocks.log2_y)
    smooth = steps <= max(_STEP_STOPS, _SCATTERS * float(np.median(steps[paper])))
    near = np.abs(blocks.log2_y - surface.over(blocks.x, blocks.y)) < _NEAR_STOPS
    return np.asarray(blocks.seen & smooth & near & ~_textured(blocks, paper))


def _textured(blocks: Blocks, paper: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where neighbouring cells differ far more than the paper's noise, bool (n, m)."""
    grain = np.where(blocks.seen, blocks.noise, 0.0) / np.sqrt(np.maximum(blocks.mean, 1e-9))
    return np.asarray(grain > _TEXTURED * float(np.median(grain[paper])))


def _step(stops: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return greatest less least over each block and its eight neighbours; NaN where not seen."""
    from scipy.ndimage import maximum_filter, minimum_filter

    known = np.isfinite(stops)
    high = maximum_filter(np.where(known, stops, -99.0), size=3, mode="nearest")
    low = minimum_filter(np.where(known, stops, 99.0), size=3, mode="nearest")
    return np.where(known, high - low, np.nan)
