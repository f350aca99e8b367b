"""A made sitter before paper, lit by spots, who can move, lean, turn his head or leave.

Depth and material are formulas of the sitter's own coordinates, so that he can move exactly; the
lamps stay where they are in the frame, as in a studio. Lambert's cosine law throughout.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float32]
MID_GREY = 0.1273


@dataclass(frozen=True)
class Pose:
    """Where the sitter stands: shifts in frame widths, degrees, a factor; `gone` for nobody."""

    dx: float = 0.0
    dy: float = 0.0
    tilt: float = 0.0
    scale: float = 1.0
    yaw: float = 0.0
    gone: bool = False


@dataclass(frozen=True)
class Lamps:
    """Stops that each lamp is turned by from where it stands; None for a lamp that didn't fire."""

    key: float | None = 0.0
    fill: float | None = 0.0
    hair: float | None = 0.0
    paper_left: float | None = 0.0
    paper_right: float | None = 0.0


@dataclass(frozen=True)
class Scene:
    """What is rendered, and how large."""

    pose: Pose = Pose()
    lamps: Lamps = Lamps()
    shape: tuple[int, int] = (480, 720)
    seed: int = 1
    noise: bool = True
    sitter_seed: int = field(default=3)


PIVOT = (0.5, 0.62)
"""The point, as fractions of the frame, that the sitter leans and grows about."""

BOXES = {
    "lit cheek": (0.545, 0.36, 0.575, 0.42),
    "shadow cheek": (0.43, 0.36, 0.46, 0.42),
    "jacket": (0.56, 0.70, 0.62, 0.80),
    "mask": (0.34, 0.74, 0.40, 0.84),
    "hair": (0.47, 0.165, 0.53, 0.195),
}
"""Patches on the sitter as he stands with no pose."""


def moved(point: tuple[float, float], pose: Pose, aspect: float = 1.5) -> tuple[float, float]:
    """Return where a point of the sitter lies after a pose, fractions of the frame."""
    x, y = (point[0] - PIVOT[0]) * aspect, point[1] - PIVOT[1]
    turn = float(np.deg2rad(pose.tilt))
    across = pose.scale * (x * np.cos(turn) - y * np.sin(turn))
    down = pose.scale * (x * np.sin(turn) + y * np.cos(turn))
    return (
        float(PIVOT[0] + across / aspect + pose.dx),
        float(PIVOT[1] + down + pose.dy * aspect),
    )


def render(scene: Scene) -> NDArray[np.float32]:
    """Return the frame's luminance, float32 of `scene.shape`, anchor = 1."""
    rows, columns = scene.shape
    x = (np.arange(columns) + 0.5) / rows - 0.5 * columns / rows
    y = (np.arange(rows) + 0.5) / rows
    across, down = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
    light = _paper(across, down, scene.lamps)
    if not scene.pose.gone:
        u, v = _sitter_coordinates(across, down, scene.pose, columns / rows)
        depth, material, body = _sitter(u, v, scene)
        normals = _normals(depth * scene.pose.scale, 1.0 / rows)
        lit = material * _on_sitter(across, down, normals, scene.lamps)
        light = np.where(body, lit, light)
    light += 0.0006
    return _exposed(light, scene)


def _exposed(light: Array, scene: Scene) -> NDArray[np.float32]:
    if not scene.noise:
        return light.astype(np.float32)
    rng = np.random.default_rng(scene.seed)
    full = 40_000.0
    electrons = light * full
    electrons += rng.standard_normal(light.shape, np.float32) * np.sqrt(electrons + 16.0)
    return np.clip(electrons / full, -1.0, 1.0).astype(np.float32)


def _power(stops: float | None) -> float:
    return 0.0 if stops is None else 2.0**stops


def _paper(x: Array, y: Array, lamps: Lamps) -> Array:
    def pool(at: float, stops: float | None) -> Array:
        return _power(stops) * (1.0 + ((x - at) ** 2 + (y - 0.55) ** 2) / 1.1) ** -1.5

    return 0.16 * 0.5 * (pool(-0.75, lamps.paper_left) + pool(0.75, lamps.paper_right)) + 0.002


def _sitter_coordinates(x: Array, y: Array, pose: Pose, aspect: float) -> tuple[Array, Array]:
    px, py = (PIVOT[0] - 0.5) * aspect, PIVOT[1]
    a, b = x - pose.dx * aspect - px, y - pose.dy * aspect - py
    turn = float(np.deg2rad(pose.tilt))
    u = (a * math.cos(turn) + b * math.sin(turn)) / pose.scale + px
    v = (-a * math.sin(turn) + b * math.cos(turn)) / pose.scale + py
    return u, v


def _waves(u: Array, v: Array, seed: int, frequency: float) -> Array:
    rng = np.random.default_rng(seed)
    total = np.zeros_like(u)
    for _ in range(9):
        a, b, phase = (
            float(value) for value in (*rng.normal(0.0, frequency, 2), rng.uniform(0, 7))
        )
        total += np.sin(a * u + b * v + phase)
    return total / 3.0


def _sitter(u: Array, v: Array, scene: Scene) -> tuple[Array, Array, NDArray[np.bool_]]:
    seed = scene.sitter_seed
    depth = np.full_like(u, -1.0)
    material = np.zeros_like(u)
    for part in (_torso, _arm_mask, _neck, _head):
        z, albedo = part(u, v, scene.pose.yaw, seed)
        front = z > depth
        depth = np.where(front, z, depth)
        material = np.where(front, albedo, material)
    return depth, material, depth > -0.5


def _dome(
    u: Array, v: Array, centre: tuple[float, float], radii: tuple[float, float, float]
) -> Array:
    inside = 1.0 - ((u - centre[0]) / radii[0]) ** 2 - ((v - centre[1]) / radii[1]) ** 2
    return np.where(inside > 0, radii[2] * np.sqrt(np.maximum(inside, 0.0)), -1.0)


def _torso(u: Array, v: Array, yaw: float, seed: int) -> tuple[Array, Array]:
    z = _dome(u, v, (0.0, 1.02), (0.40, 0.42, 0.20))
    folds = 0.006 * _waves(u, v, seed, 28.0) + 0.002 * _waves(u, v, seed + 1, 90.0)
    seam = np.exp(-(((u - 0.03 - 0.1 * (v - 0.6)) / 0.004) ** 2))
    button = np.zeros_like(u)
    for at in (0.70, 0.78, 0.86, 0.94):
        button += np.exp(-(((u - 0.06) / 0.008) ** 2) - ((v - at) / 0.008) ** 2)
    albedo = 0.80 * (1.0 - 0.5 * seam) * (1.0 - 0.6 * np.clip(button, 0.0, 1.0))
    return np.where(z > -0.5, z + folds, z), albedo


def _arm_mask(u: Array, v: Array, yaw: float, seed: int) -> tuple[Array, Array]:
    z = _dome(u, v, (-0.20, 0.79), (0.10, 0.13, 0.12))
    lattice = (np.sin(u * 260.0) * np.sin(v * 260.0)) > 0.0
    rim = np.abs(((u + 0.20) / 0.10) ** 2 + ((v - 0.79) / 0.13) ** 2 - 0.85) < 0.1
    albedo = np.where(rim, 0.12, np.where(lattice, 0.03, 0.07))
    return np.where(z > -0.5, z + 0.20, z), albedo


def _neck(u: Array, v: Array, yaw: float, seed: int) -> tuple[Array, Array]:
    z = np.where(
        (np.abs(u) < 0.075) & (v > 0.45) & (v < 0.68),
        np.sqrt(np.maximum(0.075**2 - u**2, 0.0)) + 0.02,
        -1.0,
    )
    return z, np.full_like(u, 0.30)


def _head(u: Array, v: Array, yaw: float, seed: int) -> tuple[Array, Array]:
    z = _dome(u, v, (0.0, 0.36), (0.135, 0.19, 0.14))
    lat = (v - 0.36) / 0.19
    wide = np.sqrt(np.maximum(1.0 - lat**2, 1e-6)) * 0.135
    lon = np.rad2deg(np.arcsin(np.clip(u / wide, -1.0, 1.0))) - yaw
    nose = np.exp(-((lon / 9.0) ** 2) - ((lat - 0.12) / 0.22) ** 2)
    sockets = sum(
        np.exp(-(((lon - s) / 11.0) ** 2) - ((lat + 0.12) / 0.09) ** 2) for s in (-26, 26)
    )
    z = np.where(
        z > -0.5,
        z + 0.03 * nose - 0.012 * sockets + 0.0015 * _waves(lon / 25, lat * 3, seed + 4, 6.0),
        z,
    )
    albedo = _face(lon, lat)
    hairline = -0.62 + 0.10 * np.cos(np.deg2rad(lon) * 2.0) * -1.0 + 0.03 * np.sin(lon / 6.0)
    is_hair = (lat < hairline) | (np.abs(lon) > 78.0)
    strands = 0.22 + 0.10 * np.sin(lon * 1.3 + 3.0 * _waves(lon / 20.0, lat, seed + 5, 4.0))
    return z, np.where(is_hair, np.clip(strands, 0.05, 1.0), albedo)


def _face(lon: Array, lat: Array) -> Array:
    skin = np.full_like(lon, 0.36)
    for side in (-26.0, 26.0):
        white = ((lon - side) / 10.0) ** 2 + ((lat + 0.10) / 0.05) ** 2 < 1.0
        iris = ((lon - side) / 4.0) ** 2 + ((lat + 0.10) / 0.045) ** 2 < 1.0
        brow = (np.abs(lon - side) < 14.0) & (
            np.abs(lat + 0.26 + 0.0004 * (lon - side) ** 2) < 0.03
        )
        skin = np.where(white, 0.6, skin)
        skin = np.where(iris, 0.06, skin)
        skin = np.where(brow, 0.12, skin)
    mouth = (lon / 20.0) ** 2 + ((lat - 0.52) / 0.05) ** 2 < 1.0
    nostril = ((np.abs(lon) - 6.0) / 3.0) ** 2 + ((lat - 0.30) / 0.03) ** 2 < 1.0
    skin = np.where(mouth, 0.2, skin)
    return np.where(nostril, 0.1, skin)


def _normals(depth: Array, cell: float) -> tuple[Array, Array, Array]:
    clear = np.where(depth < -0.5, np.nan, depth)
    gy, gx = np.gradient(clear, cell)
    gx, gy = np.nan_to_num(np.clip(gx, -6.0, 6.0)), np.nan_to_num(np.clip(gy, -6.0, 6.0))
    size = np.sqrt(gx**2 + gy**2 + 1.0)
    return -gx / size, -gy / size, 1.0 / size


def _from(normals: tuple[Array, Array, Array], off_axis: float, elevation: float) -> Array:
    a, e = math.radians(off_axis), math.radians(elevation)
    x, y, z = math.sin(a) * math.cos(e), -math.sin(e), math.cos(a) * math.cos(e)
    return np.clip(normals[0] * x + normals[1] * y + normals[2] * z, 0.0, None)


def _spot(x: Array, y: Array, at: tuple[float, float], radius: float, soft: float) -> Array:
    far = np.hypot(x - at[0], y - at[1])
    return 0.04 + 0.96 / (1.0 + np.exp((far - radius) / soft))


def _on_sitter(x: Array, y: Array, normals: tuple[Array, Array, Array], lamps: Lamps) -> Array:
    key = 1.15 * _power(lamps.key) * _spot(x, y, (0.03, 0.5), 0.38, 0.05) * _from(normals, 60, 35)
    fill = (
        0.28 * _power(lamps.fill) * _spot(x, y, (-0.05, 0.6), 0.5, 0.12) * _from(normals, -35, -10)
    )
    hair = 0.9 * _power(lamps.hair) * _spot(x, y, (0.0, 0.2), 0.22, 0.04) * _from(normals, 170, 50)
    hair += 0.25 * _power(lamps.hair) * _spot(x, y, (0.0, 0.2), 0.22, 0.04) * _from(normals, 20, 80)
    return key + fill + hair + 0.004
