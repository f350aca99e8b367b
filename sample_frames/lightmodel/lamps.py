"""Lamps: where they stand, how their beam falls off, how much light they lay on a surface.

Light is counted in units of the meter: 1.0 on a surface that faces the lamp is what an incident
meter reads as f/11 at ISO 100, so a lamp that meters f/N lays (N / 11)**2 where its axis points.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lightmodel.geometry import Vector, column, direction, dot, length

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lightmodel.geometry import Points

    Light = NDArray[np.float32]

METER_F_NUMBER = 11.0
NEUTRAL = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Beam:
    """How a modifier spreads its light round its axis, as a share of the light on the axis.

    Attributes
    ----------
    half_angle_deg
        Half the full cone: where the edge is at its middle.
    edge_deg
        Width over which the edge goes from all to nothing: narrow for a snoot, wide for a grid.
    feather_deg
        Width (one sigma) of a smooth decline inside the cone; infinite for an even disc.
    """

    half_angle_deg: float
    edge_deg: float
    feather_deg: float = np.inf

    def share(self, off_axis_deg: Light) -> Light:
        """Return the share of the axis' light at angles off the axis, degrees."""
        inwards = (self.half_angle_deg + self.edge_deg / 2.0 - off_axis_deg) / self.edge_deg
        ramp = np.clip(inwards, 0.0, 1.0)
        edge = ramp * ramp * (3.0 - 2.0 * ramp)
        feather = np.exp(-0.5 * (off_axis_deg / self.feather_deg) ** 2)
        return (edge * feather).astype(np.float32)

    def diameter_m(self, distance_m: float) -> float:
        """Return the width of the spot on a surface square to the axis, edge middle to middle."""
        return float(2.0 * distance_m * np.tan(np.radians(self.half_angle_deg)))


@dataclass(frozen=True, slots=True)
class HotSpot:
    """The bare tube showing through a modifier: a small bright spot inside the beam.

    Attributes
    ----------
    at
        A point that it falls on, metres.
    stops
        How far its middle lies above the beam round it.
    width_deg
        One sigma.
    """

    at: Vector
    stops: float
    width_deg: float


@dataclass(frozen=True, slots=True)
class Lamp:
    """One lamp at its plan power.

    Attributes
    ----------
    name
        As the plan calls it.
    position, aim
        Where it stands and a point on its axis, metres.
    meter
        f-number that a meter at `aim` reads, its dome facing the lamp, this lamp alone, ISO 100.
    beam
        Its modifier.
    front_m
        Width of its front: softens the edges of shadows.
    colour
        Linear RGB against a neutral of 1.
    hot
        A hot spot inside the beam, or None.
    """

    name: str
    position: Vector
    aim: Vector
    meter: float
    beam: Beam
    front_m: float = 0.07
    colour: Vector = NEUTRAL
    hot: HotSpot | None = None

    @property
    def throw_m(self) -> float:
        """Metres from the lamp to its aim."""
        return float(length(column(self.position) - column(self.aim))[0])

    @property
    def intensity(self) -> float:
        """Light on its axis at one metre, meter units: inverse square from the reading."""
        return (self.meter / METER_F_NUMBER) ** 2 * self.throw_m**2

    def light_on(self, points: Points, normals: Points) -> Light:
        """Return the light that falls on a surface, shadows left out.

        Intensity times beam, over the square of the distance, times the cosine of the angle of
        incidence (CIE e-ILV 17-25-104, photometric distance law, with Lambert's cosine).

        Parameters
        ----------
        points, normals
            Places and unit normals of the surface, (3, n).

        Returns
        -------
        ndarray
            Meter units, (n,), 0 where the surface faces away.
        """
        way = column(self.position) - points
        away = length(way)
        facing = np.maximum(dot(normals, way) / away, 0.0)
        return self.intensity * self.share_towards(points) * facing / away**2

    def share_towards(self, points: Points) -> Light:
        """Return the share of the axis' light that leaves towards points, (n,)."""
        share = self.beam.share(self.degrees_off(points, self.aim))
        if self.hot is None:
            return share
        off = self.degrees_off(points, self.hot.at) / self.hot.width_deg
        return share * (1.0 + (2.0**self.hot.stops - 1.0) * np.exp(-0.5 * off * off))

    def degrees_off(self, points: Points, axis_point: Vector) -> Light:
        """Return how far points lie off the line from the lamp through a point, degrees, (n,)."""
        axis = column(axis_point) - column(self.position)
        way = points - column(self.position)
        aside = np.cross(way, axis, axis=0)
        return np.degrees(np.arctan2(length(aside), dot(way, axis)))


def placed(aim: Vector, off_axis_deg: float, elevation_deg: float, distance_m: float) -> Vector:
    """Return where a lamp stands that is so far round, up and away from what it aims at."""
    towards = direction(off_axis_deg, elevation_deg)
    return (
        aim[0] + distance_m * towards[0],
        aim[1] + distance_m * towards[1],
        aim[2] + distance_m * towards[2],
    )
