"""Reduction: the one pass over a frame's cells that leaves its grid of light."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Protocol, TypeVar

import numpy as np

from stopwise.cells import Cells, bands, srgb_matrix, weighted
from stopwise.frame import window
from stopwise.grid import (
    BLOCKED_ZONE,
    MAD_FACTOR,
    OCTAVE_BINS,
    OCTAVES_OVER,
    OCTAVES_UNDER,
    BoxCells,
    LightGrid,
    Tones,
    inner,
)
from stopwise.stops import MID_GREY_OF_SATURATION, luminance_of_zone

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from stopwise.frame import Box, Window

T = TypeVar("T", bound=np.generic)

BLOCKS_ACROSS = 360
"""Blocks along the longer side at most: 9 x 9 cells each for 24 megapixels, under 2 MB a grid."""

TAIL_SHARE = 1.0 / 16.0
"""Share of a block's cells that stands above its tail: one row of a block of 16 cells a side."""

PATCH_CELLS = 4096
"""Cells of a named box that are kept at most: a percentile of them is off by 1/64 of their spread,
as 1 / sqrt(4096)."""

_NOISE_ROWS = 3
"""Every how manieth row of cells a block's noise is taken from."""

_NOISE_TILE = 9
"""Cells a side of the tiles that give the noise where blocks are too small to show their own."""

_HALF_STOP = 2.0**0.5
"""From mid-grey up to the border of its zone."""

_ALL = slice(None)


class LinearPicture(Protocol):
    """A linear picture that is read window by window, such as `Cells`."""

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of cells."""

    def signals(self, at: Window, /) -> NDArray[np.float32]:
        """Return a window's balanced signals, float32 (n_channels, rows, columns), anchor = 1."""

    def signals_and_fullest(self, at: Window, /) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return the same, and that of each cell's fullest photosite, both of the same shape."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What a grid is to hold.

    Attributes
    ----------
    mid_grey
        Y of mid-grey: zones and Zone 1 stand on it.
    boxes
        Boxes whose own cells are kept, by name.
    tails
        Whether each block's upper tail and fullest photosites are kept, from which clipping is
        predicted; takes longer.
    across
        Blocks along the longer side at most; a screen may want more.
    noise
        Whether noise is worked out; without it is 0.
    """

    mid_grey: float = MID_GREY_OF_SATURATION
    boxes: Mapping[str, Box] = field(default_factory=dict)
    tails: bool = False
    across: int = BLOCKS_ACROSS
    noise: bool = True


def reduce_frame(
    cells: Cells,
    saturation: Sequence[float],
    *,
    clipped: NDArray[np.bool_] | None = None,
    asked: Asked = Asked(),
    is_stop_named: bool = False,
) -> LightGrid:
    """Reduce a frame to its grid of light.

    Parameters
    ----------
    cells
        The frame.
    saturation
        Raw level at which photosites of each colour stop.
    clipped
        bool (h, w), upright, cells with a clipped photosite; None for none.
    asked
        What it is to hold.
    is_stop_named
        Whether `saturation` is only what the file names.
    """
    frame = cells.frame
    matrix = srgb_matrix(frame.xyz_to_camera, cells.multipliers) if cells.in_colour else None
    grid = reduce(
        cells,
        weights=cells.channel_weights,
        ceiling=cells.ceiling(saturation),
        clipped=clipped,
        asked=asked,
    )
    return replace(
        grid,
        size=frame.size,
        camera=frame.camera,
        exposure=frame.exposure,
        orientation=frame.orientation,
        to_srgb=None if matrix is None else tuple(map(tuple, matrix.tolist())),
        is_stop_named=is_stop_named,
    )


def reduce(
    light: LinearPicture,
    *,
    weights: Sequence[float],
    ceiling: Sequence[float],
    clipped: NDArray[np.bool_] | None = None,
    asked: Asked = Asked(),
) -> LightGrid:
    """Pass once over a linear picture and leave its grid: the one place that sums cells to blocks.

    Parameters
    ----------
    light
        What is read, band by band.
    weights
        Weight of each channel in Y, summing to 1.
    ceiling
        Signal at which each channel clips.
    clipped
        bool (h, w), cells with a clipped photosite; None for none.
    asked
        What the grid is to hold.

    Returns
    -------
    LightGrid
        Cells that don't fill a last block count in `tones` only.
    """
    turned = isinstance(light, Cells) and light.is_turned
    blown = clipped.T if turned and clipped is not None else clipped
    sums = _Sums(light.across() if turned and isinstance(light, Cells) else light, weights, asked)
    for held in bands(sums.shape[0], sums.cells[1], sums.block):
        sums.add(held, blown)

    def upright(plane: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.ascontiguousarray(np.swapaxes(plane, -1, -2)) if turned else plane

    h, w = light.shape
    return LightGrid(
        mean=upright(sums.mean),
        noise=upright(sums.noise()),
        clipped=upright(sums.clipped),
        blocked=upright(sums.blocked),
        weights=tuple(weights),
        ceiling=tuple(ceiling),
        block=sums.block,
        cells=(h, w),
        size=(w, h),
        fullest=None if sums.fullest is None else upright(sums.fullest),
        tail=None if sums.tail is None else upright(sums.tail),
        boxes={name: box_cells(light, clipped, box) for name, box in asked.boxes.items()},
        tones=Tones(sums.counts, sums.blocked_cells),
        mid_grey=asked.mid_grey,
    )


class _Sums:
    """What the pass gathers, band by band, in the order of the light's rows in memory."""

    def __init__(self, light: LinearPicture, weights: Sequence[float], asked: Asked) -> None:
        self._light, self._weights, self._asked = light, weights, asked
        self.cells = light.shape
        self.block = max(1, min(-(-max(self.cells) // asked.across), *self.cells))
        self.shape = (self.cells[0] // self.block, self.cells[1] // self.block)
        self.counts = np.zeros(OCTAVE_BINS * (OCTAVES_UNDER + OCTAVES_OVER), dtype=np.int64)
        self.blocked_cells = 0
        self._zone_1 = np.float32(luminance_of_zone(BLOCKED_ZONE, asked.mid_grey))
        self._inner = [inner(side, self.block) for side in self.cells]
        self.mean = np.empty((len(weights), *self.shape), dtype=np.float32)
        self.tail = np.empty_like(self.mean) if asked.tails else None
        self.fullest = None if self.tail is None else self.tail.copy()
        self._noise, self.clipped, self.blocked = np.zeros((3, *self.shape), dtype=np.float32)
        small = asked.noise and self.block < 2 * _NOISE_ROWS
        self._y = np.empty(self.cells, dtype=np.float32) if small else None

    def add(self, held: slice, clipped: NDArray[np.bool_] | None) -> None:
        """Add a band of block rows; the first and last take the rows beyond the blocks along."""
        rows, columns = self._inner
        first, last = (rows.start + end * self.block for end in (held.start, held.stop))
        outer = slice(
            first if held.start else 0, last if held.stop < self.shape[0] else self.cells[0]
        )
        whole = (..., slice(first - outer.start, last - outer.start), columns)
        if self.fullest is None:
            signals = full = self._light.signals((outer, _ALL))
        else:
            signals, full = self._light.signals_and_fullest((outer, _ALL))
        y = weighted(signals, self._weights)
        blocked = y < self._zone_1
        self.blocked_cells += int(np.count_nonzero(blocked))
        unclipped = y if clipped is None else y[~clipped[outer]]
        _count_tones(self.counts, unclipped, self._asked.mid_grey)
        self.mean[:, held] = _means(signals[whole], self.block)
        self.blocked[held] = _means(blocked[whole], self.block)
        if clipped is not None:
            self.clipped[held] = _means(clipped[outer][whole], self.block)
        if self.fullest is not None and self.tail is not None:
            self.fullest[:, held] = _means(full[whole], self.block)
            self.tail[:, held] = [_tail(plane, self.block) for plane in signals[whole]]
        if self._y is not None:
            self._y[outer] = y
        elif self._asked.noise:
            self._noise[held] = _block_noise(y[whole], self.block)

    def noise(self) -> NDArray[np.float32]:
        """Return the noise of the blocks, whole once all bands are in."""
        if self._y is None:
            return self._noise
        return _tile_noise(self._y, (self._inner[0], self._inner[1]), self.block)


def _means(planes: NDArray[T], block: int) -> NDArray[np.float32]:
    """Return means over blocks of the last two axes, float32, whole blocks only.

    By hand: scikit-image's block_reduce takes six times as long, since it gathers each block's
    cells before it reduces them, and would have to be imported on the verdict's way.
    """
    *lead, h, w = planes.shape
    strips = planes.reshape(*lead, h // block, block, w).sum(axis=-2, dtype=np.float32)
    sums: NDArray[np.float32] = strips.reshape(*lead, h // block, w // block, block).sum(axis=-1)
    sums *= np.float32(1.0 / (block * block))
    return sums


def _tail(plane: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    """Return the level that a sixteenth of each block's cells stands above."""
    rows, columns = plane.shape[0] // block, plane.shape[1] // block
    cells = plane.reshape(rows, block, columns, block).swapaxes(1, 2).reshape(rows, columns, -1)
    rank = block * block - 1 - int(block * block * TAIL_SHARE)
    return np.partition(cells, rank)[..., rank]


def _count_tones(counts: NDArray[np.int64], y: NDArray[np.float32], mid_grey: float) -> None:
    """Add cells to the histogram of tones.

    A float's own bits are its logarithm, straight between powers of 2: 8 bits of exponent and, of
    the fraction, the upper 7 that make 128 bins a stop. So borders are exact, and it takes less
    time than a logarithm of each cell.
    """
    share = y.ravel() * np.float32(1.0 / (mid_grey * _HALF_STOP))
    np.clip(share, 2.0**-OCTAVES_UNDER, 2.0**OCTAVES_OVER * (1.0 - 2.0**-24), out=share)
    first = (127 - OCTAVES_UNDER) * OCTAVE_BINS
    counts += np.bincount(share.view(np.int32) >> 16, minlength=first + len(counts))[first:]


def _block_noise(y: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    """Return the noise of each block's mean, from differences between neighbours in its rows."""
    rows, columns = y.shape[0] // block, y.shape[1] // block
    some = y.reshape(rows, block, columns * block)[:, ::_NOISE_ROWS]
    steps = np.diff(some, axis=2, append=some[:, :, -1:])
    steps *= steps
    picked = steps.sum(axis=1).reshape(rows, columns, block)[:, :, : block - 1].sum(axis=2)
    variance = picked / (2.0 * (block - 1) * some.shape[1])
    return np.asarray(np.sqrt(variance) / block, dtype=np.float32)


def _tile_noise(y: NDArray[np.float32], inner: Window, block: int) -> NDArray[np.float32]:
    """Return the noise of each block's mean from second differences over tiles of 9 x 9 cells.

    With few cells a block a difference says nothing of a single block, and edges would count as
    noise: the median over a tile leaves them out.
    """
    padded = np.pad(y, ((0, 0), (1, 1)), mode="reflect")
    bend = np.abs(2.0 * padded[:, 1:-1] - padded[:, :-2] - padded[:, 2:])
    side = _NOISE_TILE
    whole = np.pad(bend, [(0, -length % side) for length in bend.shape], mode="symmetric")
    rows, columns = whole.shape[0] // side, whole.shape[1] // side
    tiles = whole.reshape(rows, side, columns, side).swapaxes(1, 2).reshape(rows, columns, -1)
    usual = np.median(tiles, axis=2) * np.float32(MAD_FACTOR / math.sqrt(6.0))
    spread = np.repeat(np.repeat(usual, side, axis=0), side, axis=1)[: y.shape[0], : y.shape[1]]
    return _means(spread[inner], block) / np.float32(block)


def box_cells(light: LinearPicture, clipped: NDArray[np.bool_] | None, box: Box) -> BoxCells:
    """Return the cells of a box, thinned out on an even lattice where they are many.

    Parameters
    ----------
    light
        The picture.
    clipped
        bool (h, w), cells with a clipped photosite; None for none.
    box
        Fractions of the upright picture.
    """
    rows, columns = window(box, light.shape)
    count = (rows.stop - rows.start) * (columns.stop - columns.start)
    step = max(1, math.ceil(math.sqrt(count / PATCH_CELLS)))
    at = (slice(rows.start, rows.stop, step), slice(columns.start, columns.stop, step))
    signals = light.signals(at)
    blown = np.zeros(signals.shape[1:], dtype=bool) if clipped is None else clipped[at]
    return BoxCells(box, signals.reshape(len(signals), -1).astype(np.float32), blown.ravel())
