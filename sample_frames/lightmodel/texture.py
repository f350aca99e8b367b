"""Speckle in space: repeatable smooth noise for cloth, skin, hair and paper."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import map_coordinates

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lightmodel.geometry import Points, Vector

_LATTICE = 48


@cache
def _lattice(seed: int) -> NDArray[np.float32]:
    rng = np.random.default_rng(seed)
    return rng.standard_normal((_LATTICE,) * 3, dtype=np.float32)


def speckle(points: Points, grain_m: Vector, *, seed: int = 0) -> NDArray[np.float32]:
    """Return noise of mean 0 that is smooth over one grain.

    Parameters
    ----------
    points
        Places, (3, n), metres.
    grain_m
        Size of a grain along x, y and z: long along one axis makes strands.
    seed
        Another seed, another pattern.

    Returns
    -------
    ndarray
        (n,), standard deviation about 0.5.
    """
    places = points / np.asarray(grain_m, np.float32)[:, None]
    return map_coordinates(_lattice(seed), places, order=1, mode="grid-wrap")
