"""What stands in front of the camera: the fencer, the paper, a chip, a card; who wears what."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import TYPE_CHECKING

import numpy as np

from lightmodel import sitter
from lightmodel.geometry import Vector, capsule, plate, within_box
from lightmodel.sitter import Pose

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lightmodel.geometry import Distances, Points

PAPER_Z = -1.8
"""The paper hangs this far behind the sitter, metres (negative z)."""


class Material(IntEnum):
    """What a point of the picture is made of."""

    SKIN = 0
    HAIR = 1
    EYE = 2
    NECK = 3
    CLOTH = 4
    MASK = 5
    METAL = 6
    CHIP = 7
    ROD = 8
    CARD = 9
    PAPER = 10


@dataclass(frozen=True, slots=True)
class Wardrobe:
    """Colours of one look, linear RGB reflectances.

    Attributes
    ----------
    cloth
        The jacket.
    skin
        Complexion.
    strap
        The strap across the chest.
    """

    cloth: Vector = (0.46, 0.46, 0.45)
    skin: Vector = (0.55, 0.37, 0.285)
    strap: Vector = (0.1, 0.1, 0.11)


WHITE = Wardrobe()
BLACK = Wardrobe(cloth=(0.031, 0.031, 0.033), strap=(0.25, 0.25, 0.25))


@dataclass(frozen=True, slots=True)
class Card:
    """A grey card of 18 % held up in the sitter's place.

    Attributes
    ----------
    centre, facing
        Metres, and the unit vector that its front looks along.
    """

    centre: Vector
    facing: Vector
    half: Vector = (0.17, 0.13, 0.003)


@dataclass(frozen=True, slots=True)
class Scene:
    """All that light falls on.

    Attributes
    ----------
    pose
        How the sitter stands; None for a set without one.
    wardrobe
        What he wears.
    card
        A grey card, or None.
    chip_facing
        Where the grey chip on its rod looks; None without a chip.
    """

    pose: Pose | None = field(default_factory=Pose)
    wardrobe: Wardrobe = WHITE
    card: Card | None = None
    chip_facing: Vector | None = (0.41, 0.33, 0.85)
    chip_centre: Vector = (0.295, -0.1, -0.15)

    def distance(self, points: Points) -> Distances:
        """Return how far each point is from the nearest solid, metres, the paper left out."""
        nearest = np.full(points.shape[1], 1e3, np.float32)
        for distances in self._props(points).values():
            nearest = np.minimum(nearest, distances)
        if self.pose is not None:
            nearest = np.minimum(nearest, sitter.distance(points, self.pose))
        return nearest

    def material(self, points: Points) -> NDArray[np.uint8]:
        """Return which material each point of the solids' surface is, a `Material` value, (n,)."""
        parts: dict[Material, Distances] = self._props(points)
        if self.pose is not None:
            head = sitter.head_parts(self.pose.to_head(points))
            body = sitter.body_parts(self.pose.to_body(points))
            parts |= dict(zip(list(Material)[: len(head) + len(body)], head + body, strict=True))
        names = np.array(list(parts), np.uint8)
        return names[np.argmin(np.stack(list(parts.values())), axis=0)]

    def _props(self, points: Points) -> dict[Material, Distances]:
        props: dict[Material, Distances] = {}
        if self.chip_facing is not None:
            props[Material.CHIP] = self._chip(points)
            props[Material.ROD] = self._rod(points)
        if self.card is not None:
            props[Material.CARD] = plate(points, self.card.centre, self.card.facing, self.card.half)
        return props

    def _chip(self, points: Points) -> Distances:
        centre, facing = self.chip_centre, self.chip_facing or (0.0, 0.0, 1.0)

        def solid(near: Points) -> Distances:
            return plate(near, centre, facing, (0.036, 0.036, 0.002))

        return within_box(points, solid, centre, (0.05, 0.05, 0.05))

    def _rod(self, points: Points) -> Distances:
        x, y, z = self.chip_centre
        return capsule(points, (x, y - 0.04, z - 0.008), (x, y - 0.8, z - 0.008), 0.004)
