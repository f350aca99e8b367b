"""Change of framing told from change of light: who moved, the sitter or the camera."""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from stopwise.frame import window
from stopwise.measurement.follow import LEAST_SCORE
from stopwise.measurement.motion import Motion, Rectangle, common_motion, gradient, tones

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.comparison.sides import Side
    from stopwise.frame import Box

    Plane = NDArray[np.floating]

Who = Literal["nobody", "sitter", "camera", "unknown"]

LEAST_MOVE = 0.01
"""Fraction of the picture's width from which a move counts."""

LEAST_SCALE = 0.025
"""Change of size from which it counts: the search for a motion steps by 1.5 %."""

# The next are set on our own renderer.
_MARGIN = 0.06
"""Round all patches, fractions of the picture: what of it is taken to be the sitter."""

_RIM = 0.03
"""Round each patch that doesn't follow, fractions of the picture: whose edges are the set's."""

_FAINT = 0.12
"""Pressed gradient, 0 to 1, under which an edge of the set says nothing."""

_FEWEST = 40
"""Blocks with an edge, from which on their correlation says something: that of n unrelated ones
scatters by about 1 / sqrt(n) about 0, 0.16 here, so that 0.32, half of what a match has, is two of
these off."""

_CLEARLY = 1.25
"""Factor by which the set's edges must agree better with one idea than with the other."""


@dataclass(frozen=True, slots=True)
class Framing:
    """How the picture moved between two sides.

    Attributes
    ----------
    who
        Who moved; "unknown" where something moved and it can't be told.
    right, down
        Fractions of the picture's width and height.
    scale
        Factor of size; above 1 what is seen grew.
    motion
        The same in blocks, with `window`, where pictures were looked at.
    window
        What of the picture moved.
    """

    who: Who
    right: float = 0.0
    down: float = 0.0
    scale: float = 1.0
    motion: Motion | None = None
    window: Rectangle | None = None

    @property
    def moved(self) -> bool:
        """Whether anything moved."""
        return self.who != "nobody"


def framing_of_boxes(before: Side, after: Side) -> Framing:
    """Return how the sitter's patches lie against before, from their boxes alone.

    Parameters
    ----------
    before, after
        The sides; patches that follow and are seen on both count.
    """
    if before.size and after.size and before.size != after.size:
        return Framing("camera")
    pairs = [
        (one.box, other.box)
        for name, one in before.patches.items()
        if (other := after.patches.get(name)) is not None
        and one.box is not None
        and other.box is not None
        and (one.follows or other.follows)
    ]
    if not pairs:
        return Framing("nobody")
    right, down = (
        statistics.median(_middle(now, axis) - _middle(then, axis) for then, now in pairs)
        for axis in (0, 1)
    )
    scale = statistics.median((now[2] - now[0]) / (then[2] - then[0]) for then, now in pairs)
    return Framing("unknown" if _counts(right, down, scale) else "nobody", right, down, scale)


def _middle(box: Sequence[float], axis: int) -> float:
    return (box[axis] + box[axis + 2]) / 2.0


def _counts(right: float, down: float, scale: float) -> bool:
    return max(abs(right), abs(down)) > LEAST_MOVE or abs(scale - 1.0) > LEAST_SCALE


def framing_of_pictures(
    before: Plane, after: Plane, boxes: Sequence[Box] = (), fixed: Sequence[Box] = ()
) -> Framing:
    """Return how one picture lies against another, and whether the set moved with the sitter.

    Parameters
    ----------
    before, after
        Shape (h, w), linear luminance, some hundred blocks a side.
    boxes
        The sitter's patches in `before`; none takes the picture's middle as the sitter.
    fixed
        Patches of the set, which don't follow.

    Returns
    -------
    Framing
        The sitter's window is found again by its gradients of log luminance, which no change of
        power moves. If the edges round the set's patches went the same way it was the camera; if
        they stayed, the sitter. With no such patch, or too few edges round it, it is unknown.
    """
    if before.shape != after.shape:
        return Framing("camera")
    then, now = (tones(plane.astype(np.float32)) for plane in (before, after))
    around = _window(boxes, before.shape)
    motion = common_motion(then, now, around)
    if motion.score < LEAST_SCORE:
        return Framing("unknown", motion=None)
    rows, columns = before.shape
    right, down = float(motion.across) / columns, float(motion.down) / rows
    if not _counts(right, down, motion.scale):
        return Framing("nobody", right, down, motion.scale, motion, around)
    edges = _round_patches((rows, columns), fixed)
    who = _who(gradient(then), gradient(now), edges, (around, motion))
    return Framing(who, right, down, motion.scale, motion, around)


def _window(boxes: Sequence[Box], shape: tuple[int, ...]) -> Rectangle:
    rows, columns = shape
    held = list(boxes) or [(0.25, 0.15, 0.75, 0.9)]
    hull = (
        min(box[0] for box in held) - _MARGIN,
        min(box[1] for box in held) - _MARGIN,
        max(box[2] for box in held) + _MARGIN,
        max(box[3] for box in held) + _MARGIN,
    )
    x0, y0, x1, y1 = (min(max(edge, 0.0), 1.0) for edge in hull)
    return Rectangle(
        (y0 + y1) / 2.0 * rows - 0.5,
        (x0 + x1) / 2.0 * columns - 0.5,
        (y1 - y0) / 2.0 * rows,
        (x1 - x0) / 2.0 * columns,
    )


def _round_patches(shape: tuple[int, int], fixed: Sequence[Box]) -> NDArray[np.bool_]:
    """Return the blocks round the set's own patches: their edges can't go with the sitter."""
    held = np.zeros(shape, dtype=bool)
    for x0, y0, x1, y1 in fixed:
        held[window((x0 - _RIM, y0 - _RIM, x1 + _RIM, y1 + _RIM), shape)] = True
    return held


def _who(
    then: NDArray[np.complex64],
    now: NDArray[np.complex64],
    of_set: NDArray[np.bool_],
    moved: tuple[Rectangle, Motion],
) -> Who:
    """Hold the set's edges against both: stayed, or went along."""
    around, motion = moved
    y, x = np.nonzero((np.abs(then) > _FAINT) & of_set)
    stayed = _agreement(then, now, (y, x), (y, x))
    places = zip(y.astype(float), x.astype(float), strict=True)
    carried = [motion.carry(row, column, around) for row, column in places]
    to = np.rint(np.array(carried).reshape(-1, 2)).astype(int)
    inside = (to >= 0).all(axis=1) & (to < then.shape).all(axis=1)
    went = _agreement(then, now, (y[inside], x[inside]), (to[inside, 0], to[inside, 1]))
    if stayed is None or went is None:
        return "unknown"
    if went > _CLEARLY * max(stayed, 0.0):
        return "camera"
    return "sitter" if stayed > _CLEARLY * max(went, 0.0) else "unknown"


def _agreement(
    then: NDArray[np.complex64],
    now: NDArray[np.complex64],
    at: tuple[NDArray[np.intp], NDArray[np.intp]],
    to: tuple[NDArray[np.intp], NDArray[np.intp]],
) -> float | None:
    """Return the correlation of gradients at some places with those at others, -1 to 1."""
    if len(at[0]) < _FEWEST:
        return None
    here, there = then[at], now[to]
    size = float(np.sqrt(np.sum(np.abs(here) ** 2) * np.sum(np.abs(there) ** 2)))
    return float(np.real(np.sum(np.conj(here) * there))) / size if size > 0.0 else None
