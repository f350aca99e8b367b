"""A small made studio for tests of lights: ellipsoids before paper, lamps with spots, true fields.

Orthographic camera, Lambert's cosine law, inverse square of distance, soft-edged cones and cast
shadows; every lamp's field is computed alone, so any frame's truth is known. Metres; x to the
right, y up, z towards the camera.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

WIDTH, HEIGHT = 1.8, 1.2
PAPER_Z = -1.2


@dataclass(frozen=True)
class Lamp:
    """A small lamp: where it stands, where it looks, how wide its cone is and how hard its edge."""

    name: str
    at: tuple[float, float, float]
    to: tuple[float, float, float]
    half_angle: float
    edge: float
    strength: float = 1.0


@dataclass(frozen=True)
class Sitter:
    """Where the sitter is: shift in metres of the whole, yaw of the head in degrees."""

    dx: float = 0.0
    dy: float = 0.0
    yaw: float = 0.0


@dataclass(frozen=True)
class Ellipsoid:
    centre: tuple[float, float, float]
    radii: tuple[float, float, float]
    yaw: float = 0.0
    kind: str = "skin"

    def local(self, points):
        moved = points - np.asarray(self.centre)
        return self.turn(moved, -self.yaw) / np.asarray(self.radii)

    def local_direction(self, directions):
        return self.turn(directions, -self.yaw) / np.asarray(self.radii)

    @staticmethod
    def turn(vectors, degrees):
        c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        x, y, z = np.moveaxis(vectors, -1, 0)
        return np.stack([c * x + s * z, y, -s * x + c * z], axis=-1)

    def hits(self, points, directions):
        """Return how far each ray goes until it meets the surface, inf where it misses."""
        o, d = self.local(points), self.local_direction(directions)
        a, b = np.sum(d * d, -1), np.sum(o * d, -1)
        c = np.sum(o * o, -1) - 1.0
        inside = b * b - a * c
        root = np.sqrt(np.maximum(inside, 0.0))
        near, far = (-b - root) / a, (-b + root) / a
        first = np.where(near > 1e-3, near, far)
        return np.where((inside > 0) & (first > 1e-3), first, np.inf)

    def normals(self, points):
        n = self.turn(self.local(points) / np.asarray(self.radii), self.yaw)
        return n / np.linalg.norm(n, axis=-1, keepdims=True)


def bodies(sitter: Sitter) -> tuple[Ellipsoid, ...]:
    """Return head, hair, nose, neck, and a body in a white jacket."""
    x, y = sitter.dx, sitter.dy
    nose = Ellipsoid.turn(np.array([0.0, -0.01, 0.105]), sitter.yaw)
    back = Ellipsoid.turn(np.array([0.0, 0.035, -0.025]), sitter.yaw)
    head = np.array([x, y + 0.22, 0.0])
    return (
        Ellipsoid(tuple(head), (0.08, 0.115, 0.105), sitter.yaw, "skin"),
        Ellipsoid(tuple(head + back), (0.092, 0.115, 0.1), sitter.yaw, "hair"),
        Ellipsoid(tuple(head + nose), (0.016, 0.028, 0.022), sitter.yaw, "skin"),
        Ellipsoid((x, y + 0.08, -0.02), (0.06, 0.12, 0.06), 0.0, "skin"),
        Ellipsoid((x, y - 0.38, -0.03), (0.26, 0.42, 0.16), 0.0, "cloth"),
    )


ALBEDO = {"skin": 0.35, "hair": 0.25, "cloth": 0.8, "paper": 0.4, "chip": 0.18}
TINT = {
    "skin": (1.25, 1.0, 0.8),
    "hair": (1.0, 1.0, 1.0),
    "cloth": (1.0, 1.0, 1.02),
    "paper": (1.0, 1.0, 1.0),
    "chip": (1.0, 1.0, 1.0),
}
KINDS = tuple(ALBEDO)


@dataclass(frozen=True, eq=False)
class Surface:
    """What the camera sees: points, normals, reflectances (h, w, 3) and kinds (h, w)."""

    points: np.ndarray
    normals: np.ndarray
    reflectance: np.ndarray
    kind: np.ndarray


def texture(shape, seed, grain):
    """Return a fixed pattern of reflectance, RMS `grain` stops."""
    rng = np.random.default_rng(seed)
    return 2.0 ** (grain * rng.standard_normal(shape))


@lru_cache(maxsize=64)
def surface(sitter: Sitter, shape: tuple[int, int]) -> Surface:
    rows, columns = shape
    x = ((np.arange(columns) + 0.5) / columns - 0.5) * WIDTH
    y = (0.5 - (np.arange(rows) + 0.5) / rows) * HEIGHT
    gx, gy = np.meshgrid(x, y)
    eye = np.stack([gx, gy, np.full_like(gx, 3.0)], axis=-1)
    ray = np.broadcast_to(np.array([0.0, 0.0, -1.0]), eye.shape)
    depth = np.full(shape, 3.0 - PAPER_Z)
    normals = np.broadcast_to(np.array([0.0, 0.0, 1.0]), eye.shape).copy()
    kind = np.full(shape, KINDS.index("paper"))
    chip = (np.abs(gx + 0.72) < 0.07) & (np.abs(gy + 0.42) < 0.07)
    kind[chip] = KINDS.index("chip")
    for body in bodies(sitter):
        t = body.hits(eye, ray)
        nearer = t < depth
        depth[nearer] = t[nearer]
        points = eye[nearer] + t[nearer][:, None] * ray[nearer]
        normals[nearer] = body.normals(points)
        kind[nearer] = KINDS.index(body.kind)
    points = eye + depth[..., None] * ray
    table = np.array([[ALBEDO[k] * c for c in TINT[k]] for k in KINDS])
    grain = _grain(sitter, shape, kind)
    return Surface(points, normals, table[kind] * grain[..., None], kind)


def _grain(sitter, shape, kind):
    """Return texture that goes with the sitter, and the paper's own that stays."""
    rows, columns = shape
    shift = (-round(sitter.dy / HEIGHT * rows), round(sitter.dx / WIDTH * columns))
    moving = np.roll(texture(shape, 5, 0.12), shift, axis=(0, 1))
    fixed = texture(shape, 6, 0.02)
    return np.where(kind >= KINDS.index("paper"), fixed, moving)


@lru_cache(maxsize=96)
def field(lamp: Lamp, sitter: Sitter, shape: tuple[int, int]) -> np.ndarray:
    """Return linear RGB (3, h, w) that one lamp alone gives at its strength."""
    seen = surface(sitter, shape)
    at = np.asarray(lamp.at)
    to_lamp = at - seen.points
    distance = np.linalg.norm(to_lamp, axis=-1)
    direction = to_lamp / distance[..., None]
    cosine = np.maximum(np.sum(direction * seen.normals, -1), 0.0)
    axis = np.asarray(lamp.to) - at
    axis = axis / np.linalg.norm(axis)
    angle = np.degrees(np.arccos(np.clip(-np.sum(direction * axis, -1), -1, 1)))
    cone = 1.0 / (1.0 + np.exp(np.clip((angle - lamp.half_angle) / (lamp.edge / 4.4), -60, 60)))
    light = lamp.strength * cosine * cone / distance**2
    start = seen.points + 2e-3 * seen.normals
    lit = light > 1e-9
    for body in bodies(sitter):
        blocked = body.hits(start[lit], direction[lit]) < distance[lit]
        light[lit] *= ~blocked
    return np.moveaxis(seen.reflectance * light[..., None], -1, 0)


LAMPS = (
    Lamp("key", (1.3, 1.1, 1.1), (0.0, 0.2, 0.05), 9.0, 3.0, 6.0),
    Lamp("fill", (-1.0, 0.1, 1.6), (0.0, 0.0, 0.0), 16.0, 6.0, 1.0),
    Lamp("hair", (-0.3, 1.4, -0.9), (0.0, 0.3, -0.02), 14.0, 6.0, 2.5),
    Lamp("paper left", (-1.3, 0.5, -0.3), (-0.45, 0.05, PAPER_Z), 32.0, 20.0, 1.1),
    Lamp("paper right", (1.3, 0.5, -0.3), (0.45, 0.05, PAPER_Z), 32.0, 20.0, 1.1),
)


def with_noise(light: np.ndarray, rng: np.random.Generator, *, full_well: float = 40000.0):
    """Return light with photon and read noise (4 electrons); 1.0 is `full_well` electrons."""
    electrons = rng.poisson(np.maximum(light, 0.0) * full_well) + rng.normal(0, 4.0, light.shape)
    return np.minimum(electrons / full_well, 1.0)
