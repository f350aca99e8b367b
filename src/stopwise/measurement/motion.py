"""Motion: the shift, tilt and size by which a window of one frame is found in another."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.correlate import correlate, gradient, peak, pooled, prepare

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.measurement.correlate import Template

COARSE = 4
"""Blocks a side that the first, widest search pools."""

TILTS = (-10.0, -5.0, 0.0, 5.0, 10.0)
"""Degrees that the first search tries."""

SCALES = (0.93, 1.0, 1.07)
"""Sizes that the first search tries."""

_FINER = ((2, 2.5, 1.035), (1, 1.2, 1.015))
"""Pooling, degrees and size that each finer search tries to either side."""

_REACH = (4, 4)

OVERLAP = 0.6
"""Least share of a template's gradients that must lie inside the frame."""


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle of blocks.

    Attributes
    ----------
    row, column
        Its middle; the middle of the first block is 0, 0.
    tall, wide
        Half its height and width, blocks.
    """

    row: float
    column: float
    tall: float
    wide: float

    def pooled(self, step: int) -> Window:
        """Return the same rectangle in blocks of `step` by `step` blocks."""
        off = (step - 1) / 2.0
        return Window(
            (self.row - off) / step, (self.column - off) / step, self.tall / step, self.wide / step
        )


@dataclass(frozen=True, slots=True)
class Motion:
    """How a window lies now against the reference: shifted, tilted and scaled about its middle.

    Attributes
    ----------
    down, across
        Blocks that the middle has moved.
    tilt
        Degrees, positive turns the right side down.
    scale
        Factor.
    score
        Normalised correlation there, -1 to 1.
    """

    down: float = 0.0
    across: float = 0.0
    tilt: float = 0.0
    scale: float = 1.0
    score: float = 0.0

    def pooled(self, step: float) -> Motion:
        """Return the same motion in blocks of `step` by `step` blocks."""
        return replace(self, down=self.down / step, across=self.across / step)

    def carry(self, row: float, column: float, window: Window) -> tuple[float, float]:
        """Return where a point of the reference lies now, given the window that moved."""
        turn = np.deg2rad(self.tilt)
        v, u = row - window.row, column - window.column
        return (
            float(window.row + self.down + self.scale * (v * np.cos(turn) + u * np.sin(turn))),
            float(window.column + self.across + self.scale * (u * np.cos(turn) - v * np.sin(turn))),
        )


def common_motion(then: NDArray[np.float32], now: NDArray[np.float32], window: Window) -> Motion:
    """Return the motion that brings a window of one frame best onto another, coarse to fine.

    Parameters
    ----------
    then, now
        float32 (n, m), log luminance of the reference and of the frame, stops.
    window
        The part of the reference that moved as one.

    Returns
    -------
    Motion
        The best of shifts over the whole frame, tilts to about 13 degrees and sizes to a tenth.
    """
    tries = [Motion(tilt=tilt, scale=scale) for tilt in TILTS for scale in SCALES]
    whole = gradient(pooled(now, COARSE))
    best = _best(pooled(then, COARSE), whole, window.pooled(COARSE), tries).pooled(1.0 / COARSE)
    for step, tilt, scale in _FINER:
        near = best.pooled(step)
        tries = [
            replace(near, tilt=near.tilt + turn, scale=near.scale * size)
            for turn in (-tilt, 0.0, tilt)
            for size in (1.0 / scale, 1.0, scale)
        ]
        field = gradient(pooled(now, step))
        found = _best(pooled(then, step), field, window.pooled(step), tries, reach=_REACH)
        best = found.pooled(1.0 / step)
    return best


def _best(
    then: NDArray[np.float32],
    field: NDArray[np.complex64],
    window: Window,
    tries: Sequence[Motion],
    *,
    reach: tuple[int, int] | None = None,
) -> Motion:
    """Return the best of the tried tilts and sizes, each at its best shift.

    With no reach the whole field is looked at, else so far round the first try's shift.
    """
    shape = template_shape(window, tries)
    middle = (round(window.row + tries[0].down), round(window.column + tries[0].across))
    if reach is None:
        reach = (field.shape[0] // 2, field.shape[1] // 2)
        middle = reach
    searched = prepare(field, middle, reach, shape)
    found = []
    for motion in tries:
        template = template_of(then, window, motion, shape)
        row, column, score = peak(correlate(searched, template, overlap=OVERLAP))
        down = row + searched.origin[0] - window.row
        across = column + searched.origin[1] - window.column
        found.append(replace(motion, down=down, across=across, score=score))
    return max(found, key=lambda motion: motion.score)


def template_shape(window: Window, motions: Sequence[Motion]) -> tuple[int, int]:
    """Return odd sides that hold the window after any of the motions."""
    turn = np.deg2rad(max(abs(motion.tilt) for motion in motions))
    scale = max(motion.scale for motion in motions)
    tall = scale * (window.tall * np.cos(turn) + window.wide * np.sin(turn))
    wide = scale * (window.wide * np.cos(turn) + window.tall * np.sin(turn))
    return 2 * int(np.ceil(tall)) + 1, 2 * int(np.ceil(wide)) + 1


def template_of(
    then: NDArray[np.float32],
    window: Window,
    motion: Motion,
    shape: tuple[int, int],
    *,
    off: tuple[float, float] = (0.0, 0.0),
) -> Template:
    """Return the window's gradients as they would lie after a motion's tilt and size, with weights.

    Parameters
    ----------
    then
        float32 (n, m), log luminance of the reference, stops.
    window
        What of it.
    motion
        Its tilt and scale are taken.
    shape
        Odd sides of the template.
    off
        Rows and columns that the window's middle is to lie off the template's, parts of a block.

    Returns
    -------
    gradients, weights
        complex64 and float32, both of `shape`, the window's middle in the middle. The weights
        fall off from the middle to the window's border as a Gaussian does to one and a half sigma.
    """
    from scipy.ndimage import map_coordinates

    rows = np.arange(shape[0], dtype=np.float32) - np.float32(shape[0] // 2 + off[0])
    columns = np.arange(shape[1], dtype=np.float32) - np.float32(shape[1] // 2 + off[1])
    down, across = np.meshgrid(rows, columns, indexing="ij")
    turn = math.radians(motion.tilt)
    cosine, sine = math.cos(turn) / motion.scale, math.sin(turn) / motion.scale
    v, u = down * cosine - across * sine, across * cosine + down * sine
    warped = map_coordinates(then, [v + window.row, u + window.column], order=1, mode="nearest")
    inside = (np.abs(v) <= window.tall) & (np.abs(u) <= window.wide)
    fall = np.exp(-1.125 * ((v / window.tall) ** 2 + (u / window.wide) ** 2))
    return gradient(warped.astype(np.float32)), (inside * fall).astype(np.float32)
