"""From scene, lamps and view to the light on the sensor: one field for each lamp, ambient apart.

Fields are linear RGB, upright, in units of the level that the file names as white, at the exposure
of the plan. Any powers are a weighted sum of them, which is what tests of adding lights stand on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import gaussian_filter, maximum_filter, minimum_filter

from lightmodel import paint, tracing
from lightmodel.geometry import column, dot, unit
from lightmodel.scene import PAPER_Z, Material

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from lightmodel.geometry import Points
    from lightmodel.lamps import Lamp
    from lightmodel.scene import Scene
    from lightmodel.view import View

    Picture = NDArray[np.float32]

MID_GREY = 0.18 / np.sqrt(2.0)
"""Level of an 18 % card that the meter put in the middle: ISO 12232, saturation-based speed."""

ROOM_COLOUR = (1.12, 1.0, 0.8)
"""Room light is warmer than the lamps."""

_COARSE_M = 0.005
_BLOCK = 6
_BEFORE_M = np.float32(0.008)
_SOLIDS_WITHIN_M = 0.6


@dataclass(frozen=True, eq=False, slots=True)
class Surface:
    """What each photosite sees, row by row: (3, n) places, normals, colours; (n,) the rest."""

    points: Points
    normals: Points
    colours: Points
    sheen: NDArray[np.float32]
    sharpness: NDArray[np.float32]
    material: NDArray[np.uint8]


@dataclass(frozen=True, eq=False, slots=True)
class Fields:
    """Light on the sensor by lamp at plan power, and ambient: (rows, columns, 3) float32 each."""

    lamps: Mapping[str, Picture]
    ambient: Picture
    material: NDArray[np.uint8]

    def flash(self, turns: Mapping[str, float]) -> Picture:
        """Return the sum of the lamps named, each turned by so many stops from plan power."""
        total = np.zeros_like(self.ambient)
        for name, stops in turns.items():
            total += np.float32(2.0**stops) * self.lamps[name]
        return total


def surface(scene: Scene, view: View) -> Surface:
    """Find what each photosite of a view sees of a scene."""
    rays = view.rays()
    eye = column(view.eye)
    reach = tracing.march(
        scene.distance, eye, rays, _starts(scene, view), view.eye[2] + _SOLIDS_WITHIN_M
    )
    solid = np.isfinite(reach)
    to_paper = (PAPER_Z - eye[2]) / rays[2]
    points = eye + rays * np.where(solid, reach, to_paper).astype(np.float32)
    facing = np.repeat(column((0.0, 0.0, 1.0)), solid.size, axis=1)
    material = np.full(solid.size, Material.PAPER, np.uint8)
    if solid.any():
        facing[:, solid] = tracing.normals(scene.distance, points[:, solid])
        material[solid] = scene.material(points[:, solid])
    return Surface(
        points, facing, paint.colours(scene, points, material), *paint.sheen(material), material
    )


def render(scene: Scene, view: View, lamps: tuple[Lamp, ...], ambient_level: float) -> Fields:
    """Render every lamp's own field and the ambient light.

    Parameters
    ----------
    scene, view, lamps
        What is lit, from where it is seen, and by what.
    ambient_level
        Ambient light from above, meter units.
    """
    seen = surface(scene, view)
    fields = {lamp.name: lamp_field(scene, view, seen, lamp) for lamp in lamps}
    return Fields(
        fields, ambient_field(view, seen, ambient_level), seen.material.reshape(view.shape)
    )


def lamp_field(scene: Scene, view: View, seen: Surface, lamp: Lamp) -> Picture:
    """Return the light on the sensor from one lamp at plan power, (rows, columns, 3)."""
    light = lamp.light_on(seen.points, seen.normals)
    light *= _shadows(scene, view, seen, lamp, light)
    mirrored = seen.sheen * _glint(view, seen, lamp)
    return _picture(view, (seen.colours + mirrored) * light * column(lamp.colour))


def ambient_field(view: View, seen: Surface, level: float) -> Picture:
    """Return the light on the sensor from a dim, warm room above, `level` in meter units."""
    overhead = np.float32(level) * (0.55 + 0.45 * seen.normals[1])
    return _picture(view, seen.colours * overhead * column(ROOM_COLOUR))


def _glint(view: View, seen: Surface, lamp: Lamp) -> NDArray[np.float32]:
    """Return the mirrored light of a glossy surface against the light that falls on it."""
    glint = np.zeros(seen.sheen.shape, np.float32)
    glossy = np.flatnonzero(seen.sheen > 0.0)
    points = seen.points[:, glossy]
    halfway = unit(unit(column(lamp.position) - points) + unit(column(view.eye) - points))
    cosine = np.maximum(dot(halfway, seen.normals[:, glossy]), 0.0)
    sharp = seen.sharpness[glossy]
    glint[glossy] = (sharp + 8.0) / 8.0 * cosine**sharp
    return glint


def _picture(view: View, light: Points) -> Picture:
    """Return light (3, n) as a picture in units of white, softened as a lens does."""
    rows, columns = view.shape
    picture = (light * np.float32(MID_GREY / paint.GREY_CARD)).reshape(3, rows, columns)
    sharp = np.moveaxis(picture, 0, -1)
    return gaussian_filter(sharp, sigma=(view.blur, view.blur, 0.0), mode="nearest")


def _starts(scene: Scene, view: View) -> NDArray[np.float32]:
    """Return where along each ray to begin: just before what a coarse look found near it."""
    step, begin = _step(view), view.eye[2] - _SOLIDS_WITHIN_M
    if step == 1:
        return np.full(view.width * view.height, begin, np.float32)
    rays = view.rays(step=step)
    first = np.full(rays.shape[1], begin, np.float32)
    eye, end = column(view.eye), view.eye[2] + _SOLIDS_WITHIN_M
    found = tracing.march(scene.distance, eye, rays, first, end)
    grid = found.reshape(tuple(len(range(step // 2, side, step)) for side in view.shape))
    nearest = minimum_filter(grid, size=3, mode="nearest") - _BEFORE_M
    return _spread(nearest, view, step).ravel()


def _step(view: View) -> int:
    """Return every how many photosites a coarse look is taken."""
    return int(np.clip(_COARSE_M / view.pitch_m, 1, _BLOCK))


def _spread(grid: Picture, view: View, step: int) -> Picture:
    """Return a coarse grid with each value over its block of photosites."""
    rows, columns = (
        np.minimum(np.arange(side) // step, count - 1)
        for side, count in zip(view.shape, grid.shape, strict=True)
    )
    return grid[np.ix_(rows, columns)]


def _shadows(
    scene: Scene, view: View, seen: Surface, lamp: Lamp, light: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return how much of the lamp each point sees; worked out in full only near shadow edges."""
    step = _step(view)
    every = np.arange(light.size).reshape(view.shape)
    if step == 1:
        return _lit(scene, seen, lamp, every.ravel(), light)
    coarse = every[step // 2 :: step, step // 2 :: step]
    share = _lit(scene, seen, lamp, coarse.ravel(), light).reshape(coarse.shape)
    least, most = (
        _spread(pick(share, size=3, mode="nearest"), view, step).ravel()
        for pick in (minimum_filter, maximum_filter)
    )
    result = least.copy()
    unsure = np.flatnonzero((least != most) & (light > 0.0))
    result[unsure] = _lit(scene, seen, lamp, unsure, light)
    return result


def _lit(
    scene: Scene, seen: Surface, lamp: Lamp, chosen: NDArray[np.intp], light: NDArray[np.float32]
) -> NDArray[np.float32]:
    share = np.zeros(chosen.size, np.float32)
    reached = light[chosen] > 0.0
    points = seen.points[:, chosen[reached]]
    share[reached] = tracing.lit_share(
        scene.distance, points, column(lamp.position), lamp_radius_m=lamp.front_m / 2.0
    )
    return share
