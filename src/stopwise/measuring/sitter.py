"""Sitter: which blocks he covers, told from paper by his edges, his texture or a clean plate."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from stopwise.measuring.surface import fit_surface

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.measuring.blocks import Blocks
    from stopwise.measuring.measurement import Box

EDGES: tuple[Box, ...] = ((0.0, 0.0, 0.06, 0.5), (0.94, 0.0, 1.0, 0.5), (0.0, 0.0, 1.0, 0.05))
"""Where the backdrop is looked for when no box says where it is: high up along the sides."""

_DEPARTS = 0.15
_DEPARTS_FROM_PLATE = 0.08
_SCATTERS = 4.0
_TEXTURED = 2.5
_SHARP = 0.6
_GROWN = 2


def sitter_in(
    blocks: Blocks, boxes: Sequence[Box], *, plate: Blocks | None = None
) -> NDArray[np.bool_]:
    """Return which blocks of the backdrop's boxes the sitter covers.

    Parameters
    ----------
    blocks
        The frame.
    boxes
        Where the backdrop is, fractions of the upright picture.
    plate
        The bare backdrop, reduced to the same blocks; None or another shape: not used.

    Returns
    -------
    ndarray
        bool (n, m), True on him and on a rim of two blocks around him.

    Notes
    -----
    With a plate he is where the frame departs from it by more than a smooth change of power. With
    none he departs from a smooth surface or is textured, and, unlike a blotch of light, he is
    bounded by sharp edges and reaches in from the box's side. A sharp shadow that reaches the
    box's side can't be told from him.
    """
    held = blocks.inside(boxes) & blocks.seen
    if plate is not None and plate.shape == blocks.shape:
        return _against_plate(blocks, plate, held)
    return _by_edges(blocks, held)


def subject_mask(
    blocks: Blocks, boxes: Sequence[Box] = (), *, plate: Blocks | None = None
) -> NDArray[np.bool_]:
    """Return which blocks of the whole frame are subject: what isn't backdrop.

    Parameters
    ----------
    blocks
        The frame.
    boxes
        Where the backdrop is; with none, the upper sides of the frame stand for it.
    plate
        The bare backdrop, reduced to the same blocks.

    Returns
    -------
    ndarray
        bool (n, m). The backdrop is what is joined to a box by smooth, untextured blocks near the
        surface through the boxes.
    """
    from scipy.ndimage import binary_dilation, label

    boxes = tuple(boxes) or EDGES
    held = blocks.inside(boxes) & blocks.seen
    paper = held & ~sitter_in(blocks, boxes, plate=plate)
    if not paper.any():
        return np.isfinite(blocks.mean)
    smooth = blocks.seen & ~_sharp_or_textured(blocks, paper) & _near(blocks, paper)
    parts, _ = label(smooth | paper)
    joined = np.isin(parts, np.unique(parts[paper]))
    return np.isfinite(blocks.mean) & ~binary_dilation(joined)


def spread(mask: NDArray[np.bool_], blocks: Blocks) -> NDArray[np.bool_]:
    """Return a mask of blocks as a mask of cells, bool (h, w); cells outside any block are False."""
    cells = np.zeros(blocks.cells, dtype=bool)
    wide = np.repeat(np.repeat(mask, blocks.step, axis=0), blocks.step, axis=1)
    top, left = ((a - b) // 2 for a, b in zip(blocks.cells, wide.shape, strict=True))
    cells[top : top + wide.shape[0], left : left + wide.shape[1]] = wide
    return cells


def departure(blocks: Blocks, held: NDArray[np.bool_]) -> tuple[NDArray[np.float64], float] | None:
    """Return log2 Y less a smooth surface through the held blocks, (n, m), and its scatter."""
    x, y = np.meshgrid(blocks.x, blocks.y)
    surface = fit_surface(x[held], y[held], blocks.log2_y[held].astype(np.float64))
    if surface is None:
        return None
    return blocks.log2_y - surface.at(x, y), surface.scatter


def _against_plate(blocks: Blocks, plate: Blocks, held: NDArray[np.bool_]) -> NDArray[np.bool_]:
    from scipy.ndimage import binary_dilation

    both = held & plate.seen
    x, y = np.meshgrid(blocks.x, blocks.y)
    change = (blocks.log2_y - plate.log2_y).astype(np.float64)
    smooth = fit_surface(x[both], y[both], change[both])
    if smooth is None:
        return _by_edges(blocks, held)
    limit = max(_DEPARTS_FROM_PLATE, _SCATTERS * smooth.scatter)
    off = both & (np.abs(change - smooth.at(x, y)) > limit)
    return np.asarray(binary_dilation(off, iterations=_GROWN))


def _by_edges(blocks: Blocks, held: NDArray[np.bool_]) -> NDArray[np.bool_]:
    from scipy.ndimage import binary_closing, binary_dilation, label

    found = departure(blocks, held)
    if found is None:
        return np.zeros(blocks.shape, dtype=bool)
    rest, scatter = found
    with np.errstate(invalid="ignore"):
        off = held & (np.abs(rest) > max(_DEPARTS, _SCATTERS * scatter))
    off |= held & _textured(blocks, held)
    parts, count = label(binary_closing(off, iterations=2) & held, structure=np.ones((3, 3)))
    rim = held & ~_eroded(held)
    sitter = np.zeros(blocks.shape, dtype=bool)
    for number in range(1, count + 1):
        part = parts == number
        if (part & rim).any() and _bounded_sharply(part, held, rest, blocks):
            sitter |= part
    return np.asarray(binary_dilation(sitter, iterations=_GROWN))


def _bounded_sharply(
    part: NDArray[np.bool_], held: NDArray[np.bool_], rest: NDArray[np.float64], blocks: Blocks
) -> bool:
    """Whether log2 Y jumps at the border of a part by most of what the part departs by."""
    border = part & _grown(held & ~part)
    if not border.any():
        return True
    jump = np.nanmedian(_range(blocks.log2_y)[border])
    return bool(jump > _SHARP * np.nanmedian(np.abs(rest[part])))


def _sharp_or_textured(blocks: Blocks, paper: NDArray[np.bool_]) -> NDArray[np.bool_]:
    jumps = _range(blocks.log2_y)
    usual = float(np.nanmedian(jumps[paper]))
    with np.errstate(invalid="ignore"):
        return np.asarray((jumps > max(0.12, 4.0 * usual)) | _textured(blocks, paper))


def _near(blocks: Blocks, paper: NDArray[np.bool_], *, stops: float = 1.0) -> NDArray[np.bool_]:
    found = departure(blocks, paper)
    if found is None:
        return np.ones(blocks.shape, dtype=bool)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(found[0]) < stops)


def _textured(blocks: Blocks, paper: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where neighbouring cells differ far more than the paper's noise, bool (n, m)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        grain = blocks.noise / np.sqrt(blocks.mean)
        return np.asarray(grain > _TEXTURED * float(np.nanmedian(grain[paper])))


def _range(stops: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return greatest less least over each block and its eight neighbours."""
    from scipy.ndimage import maximum_filter, minimum_filter

    known = np.isfinite(stops)
    high = maximum_filter(np.where(known, stops, -np.inf), size=3, mode="nearest")
    low = minimum_filter(np.where(known, stops, np.inf), size=3, mode="nearest")
    with np.errstate(invalid="ignore"):
        return np.where(known, high - low, np.nan)


def _grown(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    from scipy.ndimage import binary_dilation

    return np.asarray(binary_dilation(mask, structure=np.ones((3, 3))))


def _eroded(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    from scipy.ndimage import binary_erosion

    return np.asarray(binary_erosion(mask, structure=np.ones((3, 3))))
