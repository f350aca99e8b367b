"""Lines on the picture: zone contours, outlines of blown areas, dots over blocked parts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.comparison.field import LEVELS_STOPS
from stopwise.frame import window
from stopwise.grid import fitted_blocks
from stopwise.stops import MIDDLE_ZONE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from stopwise.frame import Box

MAP_EDGE = 300
"""Blocks along the longer side that contours are drawn from: finer would draw every wrinkle."""

_SMOOTHING = 1.6
"""Standard deviation in blocks of the smoothing that keeps grain out of the contours."""

_OUTLINE_SMOOTHING = 0.8
"""Standard deviation in blocks of the smoothing that rounds the outline of a ragged area."""

_ROUND = 4
"""Blocks round an area in which its outline may run: its smoothing reaches no farther."""

_SHORTEST = 0.08
"""Contours shorter than this part of the picture's diagonal are left out."""

_PAST = 0.03
"""Stops past its level at which a contour of a difference runs: a lamp turned by exactly one stop
leaves whole areas at one stop, where a line would follow the noise."""

_SHORTEST_POINTS = 12
"""Contours of a difference with fewer points than this are left out."""

_HALF = 0.5
"""Share of a smoothed mask of 0 and 1 at which its outline runs: in the middle of the step."""

_CLIFF = 0.33
"""Zones from block to block from which on tone falls as over the edge of a thing, not as light."""

_DARKEST = -8.0
"""Least log2 Y that is drawn; below it is noise."""


@dataclass(frozen=True, eq=False, slots=True)
class Contour:
    """One line of even tone.

    Attributes
    ----------
    level
        Its zone, the boundary between two zones such as 4.5; or a difference in stops.
    points
        float64 (n, 2), x and y as fractions of the upright picture.
    """

    level: float
    points: NDArray[np.float64]


def zone_contours(
    luminance: NDArray[np.floating], *, mid_grey: float, clip: float
) -> list[Contour]:
    """Return the lines at which a picture passes from one zone to the next.

    Parameters
    ----------
    luminance
        Shape (h, w), linear Y with the anchor at 1.0; 0 or less, or not finite, counts as black.
    mid_grey
        Y of Zone 5, above 0.
    clip
        Zone at which a neutral clips; no line is drawn above it.
    """
    field = _zone_field(luminance, mid_grey)
    if min(field.shape) < 2:
        return []
    levels = np.arange(0.5, clip, 1.0)
    return [
        Contour(float(level), line)
        for level in levels
        for line in even_lines(field, float(level))
        if _length(line) >= _SHORTEST * math.sqrt(2.0)
    ]


def difference_contours(field: NDArray[np.float64]) -> list[Contour]:
    """Return the lines at which light differs by the levels that a map of differences has.

    Parameters
    ----------
    field
        Shape (h, w), stops, see :func:`stopwise.comparison.field.difference_field`.
    """
    return [
        Contour(level, line)
        for level in LEVELS_STOPS
        for line in even_lines(field, level + math.copysign(_PAST, level))
        if len(line) >= _SHORTEST_POINTS
    ]


def _zone_field(luminance: NDArray[np.floating], mid_grey: float) -> NDArray[np.float64]:
    from scipy.ndimage import gaussian_filter

    least = 2.0**_DARKEST
    clean = np.nan_to_num(np.asarray(luminance, float), nan=least, posinf=1.0, neginf=least)
    logs = np.log2(np.maximum(fitted_blocks(clean, MAP_EDGE), least))
    smooth: NDArray[np.float64] = gaussian_filter(logs, _SMOOTHING, mode="nearest")
    return smooth - math.log2(mid_grey) + MIDDLE_ZONE


def even_lines(field: NDArray[np.float64], level: float) -> Iterator[NDArray[np.float64]]:
    """Yield the lines at which a field (h, w) in stops passes a level, in gentle parts of it.

    Each is float64 (n, 2), x and y as fractions. Where the field falls as over the edge of a thing
    there is no line.
    """
    from skimage.measure import find_contours

    slope = np.hypot(*np.gradient(field))
    for line in find_contours(field, level):  # type: ignore[no-untyped-call]
        for piece in _gentle(line, slope):
            yield _as_fractions(piece, field.shape)


def _gentle(line: NDArray[np.float64], slope: NDArray[np.float64]) -> Iterator[NDArray[np.float64]]:
    """Yield the pieces of a line that don't run along a cliff, where lines would only crowd."""
    rows, columns = np.round(line).astype(int).T
    is_steep = slope[rows, columns] > _CLIFF
    changes = np.flatnonzero(np.diff(is_steep)) + 1
    for piece, steep in zip(np.split(line, changes), is_steep[np.r_[0, changes]], strict=True):
        if not steep and len(piece) > 1:
            yield piece


def _as_fractions(line: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Turn rows and columns of pixel centres into x and y as fractions."""
    return np.column_stack(((line[:, 1] + 0.5) / shape[1], (line[:, 0] + 0.5) / shape[0]))


def _length(line: NDArray[np.float64]) -> float:
    return float(np.hypot(*np.diff(line, axis=0).T).sum())


def area_outlines(share: NDArray[np.floating], box: Box) -> list[NDArray[np.float64]]:
    """Return the closed outlines of one area of what is over half.

    Parameters
    ----------
    share
        Shape (h, w), 0 to 1 in each block.
    box
        Bounds of the area; only it and the blocks next to it are looked at, to part areas.

    Returns
    -------
    list of ndarray
        float64 (n, 2) of x and y as fractions, closed along the rim of the picture; the box itself
        where the area is smaller than a block.
    """
    from scipy.ndimage import gaussian_filter
    from skimage.measure import find_contours

    rows, columns = window(box, (share.shape[0], share.shape[1]))
    top, left = max(rows.start - 1, 0), max(columns.start - 1, 0)
    part = np.asarray(share[top : rows.stop + 1, left : columns.stop + 1], float)
    smooth = gaussian_filter(np.pad(part, _ROUND), _OUTLINE_SMOOTHING)
    lines = find_contours(smooth, _HALF)  # type: ignore[no-untyped-call]
    if not lines:
        x0, y0, x1, y1 = box
        return [np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)])]
    corner = (top - _ROUND, left - _ROUND)
    return [_as_fractions(line + corner, share.shape).clip(0.0, 1.0) for line in lines]


def stipple(mask: NDArray[np.bool_], *, across: int) -> NDArray[np.float64]:
    """Return staggered dots over what is True, float64 (n, 2) of x and y as fractions.

    Parameters
    ----------
    mask
        Shape (h, w).
    across
        Dots in a full row; rows lie as far apart as dots, every second moved by half.
    """
    height, width = mask.shape
    step = 1.0 / max(across, 1)
    rows = np.arange(step / 2, height / width, step)
    x, y = np.meshgrid(np.arange(step / 2, 1.0, step), rows)
    x = x + np.where(np.arange(len(rows)) % 2, step / 2, 0.0)[:, None]
    points = np.column_stack((x.ravel(), (y * width / height).ravel()))
    points = points[(points < 1.0).all(axis=1)]
    inside = mask[(points[:, 1] * height).astype(int), (points[:, 0] * width).astype(int)]
    dots: NDArray[np.float64] = points[inside]
    return dots
