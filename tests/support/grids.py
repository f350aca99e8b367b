"""Grids of light that is known as an array."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.reduction import BLOCKS_ACROSS, Asked, reduce

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.frame import Window
    from stopwise.grid import LightGrid

BT709 = (0.2126, 0.7152, 0.0722)


@dataclass(frozen=True, eq=False)
class Signals:
    """Light that is known as an array: a model's, a made picture's.

    Attributes
    ----------
    light
        float32 (n_channels, h, w), balanced linear signal, anchor = 1, upright.
    """

    light: NDArray[np.float32]

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of cells."""
        return self.light.shape[1], self.light.shape[2]

    def signals(self, at: Window, /) -> NDArray[np.float32]:
        """Return the signals of a window, float32 (n_channels, rows, columns)."""
        return self.light[:, at[0], at[1]]

    def signals_and_fullest(self, at: Window, /) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return them twice: its photosites are its cells."""
        return self.signals(at), self.signals(at)


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
