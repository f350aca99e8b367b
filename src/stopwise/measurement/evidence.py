"""Evidence that a peak is full photosites and not a bright wall: a sum of ratios of likelihoods.

How flat its photosites lie in the picture, also against what other colours show there; how wide
they scatter against shot noise; whether other colours stop at the same raw level. No part decides
alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from stopwise.cells import channel
from stopwise.measurement.saturation import LOWEST

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from stopwise.cells import Cells
    from stopwise.measurement.noise import SensorNoise
    from stopwise.measurement.saturation import SaturationPeak

FULL_AT_100, FULL_SPREAD = 22_000.0, 0.75
"""Electrons of a full photosite at ISO 100: middle and spread (natural logarithm) of published
saturation capacities, 5 000 to 100 000 (data sheets after EMVA 1288; from memory). In proportion
fewer at higher sensitivities."""

_ISO_UNKNOWN = (200.0, 0.9)
"""Sensitivity that is taken where the file names none, and its spread, natural logarithm: within
one sigma 80 to 500 (common practice in a studio), within two 1 200."""

_TILES = (8, 4, 3)
"""Photosites of one plane along a tile's side: the largest of which there are enough."""

_ENOUGH_TILES, _LEAST_TILES = 20, 8
"""Tiles within a peak that tell how flat it lies, and fewer than which tell nothing."""

_MOST_ASKED = 2_000
"""Tiles of a plane that are looked at; a scatter is known to 4 % from as many."""

_FLAT_SD = 0.15
"""Spread of full photosites' flatness beside chance, natural logarithm: measured 0.1 to 0.15 on
the building half of outside material."""

_JUST_FILLED, _JUST_FILLED_SCALE = 0.03, 1.5
"""Share of peaks that light only just fills, so that it still shows in them, and how far, natural
logarithm (mean): one in thirty on the building half of outside material."""

_EDGE_JUST_FILLED = 0.5
"""The same share of edges, which are what light just fills, or the last level cuts off."""

_LIT_FLATNESS, _LIT_FLATNESS_SD = 4.3, 1.7
"""Natural logarithm of how far light scatters tiles of a lit top over its noise: middle and spread
measured on the building half of outside material (1.8 at the least, 70 in the middle)."""

_LIT_WIDTH = 0.25
"""By how much photosites of a lit tile scatter beyond shot noise, natural logarithm (mean): what
PRNU of 0.2 to 1.2 % adds to it (EMVA 1288's term), and texture."""

_FULL_WIDTHS = 6.0
"""Range of the logarithm over which full wells may scatter against shot noise, evenly: 0.05 to 1 %
against 0.3 to 6 %."""

_ONE_LEVEL, _ONE_LEVEL_TELLS, _ALONE_TELLS = 0.02, 2.0, -0.4
"""Share of the range within which colours stop alike, and what that tells: six of ten clipped
frames, and one wall in fifteen, show it (building half of outside material)."""

_UNEVEN = 2.0
"""Chances beyond which a scatter is light's: one in forty of full photosites."""

_WIDE = 0.5
"""Shot noises from which on a peak is as wide as light's own."""

_NEUTRAL_APART = 0.1
"""Stops by which a neutral must differ between two colours before their one level tells."""

_ALIKE_SDS = (0.2, 1.0)
"""By how much the scatter of lit tiles differs from what another colour's leads to expect, natural
logarithm: plain paper (measured on seeds 53000 to 53239 of outside material), and tints and texture
of its own (on the building half); each as often."""

_EDGE_ALONE = -2.3
"""What it tells that a peak doesn't stand out over its shelf: one such edge in eleven was of full
photosites, ten of light (140 frames of the building half of outside material)."""

_EDGE_MOST = 1.0
"""Natural logarithm of what an edge tells at most: 3 to 1, sure only where earlier frames of the
camera stop there too."""

_UPPER_TENTH = NormalDist().inv_cdf(0.9)
"""Standard deviations from the middle of a normal spread to its upper tenth."""

_ROUNDING = 1.0 / 12.0
"""Variance that rounding to whole levels adds, levels squared (EMVA 1288)."""

_MOST_TOLD = 5.0
"""No part of the evidence counts for more than this, natural logarithm: 150 to 1."""

_MOST_TOLD_ALIKE = 7.0
"""That two colours vary alike within the same tiles counts for 1 100 to 1 against full ones."""

_MOST_TOLD_BY_FLATNESS = 3.0
"""Flatness counts for 20 to 1 at most: a sheet can be lit with care."""


def evidence(
    cells: Cells,
    colour: int,
    peak: SaturationPeak,
    *,
    noise: SensorNoise | None,
    iso: float | None,
    others: Mapping[int, tuple[SaturationPeak, ...]],
) -> Evidence:
    """Return how much more likely full photosites are than light to make a peak.

    Parameters
    ----------
    cells
        The frame.
    colour, peak
        Index of the colour, and its peak.
    noise
        Read noise and gain, where known.
    iso
        Exposure index, where known.
    others
        Peaks of every colour, by index.

    Returns
    -------
    Evidence
        An edge that doesn't stand out over its shelf is never more likely full than not: the far
        tail of a lit top is as narrow as an edge.
    """
    tiles = _tiles_within(cells, colour, peak)
    due, due_sd = _shot_noise(cells, colour, peak.level, noise, iso)
    told, width, is_even = 0.0, peak.width, True
    if len(tiles.levels) >= _LEAST_TILES:
        told += _told_by_flatness(cells, colour, tiles, others, is_edge=not peak.stands_out)
        width = min(width, math.sqrt(tiles.within))
        is_even = peak.width < _WIDE * due or tiles.flatness <= _UNEVEN * _chance(tiles)
    told += _told_by_width(width, due, due_sd)
    told += _told_by_colours(cells, colour, peak, others)
    return Evidence(told if peak.stands_out else min(told + _EDGE_ALONE, _EDGE_MOST), is_even)


class Evidence(NamedTuple):
    """What is told of a peak.

    Attributes
    ----------
    told
        Natural logarithm of the ratio of likelihoods, full photosites to light; 0 tells nothing.
    is_even
        Whether its photosites lie as evenly as full ones do, or scatter less than light could;
        else light still shows in them, and some may not be full.
    """

    told: float
    is_even: bool


@dataclass(frozen=True, eq=False, slots=True)
class _Tiles:
    """Square tiles of photosites of one colour.

    `levels` (tiles, side, side), raw levels; `plane`, `rows` and `columns` (tiles,), which plane
    each is of and where it lies, in tiles.
    """

    levels: NDArray[np.float64]
    plane: NDArray[np.intp]
    rows: NDArray[np.intp]
    columns: NDArray[np.intp]

    @property
    def within(self) -> float:
        """Variance of photosites within a tile, levels squared."""
        return float(self.levels.var(axis=(1, 2), ddof=1).mean())

    @property
    def between(self) -> float:
        """Variance of the tiles' means, levels squared, from their upper half.

        At its rim a blown area's light falls below the stop, and so do the means of the lower half.
        """
        middle, upper = np.quantile(self.levels.mean(axis=(1, 2)), (0.5, 0.9))
        return float(((upper - middle) / _UPPER_TENTH) ** 2)

    @property
    def flatness(self) -> float:
        """Natural logarithm of how far means scatter over what their photosites' scatter leaves."""
        within = self.within + _ROUNDING
        return max(math.log((self.between * self.levels[0].size + _ROUNDING) / within), 0.0)


def _told_by_flatness(
    cells: Cells,
    colour: int,
    tiles: _Tiles,
    others: Mapping[int, tuple[SaturationPeak, ...]],
    *,
    is_edge: bool,
) -> float:
    """Compare the scatter of tiles' means with what their photosites' own scatter leaves.

    Full photosites scatter each for itself: means scatter by 1 / n of that. Light is never so even,
    and where another colour shows how it varies there, this one must vary alike to be light.
    """
    flatness, size = tiles.flatness, tiles.levels[0].size
    just_filled = _EDGE_JUST_FILLED if is_edge else _JUST_FILLED
    full = np.logaddexp(
        _normal(flatness, 0.0, _chance(tiles)) + math.log(1.0 - just_filled),
        math.log(just_filled / _JUST_FILLED_SCALE) - flatness / _JUST_FILLED_SCALE,
    )
    varies = _varying(cells, colour, tiles, others)
    if varies is None:
        lit = _normal(flatness, _LIT_FLATNESS, _LIT_FLATNESS_SD)
        return _bounded(float(full) - lit, _MOST_TOLD_BY_FLATNESS)
    signal = float(tiles.levels.mean()) - cells.black[colour]
    expected = math.log(1.0 + size * varies * signal**2 / (tiles.within + _ROUNDING))
    near, far = (_normal(flatness, expected, sd) for sd in _ALIKE_SDS)
    alike = np.logaddexp(near, far) - math.log(2.0)
    return max(min(float(full) - float(alike), _MOST_TOLD), -_MOST_TOLD_ALIKE)


def _chance(tiles: _Tiles) -> float:
    """Return how far the flatness of full photosites scatters."""
    return math.hypot(_FLAT_SD, math.sqrt(2.7 / len(tiles.levels)))


def _varying(
    cells: Cells,
    colour: int,
    tiles: _Tiles,
    others: Mapping[int, tuple[SaturationPeak, ...]],
) -> float | None:
    """Return the variance of light, relative to its mean squared, that other colours show in tiles.

    The greatest of them; None where none is well below its own stop there.
    """
    side = tiles.levels.shape[1]
    seen = []
    for other in range(len(cells.colours)):
        if channel(cells.colours[other]) == channel(cells.colours[colour]):
            continue
        plane = cells.planes[cells.plane_colours.index(other)]
        at = _indices(tiles.rows, tiles.columns, side)
        held = replace(tiles, levels=np.asarray(plane[at], dtype=np.float64))
        black, top = cells.black[other], float(np.quantile(held.levels, 0.99))
        lowest = min((one.level for one in others[other]), default=math.inf)
        mean = float(held.levels.mean()) - black
        if top < min(lowest, black + LOWEST * (cells.anchor[other] - black)) and mean > 0.0:
            light = held.between - (held.within + _ROUNDING) / side**2
            seen.append(max(light, 0.0) / mean**2)
    return max(seen, default=None)


def _shot_noise(
    cells: Cells, colour: int, level: float, noise: SensorNoise | None, iso: float | None
) -> tuple[float, float]:
    """Return the shot noise due at a level, levels, and how surely, natural logarithm."""
    signal, span = level - cells.black[colour], cells.anchor[colour] - cells.black[colour]
    usual, unsure = _ISO_UNKNOWN if iso is None else (max(iso, 100.0), 0.0)
    due = math.sqrt(signal * span * usual / 100.0 / FULL_AT_100)
    due_sd = 0.5 * math.hypot(FULL_SPREAD, unsure)
    if noise is not None and noise.is_noise:
        return noise.due(colour, signal), 0.1
    return due if noise is None else min(due, noise.due(colour, signal)), due_sd


def _told_by_width(width: float, due: float, due_sd: float) -> float:
    """Compare a scatter with the shot noise due: light can't be narrower, and is seldom wider."""
    off = math.log(max(width, 0.29) / max(due, 0.29))  # 0.29 level: rounding's own scatter
    # shot noise, not surely known, and an exponential excess: the one convolved with the other
    rate = 1.0 / _LIT_WIDTH
    tail = math.erfc((rate * due_sd**2 - off) / (math.sqrt(2.0) * due_sd))
    lit = math.log(rate / 2.0) + rate / 2.0 * (rate * due_sd**2 - 2.0 * off)
    lit += math.log(max(tail, 1e-300))
    return _bounded(-math.log(_FULL_WIDTHS) - lit, _MOST_TOLD)


def _told_by_colours(
    cells: Cells,
    colour: int,
    peak: SaturationPeak,
    others: Mapping[int, tuple[SaturationPeak, ...]],
) -> float:
    """Tell whether another colour stops at one level, where a neutral would part the two."""
    if not cells.in_colour:
        return 0.0
    near = _ONE_LEVEL * (cells.anchor[colour] - cells.black[colour])
    apart = [
        other
        for other in others
        if abs(math.log2(_gain(cells, other) / _gain(cells, colour))) > _NEUTRAL_APART
    ]
    if not apart:
        return 0.0
    agree = any(abs(one.level - peak.level) <= near for other in apart for one in others[other])
    return _ONE_LEVEL_TELLS if agree else _ALONE_TELLS


def _gain(cells: Cells, colour: int) -> float:
    """Return by what a colour's share of the range is multiplied for a neutral to be even."""
    return cells.multipliers["RGB".index(cells.colours[colour][0])]


def _normal(value: float, middle: float, sd: float) -> float:
    """Return the logarithm of a normal density; `scipy.stats` has it, and loads in 0.35 s."""
    return -0.5 * ((value - middle) / sd) ** 2 - math.log(sd) - 0.5 * math.log(2.0 * math.pi)


def _bounded(told: float, most: float) -> float:
    return max(min(told, most), -_MOST_TOLD)


def _tiles_within(cells: Cells, colour: int, peak: SaturationPeak) -> _Tiles:
    """Return tiles of a colour that lie wholly in a peak."""
    low = math.ceil(peak.level - max(3.5 * peak.width, 1.5))
    high = math.floor(peak.level + 5.0 * peak.width + 1.5)
    numbers = [number for number, own in enumerate(cells.plane_colours) if own == colour]
    for side in _TILES:
        parts = [
            _tiles_of(cells.planes[number], number, side=side, low=low, high=high)
            for number in numbers
        ]
        tiles = _Tiles(*(np.concatenate(part) for part in zip(*parts, strict=True)))
        if len(tiles.levels) >= _ENOUGH_TILES:
            break
    return tiles


def _tiles_of(
    plane: NDArray[np.uint16], number: int, *, side: int, low: int, high: int
) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Return a plane's tiles that lie between two levels, so many of them as are asked."""
    down, across = (length // side * side for length in plane.shape)
    first = plane[:down:side, :across:side]
    could = (first >= low) & (first <= high)  # a tile lies within only where its corner does
    rows, columns = np.divmod(np.flatnonzero(could), max(could.shape[1], 1))
    some = slice(None, None, max(1, len(rows) // _MOST_ASKED))
    rows, columns = rows[some], columns[some]
    levels = plane[_indices(rows, columns, side)]
    held = ((levels >= low) & (levels <= high)).all(axis=(1, 2))
    rows, columns = rows[held], columns[held]
    return levels[held].astype(np.float64), np.full(len(rows), number), rows, columns


def _indices(
    rows: NDArray[np.intp], columns: NDArray[np.intp], side: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return what takes tiles (n, side, side) out of a plane, given their places in tiles (n,)."""
    steps = np.arange(side)
    return (rows[:, None] * side + steps)[:, :, None], (columns[:, None] * side + steps)[:, None]
