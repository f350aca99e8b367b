"""Grids of light that is known as an array."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.reduction import BLOCKS_ACROSS, Asked, Signals, reduce

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.grid import LightGrid

BT709 = (0.2126, 0.7152, 0.0722)


def grid_of(
    light: NDArray[np.floating],
    usable: NDArray[np.bool_] | None = None,
    *,
    across: int = BLOCKS_ACROSS,
    orientation: int = 1,
) -> LightGrid:
    """Reduce Y (h, w), or R, G, B (3, h, w), of which some cells aren't clipped."""
    planes = np.asarray(light, np.float32)
    planes = planes[None] if planes.ndim == 2 else planes
    grid = reduce(
        Signals(planes),
        weights=BT709 if len(planes) == 3 else (1.0,),
        ceiling=(1.0,) * len(planes),
        clipped=None if usable is None else ~usable,
        asked=Asked(across=across),
    )
    return replace(grid, orientation=orientation)
