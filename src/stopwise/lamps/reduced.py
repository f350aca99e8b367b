"""A frame's linear light, reduced: block means, upper tails, and each patch's own cells.

It is small enough to be cached (about 1 MB for 24 megapixels), and light adds in it as it does in
the frame: sums of block means are the block means of sums.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Protocol, TypeVar

import numpy as np

from stopwise.frame import Camera, Exposure, window

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from stopwise.frame import Box

T = TypeVar("T", bound=np.generic)

BLOCKS_ACROSS = 384
"""Blocks along the longer side at most: 8 x 8 cells each for 24 megapixels."""

TAIL_SHARE = 1.0 / 16.0
"""Share of a block's cells that stands above its tail."""

PATCH_CELLS = 4096
"""Cells of a patch that are kept at most; more are taken on an even lattice."""

_ALL = slice(None)

_BAND_CELLS = 100_000
"""Cells that are reduced at a time, so that a band stays in the processor's cache."""


class Signals(Protocol):
    """A linear cell picture that is read part by part: an array, or what makes its parts."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Colours, rows and columns."""

    def __getitem__(self, part: tuple[slice, slice, slice], /) -> NDArray[np.float32]:
        """Return a part, float32 (n_colours, rows, columns)."""


@dataclass(frozen=True, eq=False, slots=True)
class PatchCells:
    """A patch's own cells.

    Attributes
    ----------
    box
        Where they were read.
    light
        float32 (n_colours, n), balanced linear signal, anchor = 1.
    clipped
        bool (n,), cells with a clipped photosite: their light is a lower bound.
    """

    box: Box
    light: NDArray[np.float32]
    clipped: NDArray[np.bool_]


@dataclass(frozen=True, eq=False, slots=True)
class LightPicture:
    """A frame's light on a grid of blocks, and each patch's own cells.

    Attributes
    ----------
    mean, tail
        float32 (n_colours, rows, columns): mean of each block's balanced linear signal (anchor = 1)
        and the level that a sixteenth of its cells stands above.
    clipped
        float32 (rows, columns), share of each block's cells with a clipped photosite; there the
        light is a lower bound.
    patches
        The patches' own cells, by name.
    weights
        Y weight of each colour, summing to 1.
    ceiling
        Signal at which each colour clips, on the scale of `mean`.
    block
        Cells a side of one block.
    shape
        Rows and columns of the whole cell picture.
    camera, exposure
        What the file said.
    to_srgb
        Rows of the matrix from the balanced signals to linear sRGB, to show it; None shows them as
        they are.
    """

    mean: NDArray[np.float32]
    tail: NDArray[np.float32]
    clipped: NDArray[np.float32]
    patches: Mapping[str, PatchCells]
    weights: tuple[float, ...]
    ceiling: tuple[float, ...]
    block: int
    shape: tuple[int, int]
    camera: Camera = field(default_factory=Camera)
    exposure: Exposure = field(default_factory=Exposure)
    to_srgb: tuple[tuple[float, ...], ...] | None = None

    @property
    def luminance(self) -> NDArray[np.float32]:
        """Y of each block, float32 (rows, columns), anchor = 1."""
        return _weighted(self.mean, self.weights)

    def patch_luminance(self, name: str) -> NDArray[np.float32]:
        """Return Y of each cell of a patch, float32 (n,), anchor = 1."""
        return _weighted(self.patches[name].light, self.weights)

    def scaled(self, factor: float) -> LightPicture:
        """Return the same light times `factor`."""
        return combine([self], [factor])


def reduce_light(
    signals: Signals,
    *,
    ceiling: tuple[float, ...],
    weights: tuple[float, ...],
    clipped: NDArray[np.bool_] | None = None,
    boxes: Mapping[str, Box] | None = None,
    tails: bool = True,
) -> LightPicture:
    """Reduce a linear cell picture to blocks and patches.

    Parameters
    ----------
    signals
        Shape (n_colours, h, w), balanced linear signal with the anchor at 1.
    ceiling
        Signal at which each colour clips.
    weights
        Y weight of each colour.
    clipped
        bool (h, w), cells with a clipped photosite; None takes signals at their ceiling.
    boxes
        Patches whose own cells are kept, by name.
    tails
        False saves time where clipping won't be predicted: each tail is then its mean.

    Returns
    -------
    LightPicture
        Cells that don't fill a last block are left out of the grid, not of the patches.
    """
    _, h, w = signals.shape
    block = max(1, -(-max(h, w) // BLOCKS_ACROSS))
    if clipped is None:
        tops = np.asarray(ceiling, dtype=np.float32)[:, None, None]
        clipped = np.any(signals[_ALL, _ALL, _ALL] >= tops * np.float32(1.0 - 1e-6), axis=0)
    mean, tail = _reduced(signals, block, tails=tails)
    return LightPicture(
        mean=mean,
        tail=tail,
        clipped=_means(clipped[None], block)[0],
        patches={name: _patch_cells(signals, clipped, box) for name, box in (boxes or {}).items()},
        weights=weights,
        ceiling=ceiling,
        block=block,
        shape=(h, w),
    )


def combine(pictures: Iterable[LightPicture], gains: Iterable[float]) -> LightPicture:
    """Return the weighted sum of pictures of one grid: light adds.

    Parameters
    ----------
    pictures
        At least one; patches that not all of them hold are left out.
    gains
        Linear factor of each; negative ones subtract.

    Returns
    -------
    LightPicture
        `clipped` is the greatest share among the pictures that add: a bound stays a bound.

    Raises
    ------
    ValueError
        If the grids differ.
    """
    terms = list(zip(pictures, gains, strict=True))
    first = terms[0][0]
    for picture, _ in terms:
        if picture.mean.shape != first.mean.shape or picture.shape != first.shape:
            msg = f"pictures of one grid are needed, got {picture.shape} beside {first.shape}"
            raise ValueError(msg)
    names = [name for name in first.patches if all(name in p.patches for p, _ in terms)]
    adding = [picture.clipped for picture, gain in terms if gain > 0] or [first.clipped]
    return replace(
        first,
        mean=_sum([(p.mean, g) for p, g in terms]),
        tail=_sum([(p.tail, g) for p, g in terms]),
        clipped=np.maximum.reduce(adding),
        patches={name: _sum_patch(name, terms) for name in names},
    )


def blocks_in(boxes: Iterable[Box], picture: LightPicture) -> NDArray[np.bool_]:
    """Return which blocks lie wholly in one of some boxes, bool (rows, columns); one at least each.

    Parameters
    ----------
    boxes
        Fractions of the upright picture.
    picture
        Whose blocks are meant.
    """
    held = np.zeros(picture.clipped.shape, dtype=bool)
    for box in boxes:
        rows, columns = window(box, picture.shape)
        held[_whole(rows, picture.block), _whole(columns, picture.block)] = True
    return held


def _whole(cells: slice, block: int) -> slice:
    first = -(-cells.start // block)
    return slice(first, max(cells.stop // block, first + 1))


def _sum(terms: list[tuple[NDArray[np.float32], float]]) -> NDArray[np.float32]:
    total = np.zeros_like(terms[0][0])
    for array, gain in terms:
        total += np.float32(gain) * array
    return total


def _sum_patch(name: str, terms: list[tuple[LightPicture, float]]) -> PatchCells:
    cells = [(picture.patches[name], gain) for picture, gain in terms]
    adding = [patch.clipped for patch, gain in cells if gain > 0] or [cells[0][0].clipped]
    return PatchCells(
        box=cells[0][0].box,
        light=_sum([(patch.light, gain) for patch, gain in cells]),
        clipped=np.logical_or.reduce(adding),
    )


def _weighted(light: NDArray[np.float32], weights: tuple[float, ...]) -> NDArray[np.float32]:
    return np.tensordot(np.asarray(weights, dtype=np.float32), light, axes=1)


def _blocks(plane: NDArray[T], block: int) -> NDArray[T]:
    """Return the cells of each block along a last axis: (rows, columns, block * block)."""
    rows, columns = plane.shape[0] // block, plane.shape[1] // block
    cut = plane[: rows * block, : columns * block]
    split = cut.reshape(rows, block, columns, block).swapaxes(1, 2)
    return split.reshape(rows, columns, block * block)


def _reduced(
    signals: Signals, block: int, *, tails: bool
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return each block's mean and its tail, read in bands of whole blocks."""
    colours, h, w = signals.shape
    mean = np.empty((colours, h // block, w // block), dtype=np.float32)
    tail = np.empty_like(mean) if tails else mean
    tall = max(1, _BAND_CELLS // (w * block))
    for top in range(0, mean.shape[1], tall):
        held = slice(top, min(top + tall, mean.shape[1]))
        band = signals[_ALL, slice(held.start * block, held.stop * block), _ALL]
        mean[:, held] = _means(band, block)
        if tails:
            tail[:, held] = [_tail(plane, block) for plane in band]
    return mean, tail


def _means(planes: NDArray[T], block: int) -> NDArray[np.float32]:
    """Return the mean of each block's cells, float32 (planes, rows, columns)."""
    count, h, w = planes.shape
    rows, columns = h // block, w // block
    cut = planes[:, : rows * block, : columns * block]
    strips = cut.reshape(count, rows, block, -1).sum(axis=2, dtype=np.float32)
    sums: NDArray[np.float32] = strips.reshape(count, rows, columns, block).sum(axis=3)
    sums /= np.float32(block * block)
    return sums


def _tail(plane: NDArray[np.float32], block: int) -> NDArray[np.float32]:
    """Return the level that a sixteenth of each block's cells stands above."""
    cells = block * block
    rank = cells - 1 - int(cells * TAIL_SHARE)
    return np.partition(_blocks(plane, block), rank)[..., rank]


def _patch_cells(signals: Signals, clipped: NDArray[np.bool_], box: Box) -> PatchCells:
    rows, columns = window(box, clipped.shape)
    light, blown = signals[_ALL, rows, columns], clipped[rows, columns]
    step = max(1, int(np.ceil(np.sqrt(blown.size / PATCH_CELLS))))
    light, blown = light[:, ::step, ::step], blown[::step, ::step]
    return PatchCells(box, light.reshape(len(light), -1).astype(np.float32), blown.ravel())
