"""The spot of a narrow lamp: where it falls, how wide, how soft."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.measuring.measurement import Point

    Floats = NDArray[np.float64]

LOGISTIC = 2.0 * math.log(9.0)
"""Widths of a logistic edge's scale between its 10 and 90 %."""

_ROUNDS = 12
_FEWEST = 30


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


def find_spot(light: NDArray[np.floating]) -> Spot | None:
    """Find the spot in a lamp's solo, whatever it falls on.

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
