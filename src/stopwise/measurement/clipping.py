"""Clipping: what is full, exactly and by colour, where it lies, and how much room is left."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.levels import thresholds
from stopwise.measurement.measurement import BlownArea, Clipping, Pinpoints

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from stopwise.measurement.cells import Cells
    from stopwise.measurement.measurement import Box, Levels

PINPOINT_LARGEST = 0.00005
"""Areas of a smaller fraction of the frame are pinpoints, where no plan says otherwise."""

MOST_AREAS = 200
"""Blown areas that are listed; the masks hold them all."""

HEADROOM_PERCENTILE = 99.9

_EIGHT = np.ones((3, 3), dtype=bool)


@dataclass(frozen=True, eq=False, slots=True)
class ClipMasks:
    """Which cells are clipped, bool (h, w) each.

    Attributes
    ----------
    any, all
        Cells with at least one, and with every, photosite clipped.
    blown
        Clipped cells of areas that are too large for a pinpoint.
    labels
        int32 (h, w), number of the connected area that each cell belongs to; 0 for none.
    sizes
        Cells of each area, by its number; that of 0 is 0.
    largest_pinpoint
        Cells; an area of as many or more is blown.
    """

    any: NDArray[np.bool_]
    all: NDArray[np.bool_]
    blown: NDArray[np.bool_]
    labels: NDArray[np.int32]
    sizes: NDArray[np.int64]
    largest_pinpoint: float


def clip_masks(
    cells: Cells, levels: Levels, *, pinpoint_largest: float = PINPOINT_LARGEST
) -> ClipMasks | None:
    """Find the clipped cells.

    Parameters
    ----------
    cells, levels
        The frame and where its photosites stop.
    pinpoint_largest
        Fraction of the frame's cells under which a connected area is a pinpoint.

    Returns
    -------
    ClipMasks or None
        None where the histograms show that no photosite is clipped. Cells touching by a side or a
        corner are connected.
    """
    limits = thresholds(levels)
    if not any(_full(cells, limits).values()):
        return None
    first, *others = (
        plane >= limits[colour]
        for plane, colour in zip(cells.planes, cells.plane_colours, strict=True)
    )
    some, every = first.copy(), first
    for mask in others:
        some |= mask
        every &= mask
    labels, sizes = _labelled(some)
    limit = pinpoint_largest * some.size
    blown = (sizes >= limit) & (sizes > 0)
    return ClipMasks(some, every, blown[labels], labels, sizes, limit)


def read_clipping(
    cells: Cells,
    levels: Levels,
    masks: ClipMasks | None,
    *,
    patches: Mapping[str, Box] | None = None,
    blocked_under: float | None = None,
) -> Clipping:
    """Count what is clipped and blocked.

    Parameters
    ----------
    cells, levels, masks
        The frame, where its photosites stop, and `clip_masks` of both.
    patches
        Boxes by name; a blown area whose centroid lies in one names it.
    blocked_under
        Y under which a cell is blocked; None where zones aren't seen.

    Returns
    -------
    Clipping
        Colours are counted exactly, on the mosaic's histograms, before any balance.
    """
    full = _full(cells, thresholds(levels))
    areas, pinpoints = ([], []) if masks is None else _areas(masks, patches or {})
    shape = cells.luminance.size
    return Clipping(
        any=0.0 if masks is None else float(np.count_nonzero(masks.any)) / shape,
        all=0.0 if masks is None else float(np.count_nonzero(masks.all)) / shape,
        by_colour={name: full[name] / _photosites(cells, name) for name in cells.channels},
        headroom_stops={name: _headroom(cells, levels, name) for name in cells.channels},
        areas=tuple(areas[:MOST_AREAS]),
        pinpoints=Pinpoints(len(pinpoints), float(sum(pinpoints)) / shape),
        blocked=None
        if blocked_under is None
        else float(np.count_nonzero(cells.luminance < blocked_under)) / shape,
    )


def headroom_stops(
    counts: NDArray[np.int64], *, black: float, saturation: float, percentile: float
) -> float | None:
    """Return the stops from a percentile of raw levels to saturation.

    Parameters
    ----------
    counts
        Photosites at each raw level.
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
        for colour in _colours(cells, name)
    ]
    return min((room for room in rooms if room is not None), default=None)


def _colours(cells: Cells, name: str) -> set[int]:
    return {cells.plane_colours[number] for number in cells.planes_of(name)}


def _photosites(cells: Cells, name: str) -> int:
    return len(cells.planes_of(name)) * cells.luminance.size


def _full(cells: Cells, limits: tuple[int, ...]) -> dict[str, int]:
    """Return the number of clipped photosites of each channel."""
    return {
        name: sum(int(cells.histograms[c, limits[c] :].sum()) for c in _colours(cells, name))
        for name in cells.channels
    }


def _labelled(mask: NDArray[np.bool_]) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
    """Return numbers of connected areas and each one's size; 0 is what isn't clipped."""
    from scipy.ndimage import label

    labels = np.zeros(mask.shape, dtype=np.int32)
    rows, columns = (_reach(np.asarray(mask.any(axis=axis))) for axis in (1, 0))
    label(mask[rows, columns], structure=_EIGHT, output=labels[rows, columns])
    sizes = np.bincount(labels[mask]) if mask.any() else np.zeros(1, dtype=np.int64)
    return labels, sizes


def _reach(marked: NDArray[np.bool_]) -> slice:
    """Return the slice from the first to the last mark."""
    places = np.flatnonzero(marked)
    return slice(int(places[0]), int(places[-1]) + 1) if len(places) else slice(0, 1)


def _areas(masks: ClipMasks, patches: Mapping[str, Box]) -> tuple[list[BlownArea], list[int]]:
    """Return blown areas, largest first, and the sizes of the pinpoints."""
    from scipy.ndimage import find_objects

    large = masks.sizes >= masks.largest_pinpoint
    windows = find_objects(masks.labels)
    areas = [
        _area(masks.labels, int(number), windows[number - 1], patches)
        for number in np.flatnonzero(large)
        if masks.sizes[number]
    ]
    specks = masks.sizes[(masks.sizes > 0) & ~large]
    return sorted(areas, key=lambda area: -area.fraction), [int(size) for size in specks]


def _area(
    labels: NDArray[np.int32],
    number: int,
    window: tuple[slice, slice],
    patches: Mapping[str, Box],
) -> BlownArea:
    rows, columns = np.nonzero(labels[window] == number)
    tall, wide = labels.shape
    top, left = window[0].start, window[1].start
    centre = (
        float((columns.mean() + left + 0.5) / wide),
        float((rows.mean() + top + 0.5) / tall),
    )
    return BlownArea(
        fraction=len(rows) / labels.size,
        box=(left / wide, top / tall, window[1].stop / wide, window[0].stop / tall),
        centre=centre,
        patch=next((name for name, box in patches.items() if _holds(box, centre)), None),
    )


def _holds(box: Box, point: tuple[float, float]) -> bool:
    x0, y0, x1, y1 = box
    return x0 <= point[0] <= x1 and y0 <= point[1] <= y1
