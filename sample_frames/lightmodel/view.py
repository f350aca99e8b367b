"""The camera's place and its picture plane: rays out, points back onto the picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lightmodel.geometry import Vector, column, unit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from lightmodel.geometry import Points

_TURNED = (6, 8)


@dataclass(frozen=True, slots=True)
class View:
    """A level camera that looks along -z at the sitter.

    Attributes
    ----------
    width, height
        Photosites of the sensor as it lies in the camera, long side first, both even.
    orientation
        TIFF/EP: 1 level, 6 or 8 with the camera turned a quarter.
    eye
        Where the lens is, metres.
    long_side_m
        What the sensor's long side takes in at the sitter, metres.
    blur
        One sigma of the lens's softness, photosites.
    """

    width: int = 1440
    height: int = 1080
    orientation: int = 1
    eye: Vector = (0.0, -0.17, 3.0)
    long_side_m: float = 1.0
    blur: float = 0.7

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the upright picture."""
        if self.orientation in _TURNED:
            return (self.width, self.height)
        return (self.height, self.width)

    @property
    def pitch_m(self) -> float:
        """One photosite at the sitter, metres."""
        return self.long_side_m / self.width

    def rays(self, *, step: int = 1) -> Points:
        """Return unit directions through every `step`-th photosite, upright, (3, rows columns)."""
        rows, columns = (np.arange(step // 2, side, step).astype(np.float32) for side in self.shape)
        down = (rows + 0.5 - self.shape[0] / 2.0) * self.pitch_m
        right = (columns + 0.5 - self.shape[1] / 2.0) * self.pitch_m
        across, upwards = np.meshgrid(right, -down)
        depth = np.full(across.size, -self.eye[2])
        return unit(np.stack((across.ravel(), upwards.ravel(), depth)).astype(np.float32))

    def project(self, points: Points) -> NDArray[np.float64]:
        """Return where points fall as fractions of the upright picture, (2, n): x right, y down."""
        away = (points - column(self.eye)).astype(np.float64)
        scale = self.eye[2] / -away[2] / self.pitch_m
        rows, columns = self.shape
        return np.stack((0.5 + away[0] * scale / columns, 0.5 - away[1] * scale / rows))

    def as_sensor_lies(self, upright: NDArray[np.float32]) -> NDArray[np.float32]:
        """Turn an upright picture (rows, columns, ...) as it falls on the sensor."""
        quarters = {6: 1, 8: -1}.get(self.orientation, 0)
        return np.rot90(upright, quarters)
