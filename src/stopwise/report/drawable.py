"""A reduced picture as a screen shows it, ready to be drawn on a slip or sent to the page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.grid import LightGrid


GREY_SHOWN = 0.18
"""Linear light that mid-grey is shown with: an 18 % card."""

_KNEE = 0.6
"""Linear light up to which tones are straight: two thirds of a stop under the screen's white."""


@dataclass(frozen=True, eq=False, slots=True)
class Drawable:
    """A picture as it is drawn.

    Attributes
    ----------
    image
        uint8 (h, w, 3), sRGB.
    luminance
        float (h, w), linear Y with the anchor at 1.
    clipped, blocked
        float (h, w), share of each block's cells that are clipped, or under Zone 1.
    """

    image: NDArray[np.uint8]
    luminance: NDArray[np.floating]
    clipped: NDArray[np.floating]
    blocked: NDArray[np.floating]


def drawable_of(grid: LightGrid) -> Drawable:
    """Return a reduced picture rendered for the screen."""
    return Drawable(
        image=left_clean(render(grid.mean, grid.to_srgb, grid.mid_grey), grid.clipped),
        luminance=grid.luminance,
        clipped=grid.clipped,
        blocked=grid.blocked,
    )


def left_clean(image: NDArray[np.uint8], clipped: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Return a picture whose clipped parts have no colour: it would come from what is missing.

    Parameters
    ----------
    image
        uint8 (h, w, 3), sRGB.
    clipped
        float (h, w), share of each pixel that is clipped, 0 to 1.
    """
    touched = np.asarray(clipped) > 0.0
    share = np.asarray(clipped, float)[touched][:, None]
    parts = image[touched].astype(float)
    clean = image.copy()
    brightest = parts.max(axis=-1, keepdims=True, initial=0.0)
    clean[touched] = np.round(parts * (1.0 - share) + brightest * share).astype(np.uint8)
    return clean


def render(
    light: NDArray[np.float32], to_srgb: Sequence[Sequence[float]] | None, mid_grey: float
) -> NDArray[np.uint8]:
    """Return light as sRGB for a screen, mid-grey at 18 %.

    Parameters
    ----------
    light
        float32 (n_channels, h, w), balanced linear R, G, B, anchor = 1; or one channel, shown grey.
    to_srgb
        Rows of the matrix to linear sRGB; None shows the channels as they are.
    mid_grey
        Y of mid-grey.

    Returns
    -------
    ndarray
        uint8 (h, w, 3). Tones are straight up to 60 % and then lean over into white, so that the
        whole range up to clip can be seen; colours follow the brightest channel.
    """
    rgb = np.moveaxis(np.broadcast_to(light, (3, *light.shape[1:])), 0, -1)
    matrix = np.eye(3) if to_srgb is None else np.asarray(to_srgb)
    shown = (matrix.T * (GREY_SHOWN / mid_grey)).astype(np.float32)  # 8 bits need no more
    linear = np.maximum(rgb @ shown, 0.0)
    peak = np.maximum(linear.max(axis=-1, keepdims=True), 1e-9)
    over, room = np.maximum(peak - _KNEE, 0.0), 1.0 - _KNEE
    bent = np.where(peak > _KNEE, _KNEE + room * over / (over + room), peak)
    encoded = encode_srgb(np.clip(linear * (bent / peak), 0.0, 1.0))
    return np.asarray(np.round(encoded * 255.0), dtype=np.uint8)


def encode_srgb(linear: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return sRGB values 0 to 1 of linear light 0 to 1, any shape: IEC 61966-2-1."""
    low = 12.92 * linear
    high = 1.055 * np.power(np.maximum(linear, 0.0031308), 1.0 / 2.4) - 0.055
    encoded: NDArray[np.floating] = np.where(linear <= 0.0031308, low, high)
    return encoded
