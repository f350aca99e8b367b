"""Noise: read noise and gain of the sensor, from the frame itself by photon transfer."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from stopwise.grid import MAD_FACTOR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.cells import Cells
    from stopwise.frame import Masked

QUANTISING = 1.0 / 12.0
"""Variance that rounding to whole levels adds, levels squared (EMVA 1288)."""

TILE_SIDE = 16
"""Photosites of one plane along the side of a tile that gives one mean and one variance."""

TILE_FREE = (TILE_SIDE - 2) * TILE_SIDE / (1.0 + 2.0 * (16.0 + 1.0) / 36.0)
"""Degrees of freedom of a tile's variance: second differences overlap, by -4/6 and 1/6."""

LEAST_TILES = 40
"""Fewer tiles make no line: the gain's standard error would be over 0.13 / sqrt(40) = 2 %."""

_TILES_A_FRAME = 6000
"""Tiles that are looked at of one frame: they tell a variance to 0.13 / sqrt(6000) = 0.2 %."""

_FULLEST = 0.7
"""Share of the range from which a tile may reach up to where photosites stop."""

_QUIET = (0.55, 1.3)
"""A tile is quiet where its variance is so many times the line's: 3.5 standard deviations of pure
noise under it and 2.3 over it, where texture begins."""

_ROUNDS, _SETTLED = 8, 1e-4
"""Times a line is laid again at most, and the relative change of gain at which it has settled."""

_RANGES, _LEAST_IN_A_RANGE, _LOW = 14, 8, 0.1
"""Ranges of means whose lowest tenth of variances starts the line, and the fewest tiles of one."""

_MOST_SCORED = 2000
"""Tiles that a first line is held against."""

_FEW = 0.02
"""Share of the tiles that may lie under a first line: pure noise leaves 3e-4."""

_MOST_SCATTER = 0.15
"""Noise alone scatters a tile's variance by sqrt(2 / TILE_FREE) = 0.13, texture by more."""

_LEAST_QUIET = 200
"""Quiet tiles that one colour's own scatter needs to show that they are free of texture."""

_FEIGNED = 1.3
"""A gain so many times that of the twin greens is texture's (set on our own renderer)."""

_LEAST_MASKED, _MOST_OUT = 256, 4.0
"""Fewest masked photosites that tell a mean, and robust standard deviations beyond which one is
defective (one in 16 000 by chance)."""


# --- photon transfer ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Transfer:
    """A line through variance against mean.

    Attributes
    ----------
    dark
        Variance at no signal.
    gain
        Variance for each level of signal.
    gain_error
        Standard error of `gain`.
    scatter
        Standard deviation of the variances over the line, of those that were taken for quiet.
    quiet
        How many those are.
    """

    dark: float
    gain: float
    gain_error: float
    scatter: float = 0.0
    quiet: int = 0

    def against(
        self, means: NDArray[np.float64], variances: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return variances (n,) as factors of what the line has at means (n,), levels."""
        return variances / np.maximum(self.dark + self.gain * np.maximum(means, 0.0), 1e-6)


def photon_transfer(
    means: NDArray[np.float64],
    variances: NDArray[np.float64],
    *,
    free: float = TILE_FREE,
    dark: float | None = None,
) -> Transfer:
    """Fit variance = dark + gain x mean.

    Parameters
    ----------
    means
        (n,), signal above black, levels.
    variances
        (n,), levels squared.
    free
        Degrees of freedom of each variance.
    dark
        Variance at no signal where it is known (masked photosites); None to fit it.

    Returns
    -------
    Transfer
        Both parts at least 0.

    Raises
    ------
    ValueError
        If there are no points.

    Notes
    -----
    The linear camera model of EMVA 1288: the variance of the signal is the gain times its mean,
    upon read noise and quantising. Each variance of k degrees of freedom has a relative standard
    error of sqrt(2/k), so the points are weighed by one over their fitted variance squared.
    """
    if len(means) == 0:
        msg = "photon transfer needs at least one mean and variance"
        raise ValueError(msg)
    fitted = np.maximum(variances, 1e-3)
    for _ in range(_ROUNDS):
        line = _weighted_line(means, variances, free / (2.0 * fitted**2), dark)
        fitted = np.maximum(line.dark + line.gain * means, 1e-3)
    return line


def _weighted_line(
    means: NDArray[np.float64],
    variances: NDArray[np.float64],
    weight: NDArray[np.float64],
    dark: float | None,
) -> Transfer:
    """Return the line of points whose variance is 1 / weight, both parts at least 0.

    An intercept that lies within three of its own errors of 0 is 0: a frame of one brightness can't
    tell the two parts from each other, and photon noise is the greater one in all but the dark.
    """
    squares = max(float(weight @ means**2), 1e-30)
    fixed = 0.0 if dark is None else dark
    through = float(weight @ (means * (variances - fixed))) / squares
    known = Transfer(fixed, max(through, 0.0), 1.0 / math.sqrt(squares))
    if dark is not None:
        return known
    mean, level = np.average(means, weights=weight), np.average(variances, weights=weight)
    spread = max(float(weight @ (means - mean) ** 2), 1e-30)
    slope = float(weight @ ((means - mean) * (variances - level))) / spread
    intercept = float(level - slope * mean)
    if intercept < 3.0 * math.sqrt(1.0 / float(weight.sum()) + float(mean**2) / spread):
        return known
    error = 1.0 / math.sqrt(spread)
    return Transfer(intercept, slope, error) if slope > 0.0 else Transfer(float(level), 0.0, error)


def quiet_line(
    means: NDArray[np.float64],
    variances: NDArray[np.float64],
    line: Transfer,
    *,
    dark: float | None = None,
) -> Transfer | None:
    """Fit a line again and again to the tiles that lie near it; None with too few of them.

    Parameters
    ----------
    means, variances
        (n,), levels above black and levels squared.
    line
        What to begin with.
    dark
        Variance at no signal where it is known.
    """
    for _ in range(_ROUNDS):
        share = line.against(means, variances)
        quiet = (share > _QUIET[0]) & (share < _QUIET[1])
        if quiet.sum() < LEAST_TILES:
            return None
        before, line = line, photon_transfer(means[quiet], variances[quiet], dark=dark)
        if abs(line.gain - before.gain) < _SETTLED * line.gain:
            break
    return replace(line, scatter=float(np.std(share[quiet])), quiet=int(quiet.sum()))


def lowest_line(means: NDArray[np.float64], variances: NDArray[np.float64]) -> Transfer:
    """Return the line through two low points that has most tiles on it and next to none under.

    Parameters
    ----------
    means, variances
        (n,), levels above black and levels squared. The low points are the lowest tenth of the
        variances of each range of means, raised by what a tenth of pure noise lies low.
    """
    order = np.argsort(means)
    parts = np.array_split(order, max(1, min(_RANGES, len(order) // _LEAST_IN_A_RANGE)))
    middle = np.array([np.median(means[part]) for part in parts])
    low = np.array([np.quantile(variances[part], _LOW) for part in parts])
    # the cube root of chi square over its degrees of freedom is near normal (Wilson and Hilferty)
    off = 2.0 / (9.0 * TILE_FREE)
    low /= (1.0 - off + NormalDist().inv_cdf(_LOW) * math.sqrt(off)) ** 3
    every = -(-len(means) // _MOST_SCORED)
    means, variances = means[::every], variances[::every]
    lines = [photon_transfer(middle, low)]
    for one, other in combinations(range(len(middle)), 2):
        gain = (low[other] - low[one]) / max(middle[other] - middle[one], 1e-9)
        dark = low[one] - gain * middle[one]
        if gain >= 0.0 and dark >= 0.0:
            lines.append(Transfer(float(dark), float(gain), 0.0))

    def merit(line: Transfer) -> tuple[bool, int]:
        share = line.against(means, variances)
        under = float(np.mean(share < _QUIET[0]))
        return under <= _FEW, int(np.sum((share > _QUIET[0]) & (share < _QUIET[1])))

    return max(lines, key=merit)


# --- the sensor -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SensorNoise:
    """How the variance of a photosite grows with its signal, colour by colour.

    Attributes
    ----------
    dark
        Variance without light, levels squared: read noise and quantising together.
    gain
        Variance for each level of signal: levels for one electron.
    gain_error
        Standard error of `gain`.
    is_noise
        Whether the frame has quiet tiles enough; else texture may feign much of it.
    """

    dark: tuple[float, ...]
    gain: tuple[float, ...]
    gain_error: tuple[float, ...]
    is_noise: bool = True

    def variance(self, colour: int, signal: NDArray[np.float32] | float) -> NDArray[np.float64]:
        """Return variances, levels squared, at signals of any shape, levels above black."""
        return np.asarray(self.dark[colour] + self.gain[colour] * np.maximum(signal, 0.0))

    def due(self, colour: int, signal: float) -> float:
        """Return the least noise due at a signal, levels: with the gain two errors lower."""
        gain = max(self.gain[colour] - 2.0 * self.gain_error[colour], 0.0)
        return math.sqrt(self.dark[colour] + gain * max(signal, 0.0))


def sensor_noise(cells: Cells, masked: Masked | None = None) -> SensorNoise | None:
    """Return read noise and gain from the quietest tiles of a frame.

    Parameters
    ----------
    cells
        The frame.
    masked
        Optically black photosites, where the frame has them: they give the dark variance.

    Returns
    -------
    SensorNoise or None
        None where fewer than 40 tiles are quiet and unclipped. A colour with too few tiles takes
        what all colours give together.

    Notes
    -----
    Tiles of 16 x 16 photosites of one plane give a mean and, from second differences along rows,
    which a slope of light doesn't touch, a variance. Texture only adds variance, so the line is
    laid through the tiles that lie low: it starts at the lowest tenth of each range of means
    (raised by what a tenth of pure noise lies low) and then takes what lies within 0.55 to 1.3 of
    the line. Where the two greens of a cell tell a gain lower by a third, all else is texture and
    theirs is taken; where too few of their tiles lie under 0.7 of the range to tell, the gain is
    not trusted for a saturation peak. Where no tile is free of texture finer than a cell the gain
    is too large.
    """
    found = [_tiles_of(cells, colour) for colour in range(len(cells.colours))]
    means, variances = (np.concatenate(parts) for parts in zip(*found, strict=True))
    if len(means) < LEAST_TILES:
        return None
    line = quiet_line(means, variances, lowest_line(means, variances))
    together = _free_of_texture(cells, line)
    if together is None:
        return None
    lines = []
    for colour, (own_means, own_variances) in enumerate(found):
        own = quiet_line(
            own_means, own_variances, together, dark=MaskedLevels.of(masked, colour).variance
        )
        middle = float(np.median(own_means)) if own is not None else 0.0
        most = _FEIGNED * (together.dark + together.gain * middle)
        is_own = own is not None and own.dark + own.gain * middle <= most
        lines.append(own if own is not None and is_own else together)
    return SensorNoise(
        tuple(line.dark for line in lines),
        tuple(line.gain for line in lines),
        tuple(line.gain_error for line in lines),
        is_noise=together.scatter <= _MOST_SCATTER,
    )


def _free_of_texture(cells: Cells, line: Transfer | None) -> Transfer | None:
    """Return the twin greens' line where texture feigns the frame's; unsure where they're few."""
    if len(cells.planes_of("G")) < 2:
        if line is None or line.quiet >= _LEAST_QUIET:
            return line
        return replace(line, scatter=math.inf)
    twins = _twin_line(cells)
    if twins is None:
        return None if line is None else replace(line, scatter=math.inf)
    return twins if line is None or line.gain > _FEIGNED * twins.gain else line


def _twin_line(cells: Cells) -> Transfer | None:
    """Return the line of two greens of one cell: texture that both see cancels between them."""
    greens = cells.planes_of("G")[:2]
    first, other = (
        _sample(cells.planes[number], _TILES_A_FRAME // 2).astype(np.float32) for number in greens
    )
    black = sum(cells.black[cells.plane_colours[number]] for number in greens) / 2.0
    mean = (first + other).mean(axis=(1, 2), dtype=np.float64) / 2.0 - black
    usable = _usable(cells, cells.plane_colours[greens[0]], mean, first)
    means, variances = mean[usable], _variance(first - other)[usable] / 2.0
    if len(means) < LEAST_TILES:
        return None
    return quiet_line(means, variances, lowest_line(means, variances))


def _tiles_of(cells: Cells, colour: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean above black and variance of a sample of tiles of one colour, (n,) each."""
    means, variances = [], []
    for plane, own in zip(cells.planes, cells.plane_colours, strict=True):
        if own == colour:
            tiles = _sample(plane, _TILES_A_FRAME // len(cells.planes)).astype(np.float32)
            mean = tiles.mean(axis=(1, 2), dtype=np.float64) - cells.black[colour]
            usable = _usable(cells, colour, mean, tiles)
            means.append(mean[usable])
            variances.append(_variance(tiles)[usable])
    return np.concatenate(means), np.concatenate(variances)


def _usable(
    cells: Cells, colour: int, mean: NDArray[np.float64], tiles: NDArray[np.float32]
) -> NDArray[np.bool_]:
    """Return which tiles neither reach up to where photosites stop nor are cut off at 0."""
    span = cells.anchor[colour] - cells.black[colour]
    return np.asarray((mean < _FULLEST * span) & ((tiles == 0).mean(axis=(1, 2)) < 0.01))


def _sample(plane: NDArray[np.uint16], wanted: int) -> NDArray[np.uint16]:
    """Return about `wanted` tiles spread over a plane, (tiles, 16, 16)."""
    rows, columns = plane.shape
    tall, wide = min(TILE_SIDE, rows), min(TILE_SIDE, columns)
    every = math.sqrt(rows * columns / (tall * wide * max(wanted, 1)))
    down, across = (
        np.linspace(0, side - part, max(1, round(side / part / max(every, 1.0)))).astype(np.intp)
        for side, part in ((rows, tall), (columns, wide))
    )
    bands = (plane[top : top + tall] for top in down)
    return np.stack([band[:, left : left + wide] for band in bands for left in across])


def _variance(tiles: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return the variance of each tile (tiles, 16, 16) from second differences along its rows."""
    bend = tiles[:, :, :-2] - 2.0 * tiles[:, :, 1:-1] + tiles[:, :, 2:]
    flat = bend.reshape(len(tiles), -1)
    squares = np.einsum("ij,ij->i", flat, flat, dtype=np.float64)
    return np.asarray(squares / (6.0 * flat.shape[1]))


@dataclass(frozen=True, slots=True)
class MaskedLevels:
    """What a colour's masked photosites say without outliers; None where they are too few.

    Attributes
    ----------
    mean, error
        Their mean, raw levels, and its standard error, taking photosites as independent.
    variance
        Levels squared.
    """

    mean: float | None = None
    error: float | None = None
    variance: float | None = None

    @classmethod
    def of(cls, masked: Masked | None, colour: int) -> MaskedLevels:
        """Read the masked photosites of one colour."""
        if masked is None:
            return cls()
        held = masked.levels[masked.colour == colour].astype(np.float64)
        if len(held) < _LEAST_MASKED:
            return cls()
        middle = np.median(held)
        scatter = max(MAD_FACTOR * float(np.median(np.abs(held - middle))), 0.5)
        held = held[np.abs(held - middle) <= _MOST_OUT * scatter]
        spread = float(np.std(held))
        return cls(float(np.mean(held)), spread / math.sqrt(len(held)), float(np.var(held)))
