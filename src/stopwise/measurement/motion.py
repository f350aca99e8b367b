"""Motion: the shift, tilt and size by which a part of one frame is found in another.

Frames are compared by the gradient of log luminance, which a change of power leaves as it is:
normalised correlation of it found all of 300 made moves of a sitter within 0.5 % of the width, that
of log luminance itself 84 %. By hand, since scikit-image's `match_template` takes neither weights
nor gradients' directions, and each template's transforms would be made anew for each of 15 tries.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.grid import pooled

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

_FLOOR = 2.0**-9
"""Y that is added to every block, so that noise near black makes no gradient: a stop
under Zone 0."""

_STRONG_STOPS = 0.5
"""Gradient, stops a block, that counts half: no single hard edge decides (set on our renderer)."""

_FAINT = 0.02
"""Gradient that is taken to be everywhere, so that two empty parts don't agree (our renderer)."""

COARSE = 4
"""Blocks a side that the first, widest search pools."""

TILTS = (-10.0, -5.0, 0.0, 5.0, 10.0)
"""Degrees that the first search tries: a head is held no more askew (common practice)."""

SCALES = (0.93, 1.0, 1.07)
"""Sizes that the first search tries: a step towards the camera."""

_FINER = ((2, 2.5, 1.035), (1, 1.2, 1.015))
"""Pooling, and the degrees and size that each finer search tries to either side: half the last."""

_REACH = (4, 4)
"""Pooled rows and columns to either side that a finer search looks at."""

OVERLAP = 0.6
"""Least share of a template's gradients that must lie inside the frame."""


@dataclass(frozen=True, slots=True)
class Rectangle:
    """A part of a grid.

    Attributes
    ----------
    row, column
        Its middle, blocks; the middle of the first block is 0, 0.
    tall, wide
        Half its height and width, blocks.
    """

    row: float
    column: float
    tall: float
    wide: float

    def pooled(self, step: int) -> Rectangle:
        """Return the same rectangle in blocks of `step` by `step` blocks."""
        off = (step - 1) / 2.0
        return Rectangle(
            (self.row - off) / step, (self.column - off) / step, self.tall / step, self.wide / step
        )


@dataclass(frozen=True, slots=True)
class Motion:
    """How a rectangle lies now: shifted, tilted and scaled about its middle.

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

    def carry(self, row: float, column: float, part: Rectangle) -> tuple[float, float]:
        """Return where a point of the reference lies now, given the part that moved."""
        turn = math.radians(self.tilt)
        v, u = row - part.row, column - part.column
        return (
            part.row + self.down + self.scale * (v * math.cos(turn) + u * math.sin(turn)),
            part.column + self.across + self.scale * (u * math.cos(turn) - v * math.sin(turn)),
        )


def tones(luminance: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return log2 of Y plus a floor, stops, float32 (rows, columns); NaN counts as 1."""
    known = np.nan_to_num(luminance, nan=1.0)
    return np.log2(np.maximum(known, 0.0) + np.float32(_FLOOR)).astype(np.float32)


def gradient(stops: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Return the gradient of log luminance, its real part across and its imaginary part down.

    Parameters
    ----------
    stops
        float32 (rows, columns), log2 luminance.

    Returns
    -------
    ndarray
        complex64 (rows, columns). Its direction is kept and its size g in stops a block is pressed
        to g / (g + 0.5), so that no single hard edge decides and a change of power, which is an
        offset of log luminance, changes nothing.
    """
    down, across = np.gradient(stops)
    field = (across + 1j * down).astype(np.complex64)
    return np.asarray(field / (np.abs(field) + np.float32(_STRONG_STOPS)), dtype=np.complex64)


def common_motion(then: NDArray[np.float32], now: NDArray[np.float32], part: Rectangle) -> Motion:
    """Return the motion that brings a part of one frame best onto another, coarse to fine.

    Parameters
    ----------
    then, now
        float32 (rows, columns), log luminance of the reference and of the frame, stops.
    part
        What of the reference moved as one.

    Returns
    -------
    Motion
        The best of shifts over the whole frame, tilts to about 13 degrees and sizes to a tenth.
    """
    tries = [Motion(tilt=tilt, scale=scale) for tilt in TILTS for scale in SCALES]
    best = _best(then, now, part, tries, step=COARSE)
    for step, tilt, scale in _FINER:
        tries = [
            replace(best, tilt=best.tilt + turn, scale=best.scale * size)
            for turn in (-tilt, 0.0, tilt)
            for size in (1.0 / scale, 1.0, scale)
        ]
        best = _best(then, now, part, tries, step=step)
    return best


def _best(
    then: NDArray[np.float32],
    now: NDArray[np.float32],
    part: Rectangle,
    tries: Sequence[Motion],
    *,
    step: int,
) -> Motion:
    """Return the best of the tried tilts and sizes, each at its best shift, on pooled blocks.

    The coarsest search looks at the whole frame, the others near the first try's shift.
    """
    then, now = (pooled(plane, step).astype(np.float32) for plane in (then, now))
    part, tries = part.pooled(step), [motion.pooled(step) for motion in tries]
    shape = template_shape(part, tries)
    if step == COARSE:
        reach = (now.shape[0] // 2, now.shape[1] // 2)
        middle = reach
    else:
        reach = _REACH
        middle = (round(part.row + tries[0].down), round(part.column + tries[0].across))
    searched = prepare(gradient(now), middle, reach, shape)
    found = []
    for motion in tries:
        template = template_of(then, part, motion, shape)
        row, column, score = peak(correlate(searched, template, overlap=OVERLAP))
        down = row + searched.origin[0] - part.row
        across = column + searched.origin[1] - part.column
        found.append(replace(motion, down=down, across=across, score=score))
    return max(found, key=lambda motion: motion.score).pooled(1.0 / step)


# --- templates ------------------------------------------------------------------------------------

Template = tuple["NDArray[np.complex64]", "NDArray[np.float32]"]
"""Gradients and the weight of each, 0 to 1; both of one shape with odd sides."""


def template_shape(part: Rectangle, motions: Sequence[Motion]) -> tuple[int, int]:
    """Return odd sides, rows and columns, that hold a part after any of some motions."""
    turn = math.radians(max(abs(motion.tilt) for motion in motions))
    scale = max(motion.scale for motion in motions)
    tall = scale * (part.tall * math.cos(turn) + part.wide * math.sin(turn))
    wide = scale * (part.wide * math.cos(turn) + part.tall * math.sin(turn))
    return 2 * math.ceil(tall) + 1, 2 * math.ceil(wide) + 1


def template_of(
    then: NDArray[np.float32],
    part: Rectangle,
    motion: Motion,
    shape: tuple[int, int],
    *,
    off: tuple[float, float] = (0.0, 0.0),
) -> Template:
    """Return a part's gradients as they would lie after a motion's tilt and size, with weights.

    Parameters
    ----------
    then
        float32 (rows, columns), log luminance of the reference, stops.
    part
        What of it.
    motion
        Its tilt and scale are taken.
    shape
        Odd sides of the template.
    off
        Rows and columns that the part's middle is to lie off the template's, parts of a block.

    Returns
    -------
    gradients, weights
        complex64 and float32, both of `shape`, the part's middle in the middle. The weights fall
        off from the middle to the part's border as a Gaussian does to one and a half sigma.
    """
    from scipy.ndimage import map_coordinates

    rows = np.arange(shape[0], dtype=np.float32) - np.float32(shape[0] // 2 + off[0])
    columns = np.arange(shape[1], dtype=np.float32) - np.float32(shape[1] // 2 + off[1])
    down, across = np.meshgrid(rows, columns, indexing="ij")
    turn = math.radians(motion.tilt)
    cosine, sine = math.cos(turn) / motion.scale, math.sin(turn) / motion.scale
    v, u = down * cosine - across * sine, across * cosine + down * sine
    warped = map_coordinates(then, [v + part.row, u + part.column], order=1, mode="nearest")
    inside = (np.abs(v) <= part.tall) & (np.abs(u) <= part.wide)
    fall = np.exp(-1.125 * ((v / part.tall) ** 2 + (u / part.wide) ** 2))
    return gradient(warped.astype(np.float32)), (inside * fall).astype(np.float32)


# --- correlation ----------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, slots=True)
class Searched:
    """A part of a field, with the transforms that every template looked for in it needs.

    Attributes
    ----------
    origin
        Row and column of the field at which the first place looked at lies.
    places
        Rows and columns of places that are looked at.
    transform, energy
        complex64 (rows, columns) of the transform: of the part's gradients and of their squared
        size, fractions of 1.
    inside
        complex64 of the same shape, of ones where the part lies inside the field; None where all
        of it does.
    """

    origin: tuple[int, int]
    places: tuple[int, int]
    transform: NDArray[np.complex64]
    energy: NDArray[np.complex64]
    inside: NDArray[np.complex64] | None


def prepare(
    field: NDArray[np.complex64],
    middle: tuple[int, int],
    reach: tuple[int, int],
    template: tuple[int, int],
) -> Searched:
    """Make the part of a field ready in which a template may lie.

    Parameters
    ----------
    field
        complex64 (rows, columns), gradients.
    middle
        Row and column where the template's middle is expected.
    reach
        How many rows and columns to either side of that are looked at.
    template
        Rows and columns of the templates, both odd.

    Returns
    -------
    Searched
        2 reach + 1 places a side, whether inside the field or not.
    """
    from scipy.fft import fft2, next_fast_len, rfft2

    places = (2 * reach[0] + 1, 2 * reach[1] + 1)
    origin = (middle[0] - reach[0], middle[1] - reach[1])
    sides = (places[0] + template[0] - 1, places[1] + template[1] - 1)
    part = np.zeros(sides, dtype=np.complex64)
    inside = np.zeros(sides, dtype=np.float32)
    starts = (origin[0] - template[0] // 2, origin[1] - template[1] // 2)
    theirs, ours = _overlap(starts, sides, field.shape)
    part[ours] = field[theirs]
    inside[ours] = 1.0
    # a circular transform as wide as the part wraps only into places that aren't looked at
    room = (next_fast_len(sides[0], real=True), next_fast_len(sides[1], real=True))
    return Searched(
        origin,
        places,
        fft2(part, room),
        rfft2(np.abs(part) ** 2, room),
        None if inside.all() else rfft2(inside, room),
    )


def _overlap(
    starts: tuple[int, int], sides: tuple[int, ...], field: tuple[int, ...]
) -> tuple[tuple[slice, ...], tuple[slice, ...]]:
    """Return which of a field, and which of a window laid over it, lie over each other."""
    theirs, ours = [], []
    for start, side, cells in zip(starts, sides, field, strict=True):
        low, high = min(max(start, 0), cells), min(max(start + side, 0), cells)
        theirs.append(slice(low, high))
        ours.append(slice(low - start, high - start))
    return tuple(theirs), tuple(ours)


def correlate(searched: Searched, template: Template, *, overlap: float) -> NDArray[np.float32]:
    """Return the normalised correlation with a template's middle at each place looked at.

    Parameters
    ----------
    searched
        Where to look.
    template
        Gradients and weights, both fractions of 1, (a, b) with odd sides.
    overlap
        Least share of the template's energy that must lie inside the field.

    Returns
    -------
    ndarray
        float32 of the shape `searched.places`, -1 to 1; 0 where too little of the template lies
        inside. The real part of the weighted inner product over the root of both energies, each
        over the part that lies inside.
    """
    from scipy.fft import fft2, ifft2, irfft2, rfft2

    gradients, weights = template
    room = searched.transform.shape
    own = (weights * np.abs(gradients) ** 2).astype(np.float32)
    total = float(own.sum())
    rows, columns = searched.places
    product = ifft2(searched.transform * np.conj(fft2(weights * gradients, room))).real
    theirs = irfft2(searched.energy * np.conj(rfft2(weights, room)), room)[:rows, :columns]
    ours: NDArray[np.float32] | float = total
    if searched.inside is not None:
        ours = irfft2(searched.inside * np.conj(rfft2(own, room)), room)[:rows, :columns]
    faint = _FAINT**2 * float(weights.sum())
    energy = np.sqrt(np.maximum(ours, 0.0) * np.maximum(theirs, 0.0) + faint**2 + 1e-12)
    held = np.asarray(ours) >= overlap * total
    return np.where(held, product[:rows, :columns] / energy, 0.0).astype(np.float32)


def evidence(
    template: Template, field: NDArray[np.complex64], middle: tuple[int, int]
) -> tuple[float, float]:
    """Return how far a template and the field agree at one place, and by how much they can tell.

    Parameters
    ----------
    template
        Gradients and weights, both fractions of 1, (a, b) with odd sides.
    field
        complex64 (rows, columns), gradients, their size a fraction of 1.
    middle
        Row and column of the field that the template's middle lies at.

    Returns
    -------
    agreement, weight
        The weighted mean inner product of the gradients over what lies inside the field, and the
        root of the product of their mean squares: their ratio is the normalised correlation.
        Both 0 where nothing lies inside.
    """
    gradients, weights = template
    starts = (middle[0] - gradients.shape[0] // 2, middle[1] - gradients.shape[1] // 2)
    theirs, ours = _overlap(starts, gradients.shape, field.shape)
    part, own, share = field[theirs], gradients[ours], weights[ours]
    total = float(share.sum())
    if total <= 0.0:
        return 0.0, 0.0
    agreement = float((share * (np.conj(own) * part).real).sum()) / total
    energies = [float((share * np.abs(plane) ** 2).sum()) / total for plane in (own, part)]
    return agreement, math.sqrt(energies[0] * energies[1])


def peak(scores: NDArray[np.float32]) -> tuple[float, float, float]:
    """Return row, column and height of the greatest score (rows, columns), to a part of a block.

    A parabola through the peak and its neighbours in each direction.
    """
    row, column = np.unravel_index(int(np.argmax(scores)), scores.shape)
    place = [float(row), float(column)]
    for axis, (line, at) in enumerate(((scores[:, column], int(row)), (scores[row], int(column)))):
        if 0 < at < len(line) - 1:
            before, here, after = (float(value) for value in line[at - 1 : at + 2])
            bend = before - 2.0 * here + after
            if bend < 0.0:
                place[axis] += min(max(0.5 * (before - after) / bend, -0.5), 0.5)
    return place[0], place[1], float(scores[row, column])
