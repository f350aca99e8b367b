"""Clipping: what is full, exactly and by colour, where it lies, and how much room is left."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.frame import window
from stopwise.measurement.figures import BlownArea, ClippedAtMost, Clipping, Pinpoints
from stopwise.measurement.levels import thresholds

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from stopwise.cells import Cells
    from stopwise.frame import Box, Window
    from stopwise.measurement.figures import Levels

PINPOINT_LARGEST = 0.00005
"""Areas of a smaller fraction of the frame are pinpoints, where no plan says otherwise: of 0.65 %
of the picture's width, as a catchlight is (common practice)."""

MOST_AREAS = 200
"""Blown areas that are listed; the masks hold them all."""

HEADROOM_PERCENTILE = 99.9
"""Of a frame's photosites of one colour: what a person calls the brightest part, pinpoints left
out."""

_EIGHT = np.ones((3, 3), dtype=bool)
"""Cells touching by a side or a corner are connected."""


@dataclass(frozen=True, eq=False, slots=True)
class ClippedCells:
    """Which cells of a frame are clipped.

    Attributes
    ----------
    any
        bool (h, w), cells with a clipped photosite.
    blown
        bool (h, w), those of areas that are too large for a pinpoint.
    every
        How many cells have every photosite clipped.
    areas
        Blown areas, largest first, `MOST_AREAS` at most.
    pinpoints
        What is too small for an area.
    """

    any: NDArray[np.bool_]
    blown: NDArray[np.bool_]
    every: int
    areas: tuple[BlownArea, ...]
    pinpoints: Pinpoints


def find_clipped(
    cells: Cells, levels: Levels, *, pinpoint_largest: float = PINPOINT_LARGEST
) -> ClippedCells | None:
    """Find the clipped cells.

    Parameters
    ----------
    cells, levels
        The frame and where its photosites stop.
    pinpoint_largest
        Fraction of the frame's cells under which a connected area is a pinpoint.

    Returns
    -------
    ClippedCells or None
        None where the histograms show that no photosite is clipped.
    """
    from scipy.ndimage import find_objects, label

    limits = thresholds(levels)
    if not any(_full(cells, limits).values()):
        return None
    some, every = cells.reaching(limits)
    rows, columns = (np.flatnonzero(some.any(axis=axis)) for axis in (1, 0))
    top, left = int(rows[0]), int(columns[0])
    reach = (slice(top, int(rows[-1]) + 1), slice(left, int(columns[-1]) + 1))
    labels, _ = label(some[reach], structure=_EIGHT)
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    is_large = sizes >= max(pinpoint_largest * some.size, 1.0)
    blown = np.zeros_like(some)
    blown[reach] = is_large[labels]
    windows = find_objects(labels)
    largest = sorted(np.flatnonzero(is_large), key=lambda number: -int(sizes[number]))
    specks = sizes[~is_large & (sizes > 0)]
    return ClippedCells(
        any=some,
        blown=blown,
        every=int(np.count_nonzero(every)),
        areas=tuple(
            _area(labels[at] == number, at, (top, left), some.shape)
            for number in largest[:MOST_AREAS]
            if (at := windows[number - 1]) is not None
        ),
        pinpoints=Pinpoints(len(specks), float(specks.sum()) / some.size),
    )


def _area(
    held: NDArray[np.bool_], at: Window, corner: tuple[int, int], shape: tuple[int, ...]
) -> BlownArea:
    """Return an area, given its cells within a window that lies so far off the frame's corner."""
    rows, columns = held.sum(axis=1), held.sum(axis=0)
    (tall, wide), (top, left) = shape, (at[0].start + corner[0], at[1].start + corner[1])
    return BlownArea(
        fraction=int(rows.sum()) / (tall * wide),
        box=(left / wide, top / tall, (left + held.shape[1]) / wide, (top + held.shape[0]) / tall),
        centre=(
            float((np.average(np.arange(len(columns)), weights=columns) + left + 0.5) / wide),
            float((np.average(np.arange(len(rows)), weights=rows) + top + 0.5) / tall),
        ),
    )


def read_clipping(
    cells: Cells,
    levels: Levels,
    clipped: ClippedCells | None,
    *,
    patches: Mapping[str, Box] | None = None,
    blocked: int | None = None,
    doubt: ClippedAtMost | None = None,
) -> Clipping:
    """Count what is clipped and blocked.

    Parameters
    ----------
    cells, levels, clipped
        The frame, where its photosites stop, and `find_clipped` of both.
    patches
        Boxes by name; a blown area whose centroid lies in one names it.
    blocked
        Cells under Zone 1; None where zones aren't seen.
    doubt
        `find_doubt` of the frame.

    Returns
    -------
    Clipping
        Colours are counted exactly, on the mosaic's histograms, before any balance.
    """
    full = _full(cells, thresholds(levels))
    areas = () if clipped is None else clipped.areas
    least = 0.0 if clipped is None else float(np.count_nonzero(clipped.any)) / cells.size
    return Clipping(
        any=least,
        all=0.0 if clipped is None else clipped.every / cells.size,
        by_colour={
            name: full[name] / (len(cells.planes_of(name)) * cells.size) for name in cells.channels
        },
        headroom_stops={name: _headroom(cells, levels, name) for name in cells.channels},
        areas=tuple(replace(area, patch=_holding(area.centre, patches or {})) for area in areas),
        pinpoints=Pinpoints(0, 0.0) if clipped is None else clipped.pinpoints,
        blocked=None if blocked is None else blocked / cells.size,
        may_be=None if doubt is None else (least, max(least, doubt.most)),
    )


def find_doubt(
    cells: Cells,
    levels: Levels,
    patches: Mapping[str, Box],
    *,
    surely: ClippedCells | None,
    pinpoint_largest: float = PINPOINT_LARGEST,
) -> ClippedAtMost | None:
    """Find what is clipped at most.

    Parameters
    ----------
    cells, levels
        The frame, and where its photosites stop for sure and perhaps.
    patches
        Boxes by name.
    surely
        `find_clipped` of the frame.
    pinpoint_largest
        Fraction of the frame's cells under which a connected area is a pinpoint.

    Returns
    -------
    ClippedAtMost or None
        None where no level is in doubt, or no other cell is clipped by what is.
    """
    if levels.doubted is None:
        return None
    between = zip(cells.histograms, levels.doubted, thresholds(levels), strict=True)
    if not any(counts[lowest:sure].any() for counts, lowest, sure in between):
        return None
    lowest = tuple(float(level) for level in levels.doubted)
    most = replace(levels, saturation=lowest, tolerance=tuple(0.0 for _ in lowest))
    clipped = find_clipped(cells, most, pinpoint_largest=pinpoint_largest)
    most_cells = 0 if clipped is None else int(np.count_nonzero(clipped.any))
    if clipped is None or most_cells == (0 if surely is None else np.count_nonzero(surely.any)):
        return None
    return ClippedAtMost(
        most=most_cells / cells.size,
        areas=tuple(replace(area, patch=_holding(area.centre, patches)) for area in clipped.areas),
        patches={
            name: float(clipped.blown[window(box, cells.shape)].mean())
            for name, box in patches.items()
        },
        lower=max(
            math.log2((stop - black) / (low - black))
            for stop, low, black in zip(levels.saturation, lowest, levels.black, strict=True)
        ),
    )


def headroom_stops(
    counts: NDArray[np.int64], *, black: float, saturation: float, percentile: float
) -> float | None:
    """Return the stops from a percentile of raw levels to saturation.

    Parameters
    ----------
    counts
        int64 (n,), photosites at each raw level.
    black, saturation
        Raw levels.
    percentile
        Of the photosites, 0 to 100: the least level at or under which so many stand.

    Returns
    -------
    float or None
        -log2((level - black) / (saturation - black)), never below 0; None where the level doesn't
        lie above black.
    """
    standing = np.cumsum(counts)
    level = int(np.searchsorted(standing, percentile / 100.0 * standing[-1]))
    if not level > black:
        return None
    return max(math.log2((saturation - black) / (level - black)), 0.0)


def _headroom(cells: Cells, levels: Levels, name: str) -> float | None:
    """Return the least headroom of a channel's colours."""
    rooms = [
        headroom_stops(
            cells.histograms[colour],
            black=cells.black[colour],
            saturation=levels.saturation[colour],
            percentile=HEADROOM_PERCENTILE,
        )
        for colour in cells.colours_of(name)
    ]
    return min((room for room in rooms if room is not None), default=None)


def _full(cells: Cells, limits: tuple[int, ...]) -> dict[str, int]:
    """Return the number of clipped photosites of each channel."""
    return {
        name: sum(int(cells.histograms[c, limits[c] :].sum()) for c in cells.colours_of(name))
        for name in cells.channels
    }


def _holding(point: tuple[float, float], patches: Mapping[str, Box]) -> str | None:
    """Return the first patch that a point lies in."""
    for name, (x0, y0, x1, y1) in patches.items():
        if x0 <= point[0] <= x1 and y0 <= point[1] <= y1:
            return name
    return None
