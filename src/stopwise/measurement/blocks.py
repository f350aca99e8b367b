"""Blocks: the luminance of a frame reduced to some hundred block means a side, with their noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.quantiles import MAD_FACTOR

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from stopwise.measurement.measurement import Box, Point

LONG_EDGE = 320
"""Blocks along the longer side of a frame; a smaller frame keeps its cells."""

_WHOLE = 0.9
"""Least usable share of a block: clipped cells left out pull the mean of the others down."""

_SEEN = 3.0
"""A block is seen where its mean stands this many times its noise above black."""

_NOISE_ROWS = 3
"""Every how manieth row of cells the noise is taken from."""

_NOISE_TILE = 9
"""Cells a side over which small frames' noise counts as one."""


@dataclass(frozen=True, eq=False)
class Blocks:
    """Block means of a frame's luminance.

    The blocks are square and lie centred on the frame, so that a block's mirror image about the
    upright middle line is a block again (to half a cell).

    Attributes
    ----------
    mean
        float32 (n, m), mean Y of the usable cells of each block, anchor = 1; NaN where under nine
        tenths of them are usable.
    noise
        float32 (n, m), standard deviation of `mean` from noise, from differences between
        neighbouring cells, same unit. Fine texture counts as noise.
    x, y
        float64 (m,) and (n,), centres of the blocks as fractions of the upright picture.
    step
        Cells along a block's side.
    cells
        Rows and columns of cells of the frame.
    """

    mean: NDArray[np.float32]
    noise: NDArray[np.float32]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    step: int
    cells: tuple[int, int]

    @property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns of the cell picture that pick each block's middle cell."""
        rows, columns = (
            slice(
                (cells - blocks * self.step) // 2 + self.step // 2,
                (cells - blocks * self.step) // 2 + blocks * self.step,
                self.step,
            )
            for cells, blocks in zip(self.cells, self.shape, strict=True)
        )
        return rows, columns

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of blocks."""
        return len(self.y), len(self.x)

    @cached_property
    def seen(self) -> NDArray[np.bool_]:
        """Where a block is usable and stands clear of black."""
        with np.errstate(invalid="ignore"):
            return np.asarray(self.mean > np.maximum(_SEEN * self.noise, 1e-9))

    @cached_property
    def log2_y(self) -> NDArray[np.float64]:
        """log2 of the mean, stops; NaN where the block isn't seen."""
        return np.log2(np.where(self.seen, self.mean, np.nan), dtype=np.float64)

    @cached_property
    def noise_stops(self) -> NDArray[np.float64]:
        """Standard deviation of `log2_y` from noise, stops; NaN where the block isn't seen."""
        share = self.noise.astype(np.float64) / np.where(self.seen, self.mean, 1.0)
        return np.where(self.seen, share / np.log(2.0), np.nan)

    def inside(self, boxes: Iterable[Box]) -> NDArray[np.bool_]:
        """Return which blocks have their centre in one of the boxes, bool (n, m)."""
        held = np.zeros(self.shape, dtype=bool)
        for x0, y0, x1, y1 in boxes:
            rows = (self.y >= y0) & (self.y < y1)
            held |= rows[:, None] & ((self.x >= x0) & (self.x < x1))[None, :]
        return held

    def place(self, index: tuple[int, int]) -> Point:
        """Return the centre of the block at row and column `index`, as fractions."""
        return float(self.x[index[1]]), float(self.y[index[0]])


def added(parts: Sequence[tuple[Blocks, float]]) -> Blocks | None:
    """Return frames of one scene added up, each times a factor: light adds in linear frames.

    Parameters
    ----------
    parts
        Frames on one grid and their factors, one at least.

    Returns
    -------
    Blocks or None
        Not usable where one of them isn't; noise adds in squares. None where the grids differ.
    """
    first = parts[0][0]
    if any(blocks.shape != first.shape or blocks.cells != first.cells for blocks, _ in parts):
        return None
    mean, square = np.zeros_like(first.mean), np.zeros_like(first.noise)
    for blocks, factor in parts:
        mean += np.float32(factor) * blocks.mean
        square += np.float32(factor * factor) * blocks.noise**2
    return replace(first, mean=mean, noise=np.sqrt(square))


def reduce_blocks(
    luminance: NDArray[np.float32],
    usable: NDArray[np.bool_] | None = None,
    *,
    long_edge: int = LONG_EDGE,
) -> Blocks:
    """Reduce a frame's luminance to block means.

    Parameters
    ----------
    luminance
        float32 (h, w), upright Y of each cell, anchor = 1.
    usable
        bool (h, w), cells that may be read (not clipped); None for all.
    long_edge
        Blocks along the longer side, about; never fewer cells than one a block.

    Returns
    -------
    Blocks
        About `long_edge` by its share of the shorter side.

    Raises
    ------
    ValueError
        If `luminance` isn't two-dimensional or `usable` has another shape.
    """
    if luminance.ndim != 2 or (usable is not None and usable.shape != luminance.shape):
        msg = (
            "luminance must be (h, w) and usable of the same shape, got "
            f"{luminance.shape} and {None if usable is None else usable.shape}"
        )
        raise ValueError(msg)
    step = max(1, round(max(luminance.shape) / long_edge))
    mean, counts = _means(luminance, usable, step)
    spread = _cell_noise(luminance, usable, step)
    with np.errstate(invalid="ignore", divide="ignore"):
        noise = spread / np.sqrt(counts)
    noise[~np.isfinite(mean)] = np.nan
    return Blocks(
        mean=mean,
        noise=noise.astype(np.float32),
        x=_centres(luminance.shape[1], step),
        y=_centres(luminance.shape[0], step),
        step=step,
        cells=(luminance.shape[0], luminance.shape[1]),
    )


def _centres(cells: int, step: int) -> NDArray[np.float64]:
    blocks = cells // step
    offset = (cells - blocks * step) // 2
    return (offset + (np.arange(blocks) + 0.5) * step) / cells


def _cut(plane: NDArray[np.generic], step: int) -> NDArray[np.generic]:
    """Crop a plane to whole blocks, centred."""
    rows, columns = (side // step * step for side in plane.shape)
    top, left = (plane.shape[0] - rows) // 2, (plane.shape[1] - columns) // 2
    return plane[top : top + rows, left : left + columns]


def block_sums(plane: NDArray[np.generic], step: int) -> NDArray[np.float32]:
    """Return the sums of `plane` (h, w) over centred blocks of `step` cells, (h//step, w//step)."""
    cut = _cut(plane, step)
    rows, columns = cut.shape[0] // step, cut.shape[1] // step
    tall = cut.reshape(rows, step, columns * step).sum(axis=1, dtype=np.float32)
    sums: NDArray[np.float32] = tall.reshape(rows, columns, step).sum(axis=2, dtype=np.float32)
    return sums


def centres(places: NDArray[np.float64], step: int) -> NDArray[np.float64]:
    """Return where the sums of `block_sums` lie, given where the summed ones lie along a side."""
    count = len(places) // step
    first = (len(places) - count * step) // 2
    return np.asarray(places[first : first + count * step].reshape(count, step).mean(axis=1))


def _means(
    luminance: NDArray[np.float32], usable: NDArray[np.bool_] | None, step: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    if usable is None:
        sums = block_sums(luminance, step)
        counts = np.full(sums.shape, step * step, dtype=np.float32)
    else:
        sums = block_sums(np.where(usable, luminance, np.float32(0.0)), step)
        counts = block_sums(usable, step)
    whole = counts >= _WHOLE * step * step
    return np.where(whole, sums / np.maximum(counts, 1.0), np.nan).astype(np.float32), counts


def _cell_noise(
    luminance: NDArray[np.float32], usable: NDArray[np.bool_] | None, step: int
) -> NDArray[np.float32]:
    """Return the noise of one cell in each block, from differences between neighbours in a row.

    With few cells a block a difference says nothing of a single block, so that of a tile of
    `_NOISE_TILE` cells a side is taken for all in it.
    """
    if step < 2 * _NOISE_ROWS:
        return _coarse_noise(luminance, step)
    cut = _cut(luminance, step)
    rows, columns = cut.shape[0] // step, cut.shape[1] // step
    some = cut.reshape(rows, step, columns * step)[:, ::_NOISE_ROWS]
    steps = np.diff(some, axis=2, append=some[:, :, -1:])
    squares = steps * steps
    if usable is not None:
        squares[~_pairs(_cut(usable, step), step)] = 0.0
    picked = squares.sum(axis=1).reshape(rows, columns, step)[:, :, : step - 1].sum(axis=2)
    return np.asarray(np.sqrt(picked / (2.0 * (step - 1) * some.shape[1])), dtype=np.float32)


def _pairs(usable: NDArray[np.generic], step: int) -> NDArray[np.bool_]:
    rows = usable.shape[0] // step
    some = usable.reshape(rows, step, usable.shape[1])[:, ::_NOISE_ROWS].astype(bool)
    following = np.concatenate((some[:, :, 1:], some[:, :, -1:]), axis=2)
    return np.asarray(some & following)


def _coarse_noise(luminance: NDArray[np.float32], step: int) -> NDArray[np.float32]:
    padded = np.pad(luminance, ((0, 0), (1, 1)), mode="reflect")
    bend = np.abs(2.0 * padded[:, 1:-1] - padded[:, :-2] - padded[:, 2:])
    side = _NOISE_TILE
    over = [(0, -length % side) for length in bend.shape]
    whole = np.pad(bend, over, mode="symmetric")
    rows, columns = whole.shape[0] // side, whole.shape[1] // side
    tiles = whole.reshape(rows, side, columns, side).swapaxes(1, 2).reshape(rows, columns, -1)
    usual = np.median(tiles, axis=2) * np.float32(MAD_FACTOR / np.sqrt(6.0))
    spread = np.repeat(np.repeat(usual, side, axis=0), side, axis=1)
    cut = spread[: luminance.shape[0], : luminance.shape[1]]
    return block_sums(cut, step) / np.float32(step * step)
