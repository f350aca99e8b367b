"""Frame: a decoded raw, the mosaic untouched, with all that is needed to read it as light."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple, TypeVar

import numpy as np

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

T = TypeVar("T", bound=np.generic)

Box = tuple[float, float, float, float]
"""x0, y0, x1, y1 as fractions of the upright picture, x to the right, y down."""

Point = tuple[float, float]
"""x, y as fractions of the upright picture."""

Held = Literal["upright", "landscape"]
"""How the camera was held: the picture is taller than wide, or wider than tall."""

Window = tuple[slice, slice]
"""Rows and columns of an upright picture of cells or of blocks."""

_FIRST_TURNED = 5  # TIFF/EP tag 274: from 5 on rows and columns change places


@dataclass(frozen=True, slots=True)
class Camera:
    """Which camera wrote the file; a part that the file doesn't say is None.

    Attributes
    ----------
    make, model
        Its maker and its body.
    lens
        As the file calls it.
    """

    make: str | None = None
    model: str | None = None
    lens: str | None = None


@dataclass(frozen=True, slots=True)
class Exposure:
    """The settings the file names; what it doesn't say, or says impossibly (ISO 0), is None.

    Attributes
    ----------
    iso
        Exposure index.
    f_number
        As stored, often rounded (5.596 for f/5.6).
    shutter_s
        Seconds.
    taken
        ISO 8601 local time, fractions of a second where the file has them.
    """

    iso: float | None = None
    f_number: float | None = None
    shutter_s: float | None = None
    taken: str | None = None


@dataclass(frozen=True, slots=True)
class NamedLevels:
    """Black and white as the file names them, one value for each colour, in raw levels.

    Attributes
    ----------
    black
        Mean black of each colour.
    anchor
        Per-channel white where the file has one, else its white: zones stand on it.
    anchor_source
        Which of the two it is.
    white
        The file's single white level.
    """

    black: tuple[float, ...]
    anchor: tuple[float, ...]
    anchor_source: Literal["per-channel white", "white"]
    white: float


class CameraKey(NamedTuple):
    """What a learned saturation level holds for: one colour of one body at one ISO.

    Attributes
    ----------
    make, model
        As the file says; "" where it doesn't.
    iso
        Exposure index; 0 where the file doesn't say.
    white
        The white level that the file names, raw levels.
    colour
        One of the frame's `colours`.
    """

    make: str
    model: str
    iso: float
    white: float
    colour: str


@dataclass(frozen=True, eq=False, slots=True)
class Masked:
    """Photosites that no light reaches.

    Attributes
    ----------
    levels
        uint16 (n,), raw levels.
    colour
        uint8 (n,), index into the frame's `colours`.
    """

    levels: NDArray[np.uint16]
    colour: NDArray[np.uint8]


@dataclass(frozen=True, eq=False, slots=True)
class Frame:
    """A decoded raw file: linear levels as the sensor gave them, and how to read them.

    Attributes
    ----------
    path
        The file it came from.
    mosaic
        Visible photosites as decoded, uint16, in sensor orientation: shape (H, W) for a mosaic or a
        monochrome sensor, (H, W, planes) for a stack of full planes. Never written to.
    pattern
        uint8, index into `colours` of each photosite of one cell: shape (2, 2) for Bayer, (6, 6)
        for X-Trans, (1, 1) for monochrome, (1, 1, planes) for a stack. Its origin is the mosaic's.
    colours
        Name of each index: ("R", "G", "B", "G2") for Bayer, ("R", "G", "B") for X-Trans and stacks
        of three, ("M",) for monochrome.
    levels
        Black and white as named by the file.
    black_offset
        float32 broadcastable to the mosaic, what black adds to `levels.black` place by place
        (repeat patterns, row and column deltas); None where black is one value a colour.
    daylight, as_shot
        White balance multipliers of R, G, B with G = 1; None where the file has none that hold.
    xyz_to_camera
        float64 (3, 3), rows R, G, B: camera response to CIE XYZ; None where the file has none.
    orientation
        TIFF/EP orientation, 1 to 8.
    camera, exposure
        What the file says about where it came from.
    bits
        Depth of the levels, where known.
    masked
        uint16 optically black photosites with their colour index, or None.
    """

    path: Path
    mosaic: NDArray[np.uint16]
    pattern: NDArray[np.uint8]
    colours: tuple[str, ...]
    levels: NamedLevels
    orientation: int = 1
    black_offset: NDArray[np.float32] | None = None
    daylight: tuple[float, float, float] | None = None
    as_shot: tuple[float, float, float] | None = None
    xyz_to_camera: NDArray[np.float64] | None = None
    camera: Camera = Camera()
    exposure: Exposure = Exposure()
    bits: int | None = None
    masked: Masked | None = None

    def key_of(self, colour: str) -> CameraKey:
        """Return what a saturation level of one of its colours holds for."""
        camera, iso = self.camera, self.exposure.iso
        return CameraKey(
            camera.make or "", camera.model or "", iso or 0.0, self.levels.white, colour
        )

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the upright picture, in photosites."""
        height, width = self.mosaic.shape[:2]
        return (height, width) if self.orientation >= _FIRST_TURNED else (width, height)

    def upright(self, plane: NDArray[T]) -> NDArray[T]:
        """Return a view of a sensor-oriented array (h, w, ...), in any unit, stood upright."""
        return upright(plane, self.orientation)


def held(size: tuple[int, int]) -> Held | None:
    """Return how the camera was held for a picture of this width and height; None for a square."""
    width, height = size
    return None if width == height else "upright" if height > width else "landscape"


def upright(plane: NDArray[T], orientation: int) -> NDArray[T]:
    """Turn an array as the picture stands, after TIFF/EP tag 274.

    Parameters
    ----------
    plane
        Shape (h, w, ...), in any unit, in sensor orientation.
    orientation
        1 to 8: which edge of the upright picture the first row and the first column are.

    Returns
    -------
    ndarray
        A view: (h, w, ...) for 1 to 4, (w, h, ...) for 5 to 8.

    Raises
    ------
    ValueError
        If `orientation` isn't 1 to 8.
    """
    if not 1 <= orientation <= len(_TURNS):
        msg = f"orientation must be 1 to 8, got {orientation!r}"
        raise ValueError(msg)
    swap, rows, columns = _TURNS[orientation - 1]
    turned = np.swapaxes(plane, 0, 1) if swap else plane
    return turned[::rows, ::columns]


def window(box: Box, shape: tuple[int, int]) -> Window:
    """Return the rows and columns that a box holds.

    Parameters
    ----------
    box
        x0, y0, x1, y1 as fractions of the upright picture.
    shape
        Rows and columns of the upright picture, in cells or blocks.

    Returns
    -------
    tuple of slice
        Rows round(y0 h) to round(y1 h) and columns round(x0 w) to round(x1 w), at least one each.
    """
    x0, y0, x1, y1 = box
    return _span(y0, y1, shape[0]), _span(x0, x1, shape[1])


def _span(low: float, high: float, cells: int) -> slice:
    start = min(max(round(low * cells), 0), cells - 1)
    return slice(start, max(min(round(high * cells), cells), start + 1))


_TURNS = (
    (False, 1, 1),
    (False, 1, -1),
    (False, -1, -1),
    (False, -1, 1),
    (True, 1, 1),
    (True, 1, -1),
    (True, -1, -1),
    (True, -1, 1),
)
"""For orientations 1 to 8: swap the axes first, then the step along rows and along columns."""
