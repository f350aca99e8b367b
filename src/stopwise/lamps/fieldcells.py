"""Coarse cells of a frame and of its solos, which stay with the set or go with the sitter."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from stopwise.lamps.fitting import Design
from stopwise.lamps.reduced import blocks_in

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from stopwise.lamps.reduced import LightPicture
    from stopwise.lamps.solo import LampSet
    from stopwise.measurement.measurement import Box

    Floats = NDArray[np.float64]

CELLS_ACROSS = 60
"""Coarse cells along the longer side."""

_CLIPPED = 0.02
"""A coarse cell with a greater clipped share is left out."""

_OFF = 0.05
"""How far a cell's light may be off a still sitter's, as a share of it."""

_LEAST = 0.1
"""The same share is taken of at least this part of what the solos together give there."""

_FLOOR = 2e-4
"""Light that a cell may be off in any case, anchor = 1."""

_REGION = 5
"""Coarse cells along a region's side."""

_FEW = 0.25
"""Share of the cells under which each is a region of its own."""

_STILL_CELLS = 0.02
"""A sitter who moved by less of a block than this is at the mark."""


class Placed(Protocol):
    """Where the sitter is, against the solos: shift in fractions of the picture."""

    @property
    def dx(self) -> float:
        """To the right."""

    @property
    def dy(self) -> float:
        """Down."""


@dataclass(frozen=True, slots=True)
class Shift:
    """How far the sitter is off the solos' place, fractions of the picture's width and height."""

    dx: float = 0.0
    dy: float = 0.0


@dataclass(frozen=True, slots=True)
class Hint(Shift):
    """Where the sitter may be, as another frame says: held against the picture before it counts."""


@dataclass(frozen=True, eq=False, slots=True)
class Grids:
    """A frame and its lamps on blocks, ready to be shifted and made coarse.

    Attributes
    ----------
    seen
        float64 (rows, columns), Y of the frame with its ambient taken off, at the lamps' exposure.
    lamps
        float64 (lamps, rows, columns), Y of each lamp's own light.
    good
        bool (rows, columns), blocks that are clipped in neither frame nor solos.
    factor
        Blocks along a coarse cell's side.
    """

    seen: Floats
    lamps: Floats
    good: NDArray[np.bool_]
    factor: int


def grids(seen: NDArray[np.floating], lamps: LampSet, clipped: NDArray[np.floating]) -> Grids:
    """Return frame and lamps as one stack.

    Parameters
    ----------
    seen
        Y of the frame's blocks, ambient taken off, at the lamps' exposure.
    lamps
        The solos.
    clipped
        Clipped share of the frame's blocks.
    """
    nets = list(lamps.nets.values())
    bound = np.maximum.reduce([clipped, *(net.clipped for net in nets)])
    return Grids(
        seen=seen.astype(np.float64),
        lamps=np.stack([net.luminance for net in nets]).astype(np.float64),
        good=bound <= _CLIPPED,
        factor=max(1, round(max(seen.shape) / CELLS_ACROSS)),
    )


def within(stack: Grids, boxes: Iterable[Box], picture: LightPicture) -> Grids:
    """Return a stack of which only the blocks in some boxes are used.

    Parameters
    ----------
    stack
        Frame and lamps.
    boxes
        Fractions of the upright picture.
    picture
        The frame, whose blocks the stack has.
    """
    return replace(stack, good=stack.good & blocks_in(boxes, picture))


def design(stack: Grids, shift: Placed | None) -> Design:
    """Return the coarse cells that a frame's outputs are fitted to.

    Parameters
    ----------
    stack
        Frame and lamps.
    shift
        Where the sitter is; None or hardly any takes every cell as having stayed.

    Returns
    -------
    Design
        Cells that are clipped, or that the shift brings in from outside, are left out.
    """
    rows, columns = stack.seen.shape
    still = shift is None or (
        abs(shift.dx) * columns < _STILL_CELLS and abs(shift.dy) * rows < _STILL_CELLS
    )
    light = stack.lamps if still or shift is None else shifted(stack.lamps, shift)
    good = coarse(stack.good.astype(np.float64), stack.factor) >= 1.0 - _CLIPPED
    moved = coarse(light, stack.factor)
    use = good & np.all(np.isfinite(moved), axis=0)
    seen = coarse(stack.seen, stack.factor)[use]
    stayed = coarse(stack.lamps, stack.factor)[:, use].T
    usual = _LEAST * stayed.sum(axis=1)
    return Design(
        seen=seen,
        stayed=stayed,
        moved=None if still else moved[:, use].T,
        sigma=_OFF * np.maximum(np.maximum(seen, usual), 0.0) + _FLOOR,
        region=_regions(use)[use],
    )


def coarse(plane: Floats, factor: int) -> Floats:
    """Return means of `factor` x `factor` blocks over the last two axes, rests left out."""
    rows, columns = plane.shape[-2] // factor, plane.shape[-1] // factor
    cut = plane[..., : rows * factor, : columns * factor]
    split = cut.reshape(*plane.shape[:-2], rows, factor, columns, factor)
    means: Floats = split.mean(axis=(-3, -1))
    return means


def shifted(planes: Floats, shift: Placed) -> Floats:
    """Return planes moved with the sitter, bilinear; NaN where nothing is known.

    Parameters
    ----------
    planes
        Shape (n, rows, columns).
    shift
        Fractions of the picture, to the right and down.
    """
    rows, columns = planes.shape[1:]
    down, right = shift.dy * rows, shift.dx * columns
    whole_down, whole_right = int(np.floor(down)), int(np.floor(right))
    part_down, part_right = down - whole_down, right - whole_right
    total = np.zeros_like(planes)
    for step_down, share_down in ((0, 1.0 - part_down), (1, part_down)):
        for step_right, share_right in ((0, 1.0 - part_right), (1, part_right)):
            share = share_down * share_right
            if share > 0.0:
                total += share * _rolled(planes, whole_down + step_down, whole_right + step_right)
    return total


def _rolled(planes: Floats, down: int, right: int) -> Floats:
    rows, columns = planes.shape[1:]
    out = np.full_like(planes, np.nan)
    if abs(down) < rows and abs(right) < columns:
        to = (
            slice(max(down, 0), rows + min(down, 0)),
            slice(max(right, 0), columns + min(right, 0)),
        )
        come = (
            slice(max(-down, 0), rows + min(-down, 0)),
            slice(max(-right, 0), columns + min(-right, 0)),
        )
        out[:, *to] = planes[:, *come]
    return out


def overlap(stack: Grids, shift: Placed | None) -> Floats:
    """Return which share of each lamp's light falls where it fell in the solo, sitter moved along.

    Low overlap means that what a lamp lights is small against the move: then the light at the new
    place may differ from the solo's by much, with no lamp touched.

    Returns
    -------
    ndarray
        float64 (lamps,), 0 to 1; 1 with no shift.
    """
    if shift is None:
        return np.ones(len(stack.lamps))
    here = coarse(np.maximum(stack.lamps, 0.0), stack.factor)
    there = coarse(np.maximum(shifted(stack.lamps, shift), 0.0), stack.factor)
    both = np.where(np.isfinite(there), np.minimum(here, there), 0.0).sum(axis=(1, 2))
    all_of_it = np.where(np.isfinite(there), here, 0.0).sum(axis=(1, 2))
    share: Floats = np.clip(both / np.maximum(all_of_it, 1e-12), 0.0, 1.0)
    return share


def _regions(use: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return which region each cell lies in: 5 x 5 cells, or each its own where few are used."""
    side = _REGION if np.mean(use) > _FEW else 1
    rows, columns = np.indices(use.shape)
    return np.asarray((rows // side) * 1000 + columns // side, dtype=np.int64)


def frame_luminance(picture: LightPicture, lamps: LampSet, gain: float, ambient: float) -> Floats:
    """Return Y of a frame's blocks, ambient taken off, brought to the lamps' exposure.

    Parameters
    ----------
    picture
        The frame.
    lamps
        The solos.
    gain
        How many times the lamps' exposure the frame's is, for flash.
    ambient
        The same for ambient light.
    """
    dark = 0.0 if lamps.ambient is None else ambient * lamps.ambient.luminance
    return ((picture.luminance - dark) / gain).astype(np.float64)
