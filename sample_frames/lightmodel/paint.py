"""Colours and sheen of every surface, with modest texture that stays on it as it moves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from lightmodel.scene import Material
from lightmodel.texture import speckle

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from lightmodel.geometry import Points
    from lightmodel.scene import Scene, Wardrobe

    Colours = NDArray[np.float32]

SHEEN: dict[Material, tuple[float, float]] = {
    Material.SKIN: (0.02, 14.0),
    Material.NECK: (0.01, 10.0),
    Material.HAIR: (0.03, 18.0),
    Material.EYE: (0.08, 400.0),
    Material.MASK: (0.006, 25.0),
    Material.METAL: (0.9, 60.0),
}
"""Mirrored share and sharpness (the power of the cosine) of materials that shine."""

GREY_CARD = 0.18
PAPER = 0.19
HAIR = (0.31, 0.3, 0.29)
LIP = (0.4, 0.2, 0.17)
_GAZE = 0.0022
"""The eyes look back towards the camera, metres of iris to camera right."""

BROW = (0.13, 0.12, 0.115)


def colours(scene: Scene, points: Points, material: NDArray[np.uint8]) -> Colours:
    """Return the linear RGB reflectance of each point, (3, n)."""
    painted = np.empty(points.shape, np.float32)
    for kind in np.unique(material):
        chosen = material == kind
        painted[:, chosen] = _PAINTERS[Material(kind)](
            _own_place(scene, kind, points[:, chosen]), scene.wardrobe
        )
    return painted


def sheen(material: NDArray[np.uint8]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return mirrored share and sharpness for each point, (n,) each."""
    table = np.array([SHEEN.get(kind, (0.0, 1.0)) for kind in Material], np.float32)
    return table[material, 0], table[material, 1]


def _own_place(scene: Scene, kind: int, points: Points) -> Points:
    if scene.pose is None or kind > Material.METAL:
        return points
    return scene.pose.to_head(points) if kind <= Material.EYE else scene.pose.to_body(points)


def _plain(colour: tuple[float, float, float], count: int) -> Colours:
    return np.repeat(np.asarray(colour, np.float32)[:, None], count, axis=1)


def _mix(base: Colours, colour: tuple[float, float, float], share: NDArray[np.float32]) -> Colours:
    return base + (np.asarray(colour, np.float32)[:, None] - base) * share


def _soft(value: NDArray[np.float32], width: float) -> NDArray[np.float32]:
    """0 where value is well below 0, 1 well above, over about `width`."""
    return np.clip(value / np.float32(width) + np.float32(0.5), 0.0, 1.0)


def _skin(points: Points, wardrobe: Wardrobe) -> Colours:
    x, y, z = np.abs(points[0]), points[1], points[2]
    tone = (
        1.0
        + 0.035 * speckle(points, (0.004, 0.004, 0.004))
        + 0.04 * speckle(points, (0.02,) * 3, seed=1)
    )
    face = _plain(wardrobe.skin, x.size) * tone
    shaved = _soft(-(y + 0.045), 0.03) * _soft(z + 0.01, 0.04)
    face = face * (1.0 - 0.22 * shaved)
    lips = _soft(0.0075 - np.hypot(0.3 * x, y + 0.0655), 0.003) * _soft(z - 0.075, 0.01)
    face = _mix(face, LIP, 0.7 * lips)
    slit = _soft(0.0009 - np.abs(y + 0.0655 + 8.0 * x * x), 0.0012) * _soft(0.021 - x, 0.004)
    face = face * (1.0 - 0.75 * slit * _soft(z - 0.06, 0.01))
    arch = np.abs(y - 0.036 + 4.0 * (x - 0.026) ** 2) - 0.0045
    brow = _soft(-arch, 0.003) * _soft(0.016 - np.abs(x - 0.029), 0.006) * _soft(z - 0.05, 0.02)
    hairs = np.clip(0.85 + 0.2 * speckle(points, (0.0009, 0.0022, 0.0022), seed=2), 0.0, 1.0)
    return _mix(face, BROW, brow * hairs)


def _hair(points: Points, _: Wardrobe) -> Colours:
    strands = speckle(points, (0.0016, 0.012, 0.02), seed=3)
    locks = speckle(points, (0.007, 0.03, 0.05), seed=4)
    return _plain(HAIR, points.shape[1]) * np.clip(1.0 + 0.3 * strands + 0.18 * locks, 0.3, 2.0)


def _eye(points: Points, _: Wardrobe) -> Colours:
    off = np.hypot(np.abs(points[0] - _GAZE) - 0.031, points[1] - 0.0085)
    white = _plain((0.42, 0.4, 0.38), off.size)
    iris = _mix(white, (0.05, 0.07, 0.09), _soft(0.0056 - off, 0.0008))
    return _mix(iris, (0.008, 0.008, 0.008), _soft(0.0024 - off, 0.0008))


def _neck(points: Points, wardrobe: Wardrobe) -> Colours:
    tone = 0.94 + 0.05 * speckle(points, (0.006, 0.006, 0.006), seed=5)
    return _plain(wardrobe.skin, points.shape[1]) * tone


def _cloth(points: Points, wardrobe: Wardrobe) -> Colours:
    x, y, z = points
    weave = 1.0 + 0.05 * speckle(points, (0.002, 0.002, 0.002), seed=6)
    jacket = _plain(wardrobe.cloth, x.size) * weave
    strap = (
        _soft(0.0125 - np.abs(y + 0.4 + 0.12 * x), 0.002)
        * _soft(z, 0.02)
        * _soft(0.155 - np.abs(x), 0.01)
    )
    placket = _soft(0.0012 - np.abs(x - 0.085 - 0.12 * (y + 0.4)), 0.0012) * _soft(z, 0.02)
    jacket = jacket * (1.0 - 0.45 * placket * _soft(y + 0.5, 0.6))
    return _mix(jacket, wardrobe.strap, strap)


def _mask(points: Points, _: Wardrobe) -> Colours:
    y = points[1]
    mesh = speckle(points, (0.003, 0.003, 0.003), seed=8)
    bowl = _plain((0.018, 0.018, 0.02), y.size) * (1.0 + 0.25 * mesh)
    return _mix(bowl, (0.03, 0.03, 0.032), _soft(-(y + 0.545), 0.01))


def _metal(points: Points, _: Wardrobe) -> Colours:
    return _plain((0.3, 0.3, 0.31), points.shape[1])


def _grey(points: Points, _: Wardrobe) -> Colours:
    return _plain((GREY_CARD,) * 3, points.shape[1])


def _rod(points: Points, _: Wardrobe) -> Colours:
    return _plain((0.05,) * 3, points.shape[1])


def _paper(points: Points, _: Wardrobe) -> Colours:
    fibre = 1.0 + 0.015 * speckle(points, (0.003, 0.003, 0.003), seed=7)
    return _plain((PAPER,) * 3, points.shape[1]) * fibre


_PAINTERS: dict[Material, Callable[[Points, Wardrobe], Colours]] = {
    Material.SKIN: _skin,
    Material.HAIR: _hair,
    Material.EYE: _eye,
    Material.NECK: _neck,
    Material.CLOTH: _cloth,
    Material.MASK: _mask,
    Material.METAL: _metal,
    Material.CHIP: _grey,
    Material.ROD: _rod,
    Material.CARD: _grey,
    Material.PAPER: _paper,
}
