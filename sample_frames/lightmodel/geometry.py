"""Points, turns, and solids as signed distances: below 0 inside, above 0 outside, metres.

Points are arrays of shape (3, n): x to camera right, y up, z from the sitter towards the camera.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Points = NDArray[np.float32]
    Distances = NDArray[np.float32]
    Solid = Callable[[Points], Distances]

Vector = tuple[float, float, float]


def column(vector: Vector) -> Points:
    """Return a vector as a (3, 1) column that spreads over points."""
    return np.asarray(vector, np.float32)[:, None]


def dot(first: Points, second: Points) -> Distances:
    """Return the inner product of each pair of (3, n) vectors."""
    return first[0] * second[0] + first[1] * second[1] + first[2] * second[2]


def length(vectors: Points) -> Distances:
    """Return the length of each of (3, n) vectors."""
    return np.sqrt(dot(vectors, vectors))


def unit(vectors: Points) -> Points:
    """Return (3, n) vectors scaled to length 1."""
    return vectors / length(vectors)


def direction(off_axis_deg: float, elevation_deg: float) -> Vector:
    """Return the unit vector from the sitter towards a lamp.

    Parameters
    ----------
    off_axis_deg
        Degrees round the sitter from the camera's axis, positive to camera right.
    elevation_deg
        Degrees above the sitter.
    """
    round_, up = math.radians(off_axis_deg), math.radians(elevation_deg)
    return (math.sin(round_) * math.cos(up), math.sin(up), math.cos(round_) * math.cos(up))


def turned(points: Points, yaw_deg: float, pivot: Vector = (0.0, 0.0, 0.0)) -> Points:
    """Turn points about the upright line through `pivot`, positive towards camera right."""
    if yaw_deg == 0.0:
        return points
    sine, cosine = math.sin(math.radians(yaw_deg)), math.cos(math.radians(yaw_deg))
    x, z = points[0] - pivot[0], points[2] - pivot[2]
    return np.stack(
        (cosine * x + sine * z + pivot[0], points[1], cosine * z - sine * x + pivot[2])
    ).astype(np.float32)


def ellipsoid(points: Points, centre: Vector, radii: Vector) -> Distances:
    """Distance to an ellipsoid, first order: right at its surface, fair elsewhere."""
    scaled = (points - column(centre)) / column(radii)
    outward = length(scaled)
    slope = length(scaled / column(radii))
    return outward * (outward - np.float32(1.0)) / np.maximum(slope, np.float32(1e-6))


def capsule(points: Points, start: Vector, end: Vector, radius: float) -> Distances:
    """Distance to all that lies within `radius` of a straight line from start to end."""
    axis = column(end) - column(start)
    relative = points - column(start)
    along = np.clip(dot(relative, axis / (axis * axis).sum()), 0.0, 1.0)
    return length(relative - axis * along) - np.float32(radius)


def box(points: Points, centre: Vector, half: Vector, rounding: float = 0.0) -> Distances:
    """Distance to an upright box with rounded edges."""
    over = np.abs(points - column(centre)) - (column(half) - np.float32(rounding))
    inside = np.minimum(np.maximum(np.maximum(over[0], over[1]), over[2]), 0.0)
    return length(np.maximum(over, 0.0)) + inside - np.float32(rounding)


def joined(first: Distances, second: Distances, blend: float) -> Distances:
    """Join two solids with a fillet about `blend` metres wide (polynomial smooth minimum)."""
    share = np.maximum(blend - np.abs(first - second), 0.0) / blend
    return np.minimum(first, second) - share * share * np.float32(blend * 0.25)


def carved(solid: Distances, tool: Distances, blend: float) -> Distances:
    """Take `tool` out of `solid`, the rim rounded over about `blend` metres."""
    return -joined(-solid, tool, blend)


def plate(points: Points, centre: Vector, facing: Vector, half: Vector) -> Distances:
    """Distance to a box turned so that its third half-width points along the unit `facing`."""
    normal = np.asarray(facing, np.float32)
    across = np.cross(np.asarray((0.0, 1.0, 0.0), np.float32), normal)
    across /= np.linalg.norm(across)
    own = np.stack((across, np.cross(normal, across), normal)) @ (points - column(centre))
    return box(own, (0.0, 0.0, 0.0), half)


def within_box(points: Points, solid: Solid, centre: Vector, half: Vector) -> Distances:
    """Distance to a solid that lies inside an upright box, worked out in full only near it.

    Away from the box the distance to the box stands in, which never overshoots.
    """
    away = box(points, centre, half)
    near = away < np.float32(0.02)
    if near.any():
        away[near] = solid(points[:, near])
    return away
