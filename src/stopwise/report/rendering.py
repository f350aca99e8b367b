"""Rendering: linear light as a screen shows it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

_GREY_SHOWN = 0.18
"""Linear light that mid-grey is shown with: an 18 % card."""

_KNEE = 0.6
"""Linear light up to which tones are straight: two thirds of a stop under the screen's white."""


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
    shown = (matrix.T * (_GREY_SHOWN / mid_grey)).astype(np.float32)  # 8 bits need no more
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
