"""Picture: a frame reduced to what a screen or a page needs, still linear, and its rendering."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.blocks import block_sums
from stopwise.measurement.zones import blocked_under
from stopwise.stops import MID_GREY_OF_SATURATION

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.measurement.cells import Cells

SRGB_OF_XYZ = np.array(
    [
        [3.2406, -1.5372, -0.4986],
        [-0.9689, 1.8758, 0.0415],
        [0.0557, -0.2040, 1.0570],
    ]
)
"""Linear sRGB of CIE XYZ with white D65: IEC 61966-2-1."""

_WHITE = np.array([0.9505, 1.0, 1.089])
_GREY_SHOWN = 0.18
_KNEE = 0.6


@dataclass(frozen=True, eq=False, slots=True)
class Picture:
    """A frame as block means.

    Attributes
    ----------
    rgb
        float32 (h, w, 3), balanced linear camera R, G, B, anchor = 1; one grey three times for a
        sensor of one colour.
    luminance
        float32 (h, w), Y, anchor = 1.
    clipped, blocked
        float32 (h, w), share of each block's cells that are clipped, or under Zone 1.
    to_srgb
        float64 (3, 3), linear sRGB of balanced camera RGB.
    mid_grey
        Y of mid-grey.
    """

    rgb: NDArray[np.float32]
    luminance: NDArray[np.float32]
    clipped: NDArray[np.float32]
    blocked: NDArray[np.float32]
    to_srgb: NDArray[np.float64]
    mid_grey: float = MID_GREY_OF_SATURATION


def reduce_picture(
    cells: Cells,
    clipped: NDArray[np.bool_] | None = None,
    *,
    xyz_to_camera: NDArray[np.float64] | None = None,
    mid_grey: float | None = None,
    longest: int = 1024,
) -> Picture:
    """Reduce a frame to block means.

    Parameters
    ----------
    cells
        The frame.
    clipped
        bool (h, w), cells with a clipped photosite; None for none.
    xyz_to_camera
        The frame's matrix; None shows camera colours as they are.
    mid_grey
        Y of mid-grey; None for the default.
    longest
        Blocks along the longer side, at most.
    """
    step = max(1, -(-max(cells.shape) // longest))
    grey = MID_GREY_OF_SATURATION if mid_grey is None else mid_grey
    names = "RGB" if "R" in cells.channels else cells.channels[0] * 3
    planes = {name: _mean(cells.signal(name), step) for name in dict.fromkeys(names)}
    dark_share = _mean(cells.luminance < np.float32(blocked_under(grey)), step)
    return Picture(
        rgb=np.stack([planes[name] for name in names], axis=-1),
        luminance=_mean(cells.luminance, step),
        clipped=np.zeros_like(dark_share) if clipped is None else _mean(clipped, step),
        blocked=dark_share,
        to_srgb=srgb_of_camera(xyz_to_camera, cells.multipliers),
        mid_grey=grey,
    )


def _mean(plane: NDArray[np.generic], step: int) -> NDArray[np.float32]:
    return block_sums(plane, step) / np.float32(step * step)


def srgb_of_camera(
    xyz_to_camera: NDArray[np.float64] | None, multipliers: tuple[float, float, float]
) -> NDArray[np.float64]:
    """Return the matrix to linear sRGB that keeps a neutral neutral.

    The camera's matrix is scaled so that the white of D65 gives balanced R = G = B = 1.
    """
    if xyz_to_camera is None:
        return np.eye(3)
    balanced = np.asarray(multipliers)[:, None] * xyz_to_camera
    balanced = balanced / (balanced @ _WHITE)[:, None]
    return np.asarray(SRGB_OF_XYZ @ np.linalg.inv(balanced))


def render(picture: Picture) -> NDArray[np.uint8]:
    """Return a picture as sRGB for a screen, uint8 (h, w, 3), mid-grey at 18 %.

    Tones are straight up to 60 % and then lean over into white, so that the whole range up to clip
    can be seen; colours follow the brightest channel. Source of the curve's two branches:
    IEC 61966-2-1.
    """
    to_shown = (picture.to_srgb.T * (_GREY_SHOWN / picture.mid_grey)).astype(np.float32)
    linear = np.maximum(picture.rgb @ to_shown, 0.0)  # 8 bits need no more
    peak = np.maximum(linear.max(axis=-1, keepdims=True), 1e-9)
    shown = np.clip(linear * (_shoulder(peak) / peak), 0.0, 1.0)
    return np.asarray(np.round(encode_srgb(shown) * 255.0), dtype=np.uint8)


def _shoulder(light: NDArray[np.floating]) -> NDArray[np.floating]:
    """Bend light above the knee so that it nears 1 without reaching it."""
    over = np.maximum(light - _KNEE, 0.0)
    room = 1.0 - _KNEE
    bent: NDArray[np.floating] = np.where(light > _KNEE, _KNEE + room * over / (over + room), light)
    return bent


def encode_srgb(linear: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return sRGB values 0 to 1 of linear light 0 to 1: IEC 61966-2-1."""
    low = 12.92 * linear
    high = 1.055 * np.power(np.maximum(linear, 0.0031308), 1.0 / 2.4) - 0.055
    encoded: NDArray[np.floating] = np.where(linear <= 0.0031308, low, high)
    return encoded
