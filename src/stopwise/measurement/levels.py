"""Levels: black, anchor, and where photosites of each colour really stop."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.heaps import LOWEST, MOST_HOT, find_heap
from stopwise.measurement.measurement import Levels, SaturationSource

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from stopwise.measurement.cells import Cells
    from stopwise.measurement.heapfit import Heap
    from stopwise.measurement.noise import SensorNoise

LEARNED_WIDTHS = 0.5
"""Tolerance of a learned level in shot noises due there: heaps are up to 0.4 of one wide."""

_LEARNED_SHARE = 0.002
_TOGETHER = 0.35
_MOST_ASKED = 20_000
_FEWEST_ELECTRONS = 400.0
_ELECTRONS_AT_100 = 8000.0
_MOST_ELECTRONS = 200_000.0
"""Bounds of what a photosite holds: they bound the gain that texture may feign."""
_STRONGEST_FIRST: tuple[SaturationSource, ...] = ("plan", "observed", "learned", "file")


@dataclass(frozen=True, slots=True)
class _Found:
    level: float
    tolerance: float
    source: SaturationSource


def find_levels(
    cells: Cells,
    *,
    noise: SensorNoise | None,
    raw_clip: float | None = None,
    learned: Mapping[str, float] | None = None,
    iso: float | None = None,
) -> Levels:
    """Find where photosites stop: by the plan, a pile-up seen here, a learned level, or the file.

    Parameters
    ----------
    cells
        The frame.
    noise
        Its read noise and gain; without it no pile-up can be told from light.
    raw_clip
        The plan's level, raw levels; it overrules all others.
    learned
        Levels that other frames of this camera at this ISO showed, by colour. One that more than
        1e-4 of the colour's photosites stand above is not used.
    iso
        Exposure index, where known: it bounds the gain that texture may feign.

    Returns
    -------
    Levels
        A colour with no heap takes the median level of those that have one. Tolerances: by the
        plan and the file 0; of a heap the distance down to the level from which on as many
        photosites stand as are full; learned, half the shot noise due there.

    Notes
    -----
    Zones never use these levels, only `anchor`: tones don't move when a level is learned.
    """
    if raw_clip is not None:
        every = tuple(raw_clip for _ in cells.colours)
        return Levels(cells.black, every, every, "plan", tuple(0.0 for _ in every))
    heaps = _heaps(cells, noise, iso)
    found = [
        _observed(heaps, colour)
        or _by_learning(cells, colour, noise, learned or {})
        or _Found(cells.anchor[colour], 0.0, "file")
        for colour in range(len(cells.colours))
    ]
    return Levels(
        black=cells.black,
        saturation=tuple(one.level for one in found),
        anchor=cells.anchor,
        saturation_source=max((one.source for one in found), key=_STRONGEST_FIRST.index),
        tolerance=tuple(one.tolerance for one in found),
        observed={
            name: heap.level for name, heap in zip(cells.colours, heaps, strict=True) if heap
        },
    )


def thresholds(levels: Levels) -> tuple[int, ...]:
    """Return for each colour the least whole raw level that counts as clipped."""
    return tuple(
        math.ceil(level - tolerance)
        for level, tolerance in zip(levels.saturation, levels.tolerance, strict=True)
    )


def share_above(cells: Cells, learned: Mapping[str, float]) -> dict[str, float]:
    """Return for each colour the share of its photosites that stand above a learned level.

    A photosite counts once it stands above by more than a heap reaches: two shot noises' widths of
    a heap, but at least 0.2 % of the range.
    """
    return {
        name: _above(cells, colour, learned[name])
        for colour, name in enumerate(cells.colours)
        if name in learned
    }


def _above(cells: Cells, colour: int, level: float) -> float:
    histogram = cells.histograms[colour]
    spare = _LEARNED_SHARE * (level - cells.black[colour])
    return float(histogram[math.floor(level + spare) + 1 :].sum() / max(histogram.sum(), 1))


def _observed(heaps: list[Heap | None], colour: int) -> _Found | None:
    own = heaps[colour]
    if own is not None:
        return _Found(own.level, max(own.level - own.threshold, 0.0), "observed")
    others = [heap for heap in heaps if heap is not None]
    if not others:
        return None
    level = median(heap.level for heap in others)
    return _Found(level, median(heap.level - heap.threshold for heap in others), "observed")


def _by_learning(
    cells: Cells, colour: int, noise: SensorNoise | None, learned: Mapping[str, float]
) -> _Found | None:
    level = learned.get(cells.colours[colour])
    if level is None or _above(cells, colour, level) > MOST_HOT:
        return None
    span = level - cells.black[colour]
    due = _LEARNED_SHARE * span if noise is None else noise.due(colour, span)
    return _Found(level, LEARNED_WIDTHS * due, "learned")


def _heaps(cells: Cells, noise: SensorNoise | None, iso: float | None) -> list[Heap | None]:
    if noise is None:
        return [None for _ in cells.colours]
    return [_heap(cells, noise, colour, iso) for colour in range(len(cells.colours))]


def _heap(cells: Cells, noise: SensorNoise, colour: int, iso: float | None) -> Heap | None:
    black, span = cells.black[colour], cells.anchor[colour] - cells.black[colour]
    least_electrons = _ELECTRONS_AT_100 * 100.0 / max(iso, 100.0) if iso else 0.0
    full_well = max(least_electrons, _FEWEST_ELECTRONS) if noise.is_noise else _MOST_ELECTRONS

    def due(level: float) -> float:
        signal = max(level - black, 1.0)
        dark = noise.dark[colour] if noise.is_noise else 0.0
        return min(noise.due(colour, signal), math.sqrt(dark + span / full_well * signal))

    def holds(heap: Heap) -> bool:
        return _stands_together(cells, colour, heap.threshold)

    return find_heap(cells.histograms[colour], lowest=black + LOWEST * span, due=due, holds=holds)


def _stands_together(cells: Cells, colour: int, threshold: int) -> bool:
    """Tell whether many of a colour's photosites from a level on have company there.

    Company is a photosite of the same plane beside, above or below, or any other photosite of the
    cell. Full photosites lie together, hot ones alone.
    """
    standing = beside = 0
    for number, plane in enumerate(cells.planes):
        if cells.plane_colours[number] == colour:
            rows, columns = _sample_of(plane >= threshold)
            company = _neighbours_stand(plane, rows, columns, threshold)
            for other in (*cells.planes[:number], *cells.planes[number + 1 :]):
                company |= other[rows, columns] >= threshold
            standing += len(rows)
            beside += int(np.count_nonzero(company))
    return beside >= _TOGETHER * standing


def _sample_of(mask: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return rows and columns of the marked photosites, evenly thinned out where they are many."""
    places = np.flatnonzero(mask)
    every = -(-len(places) // _MOST_ASKED) or 1
    rows, columns = np.divmod(places[::every], mask.shape[1])
    return rows, columns


def _neighbours_stand(
    plane: NDArray[np.uint16],
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    threshold: int,
) -> NDArray[np.bool_]:
    tall, wide = plane.shape
    company = np.zeros(len(rows), dtype=bool)
    for down, across in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        row, column = rows + down, columns + across
        inside = (row >= 0) & (row < tall) & (column >= 0) & (column < wide)
        company |= inside & (plane[row % tall, column % wide] >= threshold)
    return company
