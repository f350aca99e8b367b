"""Shutter: the dark edge of a curtain that was too early or late, and the slope of a soft flash."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from stopwise.measurement.measurement import ShutterReading
from stopwise.measurement.sitter import surface_over

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.measurement.blocks import Blocks
    from stopwise.measurement.sitter import Parts

Side = Literal["left", "right", "top", "bottom"]

_FIRST_TURNED = 5
_STRIPS = 24
_DARK = 0.003
"""Y under which a band may be one that no flash reached: over five stops under mid-grey."""
_LIT = 0.012
"""Y over which a strip shows that the flash reached it."""
_DROP_STOPS = 3.0
"""A strip is covered where it lies this far under its level beyond the edge."""
_STRAIGHT = 0.02
"""Share of the travel that the edge may wander over the strips."""
_LEAST_LIT = 0.6
_LEAST_AGREEING = 0.9
_LEAST_SHARE = 0.01
_GREATEST_SHARE = 0.9
_LEAST_BLOCKS = 60
_MOST_UNSURE = 0.1
_CORRELATED = 25.0
"""Blocks that share one error of the slope: a sitter's move and the lamps' feathering are wide."""


@dataclass(frozen=True, slots=True)
class _Edge:
    share: float
    at_end: bool


def read_shutter(
    blocks: Blocks,
    *,
    orientation: int = 1,
    parts: Parts | None = None,
    reference: Blocks | None = None,
) -> ShutterReading:
    """Look for signs of the shutter.

    Parameters
    ----------
    blocks
        The frame; clipped cells may be left out.
    orientation
        TIFF/EP orientation, 1 to 8. The curtains run along the sensor's columns, so across the
        upright picture from left to right for 5 to 8.
    parts
        Which blocks are paper and which are sitter; without it no slope can be told.
    reference
        A frame of the same set that the shutter left alone; None where there is none.

    Returns
    -------
    ShutterReading
        The share of the frame that a dark band along one side covers, 0.0 with none. The slope is
        what paper and sitter share, less the reference's own: the smaller of the two, 0.0 where
        they run against each other, None without a reference, or where either can't be measured to
        a tenth of a stop. From one frame alone a slope can't be told from the lamps' own.
    """
    axis = 1 if orientation >= _FIRST_TURNED else 0
    usable = reference if reference is not None and reference.shape == blocks.shape else None
    edge = _edge(_along(blocks.mean, axis), None if usable is None else _along(usable.mean, axis))
    side = None if edge is None else _side(edge, axis)
    slope = None
    if usable is not None and parts is not None and edge is None:
        slope = _shared_slope(blocks, usable, parts, axis)
    return ShutterReading(0.0 if edge is None else edge.share, side, slope)


def _along(mean: NDArray[np.float32], axis: int) -> NDArray[np.float64]:
    """Return block means as strips along the travel, (travel, strips), NaN where not usable."""
    plane = (mean.T if axis else mean).astype(np.float64)
    parts = np.array_split(np.arange(plane.shape[1]), min(_STRIPS, plane.shape[1]))
    with np.errstate(invalid="ignore"):
        return np.stack([_median(plane[:, part]) for part in parts], axis=1)


def _median(plane: NDArray[np.float64]) -> NDArray[np.float64]:
    known = np.isfinite(plane)
    filled = np.where(known.any(axis=1, keepdims=True), plane, 1.0)
    return np.asarray(np.nanmedian(filled, axis=1))


def _side(edge: _Edge, axis: int) -> Side:
    if axis:
        return "right" if edge.at_end else "left"
    return "bottom" if edge.at_end else "top"


def _edge(strips: NDArray[np.float64], reference: NDArray[np.float64] | None) -> _Edge | None:
    for at_end in (False, True):
        here = strips[::-1] if at_end else strips
        known = None if reference is None else (reference[::-1] if at_end else reference)
        share = _covered(here) if known is None else _covered_against(here, known)
        if share is not None:
            return _Edge(share, at_end)
    return None


def _covered(strips: NDArray[np.float64]) -> float | None:
    """Return the share of the travel that is covered from the first row on, from one frame."""
    rows = len(strips)
    dark = (strips < _DARK).mean(axis=1) >= _LEAST_AGREEING
    first = int(np.argmin(dark)) if not dark.all() else rows
    if not _LEAST_SHARE * rows <= first <= _GREATEST_SHARE * rows:
        return None
    beyond = strips[first + math.ceil(0.03 * rows) : first + math.ceil(0.2 * rows) + 1]
    if not len(beyond):
        return None
    level = np.median(beyond, axis=0)
    lit = level > _LIT
    if lit.mean() < _LEAST_LIT:
        return None
    return _crossing(strips[:, lit], level[lit])


def _covered_against(strips: NDArray[np.float64], known: NDArray[np.float64]) -> float | None:
    """Return the covered share from the fall of each strip against a frame that wasn't covered."""
    rows = len(strips)
    lit = known > _LIT
    fallen = lit & (strips < known * 2.0**-_DROP_STOPS)
    enough = lit.sum(axis=1) >= max(3, 0.25 * strips.shape[1])
    share = np.where(enough, fallen.sum(axis=1) / np.maximum(lit.sum(axis=1), 1), np.nan)
    told = np.flatnonzero(np.isfinite(share))
    if len(told) < 0.3 * rows:
        return None
    covered = share[told] >= _LEAST_AGREEING
    first = int(np.argmin(covered)) if not covered.all() else len(told)
    if first == 0 or first == len(told) or told[0] > 0.1 * rows:
        return None
    beyond = share[told[first:]]
    end = (told[first - 1] + told[first] + 1) / 2.0 / rows
    if float(np.mean(beyond < 0.5)) < _LEAST_AGREEING or end < _LEAST_SHARE:
        return None
    return float(end)


def _crossing(strips: NDArray[np.float64], level: NDArray[np.float64]) -> float | None:
    """Return where the strips rise over an eighth of their level, if all do at one place."""
    rows = len(strips)
    over = strips > level * 2.0**-_DROP_STOPS
    rises = over.any(axis=0)
    at = np.argmax(over, axis=0) / rows
    middle = float(np.median(at))
    agreeing = rises & (np.abs(at - middle) <= _STRAIGHT + 1.0 / rows)
    if agreeing.mean() < _LEAST_AGREEING or middle < _LEAST_SHARE:
        return None
    return middle


def _shared_slope(
    blocks: Blocks,
    reference: Blocks,
    parts: Parts,
    axis: int,
) -> float | None:
    change = blocks.log2_y - reference.log2_y
    slopes = [_slope(blocks, change, part, axis) for part in (parts.paper, parts.subject)]
    if slopes[0] is None or slopes[1] is None:
        return None
    if slopes[0] * slopes[1] <= 0.0:
        return 0.0
    return min(slopes[0], slopes[1], key=abs)


def _slope(
    blocks: Blocks,
    change: NDArray[np.float64],
    part: NDArray[np.bool_],
    axis: int,
) -> float | None:
    """Return the slope of `change` along the travel over a part, stops over the whole travel."""
    at = part & np.isfinite(change)
    if at.sum() < _LEAST_BLOCKS:
        return None
    plane = surface_over(blocks, change, at, order=1)
    if plane is None:
        return None
    # the terms are 1, v, u, and u and v run from -1 to 1
    term = 2 if axis else 1
    unsure = 2.0 * math.sqrt(_CORRELATED * float(plane.covariance[term, term]))
    return 2.0 * float(plane.coefficients[term]) if unsure <= _MOST_UNSURE else None
