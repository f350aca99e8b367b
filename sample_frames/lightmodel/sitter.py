"""The fencer: head, jacket, mask under the arm, as solids joined by fillets.

Head parts are given in the head's own place (origin at the middle of the head, nose towards +z), so
that they turn with it; the rest in the place of the body.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lightmodel.geometry import (
    Vector,
    box,
    capsule,
    carved,
    column,
    ellipsoid,
    joined,
    turned,
    within_box,
)

if TYPE_CHECKING:
    from lightmodel.geometry import Distances, Points

NECK: Vector = (0.0, 0.0, -0.02)
"""The head turns about the upright line through here."""

FACING_DEG = -22.0
"""Where the plan has the face look: a little to camera left, away from the key."""

SHOULDERS_UP = 0.035
"""The body's place lies so much above the head's, metres."""

HEAD_BOX = ((0.0, 0.0, 0.0), (0.1, 0.15, 0.14))
"""Middle and half-widths of a box that holds the head, in its own place."""

BODY_BOX = ((0.0, -0.61, 0.03), (0.36, 0.55, 0.25))
"""The same of the rest, from the neck down, in the body's place."""


@dataclass(frozen=True, slots=True)
class Pose:
    """How the sitter stands, against the place that the plan was made for.

    Attributes
    ----------
    right, up, forward
        Shift in metres: to camera right, up, towards the camera.
    head_turn_deg
        The head turned about its neck from there, positive towards camera right.
    """

    right: float = 0.0
    up: float = 0.0
    forward: float = 0.0
    head_turn_deg: float = 0.0

    def to_body(self, points: Points) -> Points:
        """Return points of the set in the body's place."""
        return points - column((self.right, self.up + SHOULDERS_UP, self.forward))

    def to_head(self, points: Points) -> Points:
        """Return points of the set in the head's place."""
        moved = points - column((self.right, self.up, self.forward))
        return turned(moved, -(FACING_DEG + self.head_turn_deg), NECK)

    def from_head(self, points: Points) -> Points:
        """Return points of the head's place in the set."""
        shift = column((self.right, self.up, self.forward))
        return turned(points, FACING_DEG + self.head_turn_deg, NECK) + shift


def distance(points: Points, pose: Pose) -> Distances:
    """Return how far each point is from the sitter's surface, metres."""
    head = within_box(pose.to_head(points), _nearest_of_head, *HEAD_BOX)
    body = within_box(pose.to_body(points), _nearest_of_body, *BODY_BOX)
    return np.minimum(head, body)


def head_parts(points: Points) -> tuple[Distances, Distances, Distances]:
    """Return distances to skin, hair and eyes, points in the head's place."""
    mirrored = np.stack((np.abs(points[0]), points[1], points[2]))
    return _skin(points, mirrored), _hair(points), _eyes(mirrored)


def body_parts(points: Points) -> tuple[Distances, Distances, Distances, Distances]:
    """Return distances to neck and hand, jacket, mask and buckle, points in the body's place."""
    return _neck_and_hand(points), _jacket(points), _mask(points), _buckle(points)


def _nearest_of_head(points: Points) -> Distances:
    return np.minimum.reduce(head_parts(points))


def _nearest_of_body(points: Points) -> Distances:
    return np.minimum.reduce(body_parts(points))


def _skin(points: Points, mirrored: Points) -> Distances:
    skull = ellipsoid(points, (0.0, 0.035, -0.012), (0.074, 0.088, 0.094))
    face = ellipsoid(points, (0.0, -0.028, 0.018), (0.064, 0.096, 0.072))
    head = joined(skull, face, 0.04)
    head = joined(head, ellipsoid(points, (0.0, -0.096, 0.045), (0.036, 0.026, 0.036)), 0.03)
    head = joined(head, ellipsoid(mirrored, (0.033, -0.032, 0.03), (0.033, 0.04, 0.052)), 0.025)
    head = joined(
        head, capsule(mirrored, (0.008, 0.031, 0.086), (0.036, 0.028, 0.074), 0.0085), 0.016
    )
    head = joined(head, ellipsoid(mirrored, (0.034, -0.076, 0.02), (0.024, 0.026, 0.04)), 0.025)
    head = carved(head, ellipsoid(mirrored, (0.031, 0.011, 0.096), (0.021, 0.0135, 0.02)), 0.014)
    head = joined(head, _lids(mirrored), 0.006)
    return np.minimum(joined(head, _nose_and_mouth(points, mirrored), 0.014), _ears(mirrored))


def _lids(mirrored: Points) -> Distances:
    ball = ellipsoid(mirrored, (0.031, 0.0095, 0.071), (0.0145, 0.0145, 0.0142))
    slit = capsule(mirrored, (0.024, 0.0072, 0.088), (0.038, 0.0082, 0.083), 0.0042)
    return carved(ball, slit, 0.002)


def _nose_and_mouth(points: Points, mirrored: Points) -> Distances:
    bridge = capsule(points, (0.0, 0.018, 0.09), (0.0, -0.026, 0.112), 0.0085)
    tip = ellipsoid(points, (0.0, -0.03, 0.111), (0.0125, 0.0105, 0.0125))
    wing = ellipsoid(mirrored, (0.011, -0.033, 0.1), (0.0085, 0.0075, 0.01))
    nose = joined(joined(bridge, tip, 0.01), wing, 0.008)
    upper = capsule(mirrored, (0.0, -0.0608, 0.0885), (0.021, -0.0645, 0.078), 0.005)
    lower = capsule(mirrored, (0.0, -0.0702, 0.0875), (0.016, -0.0695, 0.08), 0.0058)
    return np.minimum(nose, joined(upper, lower, 0.003))


def _ears(mirrored: Points) -> Distances:
    shell = ellipsoid(mirrored, (0.079, 0.0, -0.012), (0.01, 0.031, 0.019))
    return carved(shell, ellipsoid(mirrored, (0.088, 0.003, -0.006), (0.008, 0.017, 0.01)), 0.006)


def _eyes(mirrored: Points) -> Distances:
    return ellipsoid(mirrored, (0.031, 0.009, 0.0715), (0.0125, 0.0125, 0.0125))


def _hair(points: Points) -> Distances:
    cap = ellipsoid(points, (0.0, 0.046, -0.022), (0.088, 0.095, 0.104))
    swept = 0.0022 * np.sin(260.0 * points[0] + 40.0 * points[2]) * np.cos(25.0 * points[2])
    hairline = 0.066 + 1.1 * (points[2] - 0.062) - points[1]
    return carved(cap + swept.astype(np.float32), -hairline, 0.018)


def _neck_and_hand(points: Points) -> Distances:
    neck = capsule(points, (0.0, -0.06, -0.02), (0.0, -0.22, -0.035), 0.05)
    fist = ellipsoid(points, (0.115, -0.57, 0.2), (0.05, 0.035, 0.04))
    knuckles = capsule(points, (0.075, -0.575, 0.215), (0.09, -0.535, 0.225), 0.013)
    return np.minimum(neck, joined(fist, knuckles, 0.02))


def _jacket(points: Points) -> Distances:
    mirrored = np.stack((np.abs(points[0]), points[1], points[2]))
    yoke = capsule(mirrored, (0.0, -0.255, -0.045), (0.165, -0.285, -0.05), 0.07)
    chest = ellipsoid(points, (0.0, -0.45, -0.03), (0.195, 0.27, 0.125))
    waist = ellipsoid(points, (0.0, -0.85, -0.03), (0.185, 0.4, 0.12))
    trunk = joined(joined(yoke, chest, 0.06), waist, 0.08)
    arms = capsule(mirrored, (0.195, -0.3, -0.05), (0.27, -0.575, -0.01), 0.06)
    cuffed = capsule(points, (0.275, -0.585, 0.0), (0.165, -0.575, 0.16), 0.05)
    hanging = capsule(points, (-0.272, -0.58, -0.01), (-0.25, -0.9, 0.08), 0.052)
    sleeves = joined(joined(arms, cuffed, 0.03), hanging, 0.03)
    return joined(joined(trunk, sleeves, 0.035), _collar(points), 0.012) + _folds(points)


def _collar(points: Points) -> Distances:
    lean = points - column((0.0, -0.185, -0.03))
    radius = np.hypot(lean[0], lean[2]) - (0.066 - 0.12 * (lean[1] + 0.03))
    wall = np.abs(radius) - np.float32(0.004)
    notch = np.abs(lean[1]) - np.float32(0.032)
    return np.maximum(wall, notch).astype(np.float32) - np.float32(0.003)


def _folds(points: Points) -> Distances:
    x, y, z = points
    drape = np.sin(38.0 * x + 22.0 * y + 9.0 * np.sin(7.0 * y + 5.0 * x))
    pull = np.sin(55.0 * y - 30.0 * x + 14.0 * z)
    return (0.0035 * drape + 0.002 * pull).astype(np.float32)


def _mask(points: Points) -> Distances:
    bowl = ellipsoid(points, (0.215, -0.475, 0.115), (0.088, 0.118, 0.1))
    bib = ellipsoid(points, (0.2, -0.62, 0.13), (0.075, 0.06, 0.075))
    ridge = np.abs(points[0] - 0.215) - 0.004
    rim = np.maximum(np.abs(bowl) - 0.004, ridge).astype(np.float32)
    return np.minimum(joined(bowl, bib, 0.02), rim)


def _buckle(points: Points) -> Distances:
    return box(points, (-0.03, -0.4, 0.101), (0.016, 0.012, 0.006), 0.004)
