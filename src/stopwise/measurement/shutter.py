"""Shutter: the dark edge of a curtain that was too early or late, and the slope of a soft flash."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from stopwise.measurement.figures import ShutterReading
from stopwise.measurement.paper import surface_over

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.grid import LightGrid
    from stopwise.measurement.paper import Parts

Side = Literal["left", "right", "top", "bottom"]

_FIRST_TURNED = 5
"""TIFF/EP orientations from which on the picture's rows are the sensor's columns."""

# Limits below are set on our own renderer, where nothing else is said.

_STRIPS = 24
"""Strips along the travel whose medians are looked at."""

_DARK = 0.003
"""Y under which a band may be one that no flash reached: over five stops under mid-grey."""

_LIT = 0.012
"""Y over which a strip shows that the flash reached it: two stops over `_DARK`."""

_DROP_STOPS = 3.0
"""A strip is covered where it lies this far under its level beyond the edge."""

_STRAIGHT = 0.02
"""Share of the travel that the edge may wander over the strips."""

_LEAST_LIT, _LEAST_AGREEING = 0.6, 0.9
"""Shares of the strips that must be lit beyond the edge, and agree on it."""

_LEAST_SHARE, _GREATEST_SHARE = 0.01, 0.9
"""Of the travel: what a covered band takes at least and at most."""

_LEAST_BLOCKS, _MOST_UNSURE = 60, 0.1
"""Blocks that a slope needs, and its greatest standard uncertainty, stops over the travel."""

_CORRELATED = 25.0
"""Blocks that share one error of the slope: a sitter's move and the lamps' feathering are wide."""


def read_shutter(
    grid: LightGrid,
    *,
    parts: Parts | None = None,
    reference: LightGrid | None = None,
) -> ShutterReading:
    """Look for signs of the shutter.

    Parameters
    ----------
    grid
        The frame. The curtains run along the sensor's columns, so across the upright picture from
        left to right where its orientation is 5 to 8.
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
    is_turned = grid.orientation >= _FIRST_TURNED
    if reference is not None and reference.shape != grid.shape:
        reference = None
    strips = _along(grid, is_turned=is_turned)
    known = None if reference is None else _along(reference, is_turned=is_turned)
    sides: tuple[Side, Side] = ("left", "right") if is_turned else ("top", "bottom")
    for side, step in zip(sides, (1, -1), strict=True):
        here = strips[::step]
        share = _covered(here) if known is None else _covered_against(here, known[::step])
        if share is not None:
            return ShutterReading(share, side, None)
    if reference is None or parts is None:
        return ShutterReading(0.0, None, None)
    change = grid.log2_y - reference.log2_y
    paper, subject = (
        _slope(grid, change, part, is_turned=is_turned) for part in (parts.paper, parts.subject)
    )
    if paper is None or subject is None:
        return ShutterReading(0.0, None, None)
    slope = min(paper, subject, key=abs) if paper * subject > 0.0 else 0.0
    return ShutterReading(0.0, None, slope)


def _along(grid: LightGrid, *, is_turned: bool) -> NDArray[np.float64]:
    """Return medians of Y of strips along the travel, (travel, strips); 1 where none is usable."""
    light = np.where(grid.usable, grid.luminance, np.nan).astype(np.float64)
    plane = light.T if is_turned else light
    parts = np.array_split(np.arange(plane.shape[1]), min(_STRIPS, plane.shape[1]))
    strips = []
    for part in parts:
        strip = plane[:, part]
        known = np.isfinite(strip).any(axis=1, keepdims=True)
        strips.append(np.nanmedian(np.where(known, strip, 1.0), axis=1))
    return np.stack(strips, axis=1)


def _covered(strips: NDArray[np.float64]) -> float | None:
    """Return the share of the travel that is covered from the first row on, from one frame.

    The strips must rise over an eighth of their level beyond the band, all at one place.
    """
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
    over = strips[:, lit] > level[lit] * 2.0**-_DROP_STOPS
    at = np.argmax(over, axis=0) / rows
    middle = float(np.median(at))
    agreeing = over.any(axis=0) & (np.abs(at - middle) <= _STRAIGHT + 1.0 / rows)
    if agreeing.mean() < _LEAST_AGREEING or middle < _LEAST_SHARE:
        return None
    return middle


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


def _slope(
    grid: LightGrid, change: NDArray[np.float64], part: NDArray[np.bool_], *, is_turned: bool
) -> float | None:
    """Return the slope of `change` along the travel over a part, stops over the whole travel."""
    at = part & np.isfinite(change)
    if at.sum() < _LEAST_BLOCKS:
        return None
    plane = surface_over(grid, change, at, order=1)
    if plane is None:
        return None
    # the terms are 1, v, u, and u and v run from -1 to 1
    term = 2 if is_turned else 1
    unsure = 2.0 * math.sqrt(_CORRELATED * float(plane.covariance[term, term]))
    return 2.0 * float(plane.coefficients[term]) if unsure <= _MOST_UNSURE else None
