"""Following rays to a surface by its distances, coarse to fine, and softly towards a lamp."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

from lightmodel.geometry import length, unit

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from lightmodel.geometry import Distances, Points, Solid

_TOUCH_M = 3e-4
_STRIDE = np.float32(0.9)
_LEAST_STEP_M = np.float32(0.003)
_CLEAR_M = 1.6
_TETRAHEDRON = ((1, -1, -1), (-1, -1, 1), (-1, 1, -1), (1, 1, 1))
_MOST_STEPS = 96
_BATCH = 32_000


def march(solid: Solid, origins: Points, rays: Points, start: Distances, end: float) -> Distances:
    """Follow rays until they touch a solid.

    Parameters
    ----------
    solid
        Distance of points (3, n) to the surface, metres.
    origins, rays
        Where each ray starts, (3, 1) or (3, n), and its unit direction, (3, n).
    start
        Where along each ray to begin, metres, (n,).
    end
        Where to give up, metres.

    Returns
    -------
    ndarray
        Metres along each ray to the surface, infinite where it is missed, (n,).
    """
    hit = np.full(start.shape, np.inf, np.float32)

    def follow(some: NDArray[np.intp]) -> None:
        hit[some] = _march(solid, _pick(origins, some), rays[:, some], start[some], end)

    _in_batches(follow, np.flatnonzero(start < end))
    return hit


def lit_share(
    solid: Solid, points: Points, lamp: Points, *, lamp_radius_m: float, bias_m: float = 0.003
) -> NDArray[np.float32]:
    """Return how much of a lamp each point sees past a solid, 0 to 1.

    A ray towards the lamp that passes the solid at a distance h, t metres from the point, leaves
    about (1 + h R / (t r)) / 2 of a lamp of radius r seen from R metres.

    Parameters
    ----------
    solid
        Distance of points (3, n) to the surface, metres.
    points
        Just where light is asked for, (3, n).
    lamp
        Where the lamp stands, (3, 1).
    lamp_radius_m
        Half the width of its front: what makes the edge of a shadow soft.
    bias_m
        How far along the ray to begin, so that a surface doesn't shade itself.
    """
    share = np.empty(points.shape[1], np.float32)

    def follow(some: NDArray[np.intp]) -> None:
        way = lamp - points[:, some]
        reach = length(way)
        spread = np.float32(lamp_radius_m) / reach
        share[some] = _lit_share(solid, points[:, some], way / reach, spread, bias_m)

    _in_batches(follow, np.arange(points.shape[1]))
    return share


def normals(solid: Solid, points: Points, step_m: float = 8e-4) -> Points:
    """Return the outward unit normals of a solid at points of its surface, (3, n)."""
    outward = np.empty_like(points)

    def slope(some: NDArray[np.intp]) -> None:
        total = np.zeros((3, some.size), np.float32)
        for corner in _TETRAHEDRON:
            offset = np.asarray(corner, np.float32)[:, None]
            total += offset * solid(points[:, some] + offset * np.float32(step_m))
        outward[:, some] = unit(total)

    _in_batches(slope, np.arange(points.shape[1]))
    return outward


def _march(solid: Solid, origins: Points, rays: Points, start: Distances, end: float) -> Distances:
    travelled = start.copy()
    hit = np.full(travelled.shape, np.inf, np.float32)
    going = np.arange(travelled.size)
    for _ in range(_MOST_STEPS):
        if not going.size:
            break
        clear = solid(_pick(origins, going) + rays[:, going] * travelled[going])
        touched = clear < _TOUCH_M
        hit[going[touched]] = travelled[going[touched]]
        travelled[going] += _STRIDE * clear
        going = going[~touched & (travelled[going] < end)]
    return hit


def _lit_share(
    solid: Solid, points: Points, rays: Points, spread: Distances, bias_m: float
) -> NDArray[np.float32]:
    share = np.ones(spread.shape, np.float32)
    travelled = np.full(spread.shape, bias_m, np.float32)
    going = np.arange(spread.size)
    for _ in range(_MOST_STEPS):
        if not going.size:
            break
        clear = solid(points[:, going] + rays[:, going] * travelled[going])
        seen = 0.5 + 0.5 * clear / (travelled[going] * spread[going])
        share[going] = np.minimum(share[going], seen)
        travelled[going] += np.maximum(_STRIDE * clear, _LEAST_STEP_M)
        going = going[(share[going] > 0.0) & (clear < _CLEAR_M)]
    return np.maximum(share, 0.0)


def _in_batches(work: Callable[[NDArray[np.intp]], None], chosen: NDArray[np.intp]) -> None:
    """Do work on parts that stay in the processor's cache, as many at once as there are cores."""
    batches = [chosen[first : first + _BATCH] for first in range(0, chosen.size, _BATCH)]
    if len(batches) == 1:
        work(batches[0])
    elif batches:
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            list(pool.map(work, batches))


def _pick(origins: Points, chosen: NDArray[np.intp]) -> Points:
    return origins if origins.shape[1] == 1 else origins[:, chosen]
