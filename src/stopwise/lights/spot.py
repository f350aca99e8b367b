"""The spot of a narrow lamp: where it falls, how wide, how soft; and what changed in a frame."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from stopwise.lights.fieldcells import coarse, shifted
from stopwise.measuring.quantiles import MAD_FACTOR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.lights.fieldcells import Grids, Placed
    from stopwise.measuring.measurement import Point

    Floats = NDArray[np.float64]

SpotState = Literal["steady", "sitter out of the spot", "spot moved", "lamp changed", "not seen"]

LEAST_MOVE = 0.015
"""Fraction of the picture's width from which a spot counts as moved."""

LEAST_LOSS_STOPS = 0.3
"""Stops of the spot's light that the sitter must have lost, or the lamp must be off."""

_AT_MARK = 0.01
"""Fraction of the picture's width within which the sitter counts as being at the mark."""

LOGISTIC = 2.0 * math.log(9.0)
"""Widths of a logistic edge's scale between its 10 and 90 %."""

_ROUNDS = 12
_FITTED = 25
_FAINT = 0.02
_FEWEST = 30
_SURE = 3.0


@dataclass(frozen=True, slots=True)
class Spot:
    """A spot, lengths as fractions of the picture's width.

    Attributes
    ----------
    centre
        Its middle, x and y as fractions of the upright picture.
    width
        Diameter where the light is one stop under its plateau: of a circle of the same area.
    edge
        Distance over which the light falls from 90 to 10 % of the plateau.
    """

    centre: Point
    width: float
    edge: float


@dataclass(frozen=True, slots=True)
class SpotReading:
    """What became of a spot in a later frame.

    Attributes
    ----------
    state
        What changed most, if anything did.
    output_stops
        The lamp's output against its solo.
    moved
        How far the spot moved: to the right, and down, as fractions of the picture's width.
    uncertainty
        Standard uncertainty of `moved`.
    lost_stops
        Light of the spot at the sitter's place now, against at the mark; below 0 for less.
    way_back
        Direction in which the sitter has to go to be in the spot again, unit vector to the right
        and down; None where he is in it.
    """

    state: SpotState
    output_stops: float | None
    moved: Point | None
    uncertainty: float | None
    lost_stops: float | None
    way_back: Point | None = None


def find_spot(light: NDArray[np.floating]) -> Spot | None:
    """Find the spot in a lamp's solo, best taken of a matt sheet held at the face.

    Parameters
    ----------
    light
        Shape (rows, columns), the lamp's own Y on blocks of equal height and width.

    Returns
    -------
    Spot or None
        None where the light ends nowhere in the picture, or nothing is lit.
    """
    from scipy.ndimage import label, uniform_filter

    smooth = uniform_filter(np.maximum(light, 0.0).astype(np.float64), 3)
    level = float(np.percentile(smooth, 99.5))
    if level <= 0.0:
        return None
    region = np.zeros(smooth.shape, dtype=bool)
    for _ in range(_ROUNDS):
        names, _count = label(smooth > 0.5 * level)
        sizes = np.bincount(names.ravel())
        sizes[0] = 0
        previous, region = region, names == int(sizes.argmax())
        if np.array_equal(previous, region):
            break
        level = float(np.percentile(smooth[region], 75.0))
    if np.count_nonzero(region) < _FEWEST or _cut_off(region):
        return None
    return _shape(smooth, region, level)


def _cut_off(region: NDArray[np.bool_]) -> bool:
    """Tell whether a region touches more than one side of the picture."""
    sides = (region[0], region[-1], region[:, 0], region[:, -1])
    return sum(bool(side.any()) for side in sides) > 1


def _shape(smooth: Floats, region: NDArray[np.bool_], level: float) -> Spot:
    rows, columns = smooth.shape
    y, x = np.nonzero(region)
    middle = np.array([x.mean(), y.mean()])
    radius = math.sqrt(len(x) / math.pi)
    spread = np.cov(np.stack([x, y])) + 1e-9 * np.eye(2)
    every_y, every_x = np.indices(smooth.shape)
    off = np.stack([every_x - middle[0], every_y - middle[1]]).reshape(2, -1)
    # a uniform ellipse's covariance is a quarter of its half axes squared
    away = np.sqrt(np.sum(off * np.linalg.solve(4.0 * spread, off), axis=0))
    edge = _edge(away, smooth.ravel() / level) * radius
    centre = (float((middle[0] + 0.5) / columns), float((middle[1] + 0.5) / rows))
    return Spot(centre, 2.0 * radius / columns, edge / columns)


def _edge(away: Floats, light: Floats) -> float:
    """Return the distance from 90 to 10 % of the plateau, in radii, from medians of rings."""
    rings = np.linspace(0.0, 2.5, 51)
    index = np.digitize(away, rings)
    middles, levels = [], []
    for ring in range(1, len(rings)):
        inside = light[index == ring]
        if inside.size:
            middles.append((rings[ring - 1] + rings[ring]) / 2.0)
            levels.append(float(np.median(inside)))
    falling = np.minimum.accumulate(np.asarray(levels) / max(*levels, 1e-12))
    order = falling[::-1]
    at = np.asarray(middles)[::-1]
    return float(np.interp(0.1, order, at) - np.interp(0.9, order, at))


def read_spot(
    stack: Grids, index: int, spot: Spot, outputs: Floats, shift: Placed | None = None
) -> SpotReading:
    """Tell the sitter out of the spot, the lamp's output and the spot's own move apart.

    Parameters
    ----------
    stack
        Frame and lamps on blocks.
    index
        Which lamp the spot is of.
    spot
        The spot as its solo shows it.
    outputs
        float64 (lamps,), what the lamps gave in the frame, linear; the spot's own is fitted anew.
    shift
        How far the sitter is off the mark.

    Returns
    -------
    SpotReading
        Where cells lit by the spot and the edge's profile leave the spot's place open by more than
        what would count as a move, it is not seen.
    """
    cells = _cells(stack, index, outputs, shift)
    if cells is None:
        return SpotReading("not seen", None, None, None, None)
    if math.hypot(cells.dx, cells.dy) > _AT_MARK:
        return _of_moved_sitter(spot, cells, float(outputs[index]))
    fitted, errors = _fit(spot, cells)
    moved, doubt = (float(fitted[1]), float(fitted[2])), float(max(errors[1], errors[2]))
    output = float(fitted[0]) / math.log(2.0)
    return SpotReading(_state(math.hypot(*moved), doubt, output), output, moved, doubt, 0.0)


def _state(move: float, doubt: float, output: float) -> SpotState:
    if move > max(LEAST_MOVE, _SURE * doubt):
        return "spot moved"
    if abs(output) > LEAST_LOSS_STOPS:
        return "lamp changed"
    return "steady" if doubt < LEAST_MOVE else "not seen"


def _of_moved_sitter(spot: Spot, cells: _Lit, output: float) -> SpotReading:
    """Read a spot whose sitter is off the mark: its own place can't be told from his then."""
    lost = _lost(spot, cells)
    stops = math.log2(output) if output > 0.0 else None
    if lost < -LEAST_LOSS_STOPS:
        size = math.hypot(cells.dx, cells.dy)
        back = (-cells.dx / size, -cells.dy / size)
        return SpotReading("sitter out of the spot", stops, None, None, lost, back)
    changed = stops is None or abs(stops) > LEAST_LOSS_STOPS
    return SpotReading("lamp changed" if changed else "not seen", stops, None, None, lost)


@dataclass(frozen=True, eq=False, slots=True)
class _Lit:
    """Cells that the spot lights: places in picture widths, log of light over the solo's, solo."""

    x: Floats
    y: Floats
    log_ratio: Floats
    own: Floats
    dx: float
    dy: float
    aspect: float


def _cells(stack: Grids, index: int, outputs: Floats, shift: Placed | None) -> _Lit | None:
    lamps = stack.lamps if shift is None else shifted(stack.lamps, shift)
    factor = max(1, stack.factor // 2)
    small = coarse(np.nan_to_num(lamps), factor)
    seen = coarse(stack.seen, factor)
    own = small[index]
    others = np.tensordot(np.delete(outputs, index), np.delete(small, index, axis=0), axes=1)
    light = np.maximum(seen - others, 1e-9)
    good = coarse(stack.good.astype(np.float64), factor) > 0.98
    use = good & (own > _FAINT * own.max()) & (own > 0.3 * others)
    if np.count_nonzero(use) < _FEWEST:
        return None
    rows, columns = own.shape
    y, x = np.nonzero(use)
    return _Lit(
        x=(x + 0.5) / columns,
        y=(y + 0.5) / columns,
        log_ratio=np.log(light[use] / own[use]),
        own=own[use],
        dx=0.0 if shift is None else shift.dx,
        dy=0.0 if shift is None else shift.dy * rows / columns,
        aspect=rows / columns,
    )


def _log_profile(spot: Spot, x: Floats, y: Floats, aspect: float) -> Floats:
    """Return the log of the spot's light against its plateau: a logistic edge round a circle."""
    away = np.hypot(x - spot.centre[0], y - spot.centre[1] * aspect)
    scale = max(spot.edge, 1e-3) / LOGISTIC
    profile: Floats = -np.logaddexp(0.0, (away - spot.width / 2.0) / scale)
    return profile


def _fit(spot: Spot, cells: _Lit) -> tuple[Floats, Floats]:
    """Fit log output, the spot's move and a slope: stuff from x - d is lit as the spot lights x.

    The slope stands for what a move does besides: nearer to the lamp, turned towards it. It and the
    move are held near 0 by what is usual, so that a spot whose edge isn't seen stays.
    """
    solo = _log_profile(spot, cells.x - cells.dx, cells.y - cells.dy, cells.aspect)

    def model(values: Floats) -> Floats:
        there = _log_profile(spot, cells.x - values[1], cells.y - values[2], cells.aspect)
        slope = values[3] * (cells.x - spot.centre[0])
        slope = slope + values[4] * (cells.y - spot.centre[1] * cells.aspect)
        level: Floats = values[0] + there - solo + slope
        return level

    values: Floats = np.zeros(len(_USUAL))
    values[0] = float(np.median(cells.log_ratio - model(values)))
    prior = np.diag(1.0 / np.square(_USUAL))
    for _ in range(_FITTED):
        rest = cells.log_ratio - model(values)
        scatter = max(MAD_FACTOR * float(np.median(np.abs(rest))), 0.02)
        weight = 1.0 / (1.0 + np.square(rest / (2.0 * scatter)))
        weight /= np.square(_NEIGHBOURS * scatter)
        slopes = np.stack([(model(values + step) - model(values)) / _STEP for step in _STEPS], 1)
        normal = slopes.T @ (weight[:, None] * slopes) + prior
        change = np.linalg.solve(normal, slopes.T @ (weight * rest) - prior @ values)
        values = values + np.clip(change, -_LEAPS, _LEAPS)
    errors: Floats = np.sqrt(np.diag(np.linalg.inv(normal)))
    return np.asarray(values, np.float64), errors


_USUAL = np.array([3.0, 0.06, 0.06, 0.4, 0.4])
_LEAPS = np.array([0.5, 0.02, 0.02, 0.2, 0.2])
_STEP = 1e-3
_STEPS = _STEP * np.eye(len(_USUAL))
_NEIGHBOURS = 5.0
"""Cells that share one error, as the square root of their number."""


def _lost(spot: Spot, cells: _Lit) -> float:
    """Return the light that the sitter's lit parts get where he is, against at the mark, stops."""
    here = np.exp(_log_profile(spot, cells.x, cells.y, cells.aspect))
    mark = np.exp(_log_profile(spot, cells.x - cells.dx, cells.y - cells.dy, cells.aspect))
    share = np.sum(cells.own * here / np.maximum(mark, 0.05)) / np.sum(cells.own)
    return float(np.log2(max(float(share), 1e-3)))
