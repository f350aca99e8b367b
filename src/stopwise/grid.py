"""The one reduced picture of a frame: light by colour on a grid of blocks, with what it is worth.

It is small enough to be kept (about 2 MB), and all that follows reads it. Light adds in it as it
does in the frame: sums of block means are the block means of sums. `stopwise.reduction` makes it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from statistics import NormalDist
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from stopwise.cells import weighted
from stopwise.frame import Camera, Exposure, window
from stopwise.stops import MID_GREY_OF_SATURATION, luminance_of_zone

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from stopwise.frame import Box, Window

T = TypeVar("T", bound=np.generic)

MAD_FACTOR = 1.0 / NormalDist().inv_cdf(0.75)
"""Median absolute deviation to standard deviation, for normal noise."""

MEDIAN_FACTOR = math.sqrt(math.pi / 2.0)
"""Standard error of a median to that of a mean, for normal noise."""

MOST_CLIPPED = 0.1
"""Share of a block's cells that may be clipped before its mean says too little: set on our own
renderer."""

SEEN_NOISES = 3.0
"""Noises above black from which a block is seen: one unlit block in 700 passes by chance."""

BLOCKED_ZONE = 1.0
"""Zone under which tone is blocked: what Zone 1 still parts from black (common practice)."""

OCTAVE_BINS = 128
"""Bins of a stop in the histogram of tones: the upper seven bits of a float's fraction."""

OCTAVES_UNDER, OCTAVES_OVER = 20, 12
"""Stops that the histogram of tones reaches under and over mid-grey; end bins hold the rest."""


@dataclass(frozen=True, eq=False)
class BoxCells:
    """The cells of one named box, one by one.

    Attributes
    ----------
    box
        Where they were read.
    light
        float32 (n_channels, n), balanced linear signal, anchor = 1.
    clipped
        bool (n,), cells with a clipped photosite: their light is a lower bound.
    """

    box: Box
    light: NDArray[np.float32]
    clipped: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Tones:
    """The exact histogram of Y over a frame's unclipped cells.

    Attributes
    ----------
    counts
        int64 (4096,), cells in each of 128 bins a stop. Bin 20 x 128 begins half a stop above
        mid-grey, so that every border of a zone is a border of bins.
    blocked
        Cells under Zone 1, exact.
    """

    counts: NDArray[np.int64]
    blocked: int

    def zones(self, number: int = 11) -> NDArray[np.int64]:
        """Return the cells in zones 0 to `number` - 1, int64 (number,); both ends are open."""
        first = (OCTAVES_UNDER - 5) * OCTAVE_BINS
        edges = first + OCTAVE_BINS * np.arange(number - 1)
        below = np.concatenate([[0], np.cumsum(self.counts)])
        return np.asarray(np.diff([0, *below[edges], below[-1]]), dtype=np.int64)

    def stops_at(self, percentile: float) -> float | None:
        """Return a percentile (0 to 100) of Y in stops from mid-grey; None where it is no light."""
        below = np.cumsum(self.counts)
        at = int(np.searchsorted(below, percentile / 100.0 * below[-1]))
        if below[-1] == 0 or at == 0:
            return None
        whole, part = divmod(at, OCTAVE_BINS)
        middle = 1.0 + (part + 0.5) / OCTAVE_BINS
        return whole - OCTAVES_UNDER + math.log2(middle) + 0.5


@dataclass(frozen=True, eq=False)
class LightGrid:
    """A frame's light on a grid of square blocks.

    The blocks lie centred on the frame, so that a block's mirror image about the upright middle
    line is a block again (to half a cell). Grids of frames of one size have the same blocks.

    Attributes
    ----------
    mean
        float32 (n_channels, rows, columns), mean of each block's balanced linear signal, anchor =
        1; below 0 where noise is. Clipped cells are in it with the level they stopped at, so that
        it is a lower bound where `clipped` is above 0.
    noise
        float32 (rows, columns), standard deviation of the mean of Y from noise, anchor = 1, from
        differences between neighbouring cells. Fine texture counts as noise.
    clipped
        float32 (rows, columns), share of each block's cells with a clipped photosite, 0 to 1.
    blocked
        float32 (rows, columns), share of each block's cells under Zone 1, 0 to 1.
    weights
        Weight of each channel in Y, summing to 1.
    ceiling
        Signal at which each channel clips, on the scale of `mean`.
    block
        Cells along a block's side.
    cells
        Rows and columns of cells of the frame.
    size
        Width and height of the upright picture in photosites.
    fullest
        float32 (n_channels, rows, columns), as `mean`, of each cell's fullest photosite of a
        channel, which clips first where light is added. None where it wasn't asked for.
    tail
        float32 (n_channels, rows, columns), the level that a sixteenth of a block's cells stands
        above: what will clip first where light is added. None where it wasn't asked for.
    boxes
        The cells of named boxes (patches).
    tones
        Histogram of Y; None for light that was added up.
    mid_grey
        Y of mid-grey.
    camera, exposure, orientation
        What the file said.
    to_srgb
        Rows of the matrix from balanced signals to linear sRGB; None shows them as they are.
    is_stop_named
        Whether `ceiling` is only what the file names, which a sensor may stop short of.
    """

    mean: NDArray[np.float32]
    noise: NDArray[np.float32]
    clipped: NDArray[np.float32]
    blocked: NDArray[np.float32]
    weights: tuple[float, ...]
    ceiling: tuple[float, ...]
    block: int
    cells: tuple[int, int]
    size: tuple[int, int]
    tail: NDArray[np.float32] | None = None
    fullest: NDArray[np.float32] | None = None
    boxes: Mapping[str, BoxCells] = field(default_factory=dict)
    tones: Tones | None = None
    mid_grey: float = MID_GREY_OF_SATURATION
    camera: Camera = field(default_factory=Camera)
    exposure: Exposure = field(default_factory=Exposure)
    orientation: int = 1
    to_srgb: tuple[tuple[float, ...], ...] | None = None
    is_stop_named: bool = False

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of blocks."""
        rows, columns = self.clipped.shape
        return rows, columns

    @cached_property
    def x(self) -> NDArray[np.float64]:
        """Middles of the columns of blocks, fractions of the picture, float64 (columns,)."""
        return _middles(self.cells[1], self.block)

    @cached_property
    def y(self) -> NDArray[np.float64]:
        """Middles of the rows of blocks, fractions of the picture, float64 (rows,)."""
        return _middles(self.cells[0], self.block)

    @cached_property
    def luminance(self) -> NDArray[np.float32]:
        """Y of each block, float32 (rows, columns), anchor = 1."""
        return weighted(self.mean, self.weights)

    @cached_property
    def usable(self) -> NDArray[np.bool_]:
        """Where at most a tenth of a block is clipped, bool (rows, columns)."""
        return np.asarray(self.clipped <= MOST_CLIPPED)

    @cached_property
    def seen(self) -> NDArray[np.bool_]:
        """Where a block is usable and its Y stands clear of black, bool (rows, columns)."""
        clear = self.luminance > np.maximum(SEEN_NOISES * self.noise, 1e-9)
        return np.asarray(self.usable & clear)

    @cached_property
    def log2_y(self) -> NDArray[np.float64]:
        """log2 of Y, stops, float64 (rows, columns); NaN where the block isn't seen."""
        return np.log2(np.where(self.seen, self.luminance, np.nan), dtype=np.float64)

    @cached_property
    def noise_stops(self) -> NDArray[np.float64]:
        """Standard deviation of `log2_y` (rows, columns) from noise, stops; NaN where not seen."""
        share = self.noise.astype(np.float64) / np.where(self.seen, self.luminance, 1.0)
        return np.where(self.seen, share / math.log(2.0), np.nan)

    def inside(self, boxes: Iterable[Box], *, whole: bool = False) -> NDArray[np.bool_]:
        """Return which blocks lie in one of some boxes, bool (rows, columns).

        Parameters
        ----------
        boxes
            Fractions of the upright picture.
        whole
            True takes blocks that lie in a box with all their cells, one at least of each box;
            False those whose middle lies in it.
        """
        held = np.zeros(self.shape, dtype=bool)
        for box in boxes:
            if whole:
                held[self._whole(box)] = True
            else:
                rows = (self.y >= box[1]) & (self.y < box[3])
                held |= rows[:, None] & ((self.x >= box[0]) & (self.x < box[2]))[None, :]
        return held

    def _whole(self, box: Box) -> Window:
        parts = []
        for side, cells, blocks in zip(
            window(box, self.cells), self.cells, self.shape, strict=True
        ):
            rim = (cells - blocks * self.block) // 2
            first = min(-(-max(side.start - rim, 0) // self.block), blocks - 1)
            last = (side.stop - rim) // self.block
            parts.append(slice(first, max(min(last, blocks), first + 1)))
        return parts[0], parts[1]

    def spread(self, mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return a mask of blocks as one of cells, bool (h, w); cells in no block are False."""
        wide = np.zeros(self.cells, dtype=bool)
        rows, columns = (inner(side, self.block) for side in self.cells)
        wide[rows, columns] = np.repeat(np.repeat(mask, self.block, 0), self.block, 1)
        return wide

    def fits(self, other: LightGrid) -> bool:
        """Tell whether another grid has the same blocks, so that the two can be compared."""
        return self.mean.shape == other.mean.shape and self.cells == other.cells

    def box_luminance(self, name: str) -> NDArray[np.float32]:
        """Return Y of each kept cell of a named box, float32 (n,), anchor = 1."""
        return weighted(self.boxes[name].light, self.weights)

    def brought_back(self, right: float, down: float) -> LightGrid:
        """Return the light as it would lie had the picture not shifted, to half a block.

        Parameters
        ----------
        right, down
            By which fractions of the picture's width and height everything in it has shifted.

        Returns
        -------
        LightGrid
            Blocks that the picture doesn't show count as clipped, so that nobody reads them; cells
            of boxes and the histogram are left out.
        """
        rows, columns = self.shape
        y = np.arange(rows) + round(down * rows)
        x = np.arange(columns) + round(right * columns)
        at = np.ix_(np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1))
        outside = ((y < 0) | (y >= rows))[:, None] | ((x < 0) | (x >= columns))[None, :]
        return replace(
            self,
            mean=self.mean[:, at[0], at[1]],
            noise=self.noise[at],
            clipped=np.where(outside, np.float32(1.0), self.clipped[at]),
            blocked=self.blocked[at],
            fullest=None if self.fullest is None else self.fullest[:, at[0], at[1]],
            tail=None if self.tail is None else self.tail[:, at[0], at[1]],
            boxes={},
            tones=None,
        )

    def redrawn(self, mean: NDArray[np.float32], clipped: NDArray[np.float32]) -> LightGrid:
        """Return the same frame on finer blocks, for a screen: without noise, boxes and tones.

        `mean` is (n_channels, rows, columns), anchor = 1; `clipped` (rows, columns), 0 to 1.
        """
        none = np.zeros((1, 1), dtype=np.float32)
        return replace(
            self,
            mean=mean,
            noise=none,
            clipped=clipped,
            blocked=none,
            block=max(self.cells) // max(clipped.shape),
            tail=None,
            fullest=None,
            boxes={},
            tones=None,
        )

    def filtered(self, factors: NDArray[np.float64]) -> LightGrid:
        """Return the light as each channel is dimmed or raised by its own of (n_channels,) factors.

        They are linear, 0 or above. Without light nothing is clipped; the histogram is left out.
        """
        by = factors.astype(np.float32)[:, None, None]
        return replace(
            self,
            mean=self.mean * by,
            noise=self.noise * np.float32(np.dot(factors, self.weights)),
            clipped=self.clipped * np.float32(factors.any()),
            tail=None if self.tail is None else self.tail * by,
            fullest=None if self.fullest is None else self.fullest * by,
            boxes={
                name: BoxCells(one.box, one.light * by[:, 0], one.clipped & factors.any())
                for name, one in self.boxes.items()
            },
            tones=None,
        )

    def scaled(self, factor: float) -> LightGrid:
        """Return the same light times `factor`."""
        return combine([self], [factor])


def combine(grids: Iterable[LightGrid], gains: Iterable[float]) -> LightGrid:
    """Return the weighted sum of grids of one size: light adds.

    Parameters
    ----------
    grids
        At least one; boxes that not all of them hold are left out, and what is fullest unless all
        have it.
    gains
        Linear factor of each; negative ones subtract.

    Returns
    -------
    LightGrid
        Noise adds in squares. `clipped` is the greatest share among the grids that add: a bound
        stays a bound. A block is blocked where its mean lies under Zone 1.

    Raises
    ------
    ValueError
        If the blocks differ.
    """
    terms = list(zip(grids, gains, strict=True))
    first = terms[0][0]
    for grid, _ in terms:
        if not grid.fits(first):
            msg = f"grids of one size are needed, got {grid.cells} beside {first.cells}"
            raise ValueError(msg)
    adding = [grid for grid, gain in terms if gain > 0] or [first]
    names = [name for name in first.boxes if all(name in grid.boxes for grid, _ in terms)]
    mean = _sum([(grid.mean, gain) for grid, gain in terms])
    fullest, tail = (
        _sum(planes) if len(planes) == len(terms) else None
        for planes in (
            [(grid.fullest, gain) for grid, gain in terms if grid.fullest is not None],
            [(grid.tail, gain) for grid, gain in terms if grid.tail is not None],
        )
    )
    return replace(
        first,
        mean=mean,
        noise=np.sqrt(_sum([(grid.noise**2, gain * gain) for grid, gain in terms])),
        clipped=np.maximum.reduce([grid.clipped for grid in adding]),
        blocked=is_blocked(weighted(mean, first.weights), first.mid_grey).astype(np.float32),
        fullest=fullest,
        tail=tail,
        boxes={
            name: BoxCells(
                box=first.boxes[name].box,
                light=_sum([(grid.boxes[name].light, gain) for grid, gain in terms]),
                clipped=np.logical_or.reduce([grid.boxes[name].clipped for grid in adding]),
            )
            for name in names
        },
        tones=None,
    )


def _sum(terms: list[tuple[NDArray[np.float32], float]]) -> NDArray[np.float32]:
    total = np.zeros_like(terms[0][0])
    for array, gain in terms:
        total += np.float32(gain) * array
    return total


def moved(planes: NDArray[T], down: float, right: float) -> NDArray[np.float64]:
    """Return planes shifted over their last two axes, bilinear, NaN where nothing is known.

    Parameters
    ----------
    planes
        Shape (..., rows, columns).
    down, right
        How far what is seen goes, in blocks; parts of a block are allowed.

    Returns
    -------
    ndarray
        float64, the shape of `planes`.
    """
    from scipy.ndimage import shift

    offset = (0.0,) * (planes.ndim - 2) + (down, right)
    plain = planes.astype(np.float64)
    return np.asarray(shift(plain, offset, order=1, mode="constant", cval=np.nan))


def pooled(planes: NDArray[T], step: int) -> NDArray[np.float64]:
    """Return means over squares of `step` by `step` blocks of the last two axes.

    Parameters
    ----------
    planes
        Shape (..., rows, columns).
    step
        Blocks along a square's side, 1 or more.

    Returns
    -------
    ndarray
        float64 (..., rows // step, columns // step), from the first row and column on; what makes
        no whole square is left out.
    """
    rows, columns = planes.shape[-2] // step, planes.shape[-1] // step
    cut = planes[..., : rows * step, : columns * step]
    squares = cut.reshape(*planes.shape[:-2], rows, step, columns, step)
    means: NDArray[np.float64] = squares.mean(axis=(-3, -1), dtype=np.float64)
    return means


def fitted_blocks(plane: NDArray[np.floating], edge: int) -> NDArray[np.float64]:
    """Return means over blocks that cover a whole plane (rows, columns), at most `edge` a side.

    Blocks differ by one row or column where the sides can't be shared out evenly.
    """
    shrink = max(1.0, max(plane.shape) / edge)
    ends = [
        np.round(np.linspace(0, size, max(1, round(size / shrink)) + 1)).astype(np.intp)
        for size in plane.shape
    ]
    sums = np.add.reduceat(np.asarray(plane, float), ends[0][:-1], axis=0)
    sums = np.add.reduceat(sums, ends[1][:-1], axis=1)
    means: NDArray[np.float64] = sums / (np.diff(ends[0])[:, None] * np.diff(ends[1]))
    return means


def inner(cells: int, block: int) -> slice:
    """Return which of a row of cells lie in whole blocks of so many, centred on the row."""
    start = (cells - cells // block * block) // 2
    return slice(start, start + cells // block * block)


def _middles(cells: int, block: int) -> NDArray[np.float64]:
    middles = inner(cells, block).start + (np.arange(cells // block) + 0.5) * block
    return np.asarray(middles / cells)


def is_blocked(y: NDArray[np.floating], mid_grey: float) -> NDArray[np.bool_]:
    """Return where Y (any shape) lies under Zone 1, given Y of mid-grey."""
    return np.asarray(y < np.float32(luminance_of_zone(BLOCKED_ZONE, mid_grey)))
