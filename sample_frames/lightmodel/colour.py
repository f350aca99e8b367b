"""Our invented camera's colours: how it answers to light, and back to luminance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

XYZ_TO_CAMERA = np.array(
    [[0.7912, -0.2034, -0.0817], [-0.4468, 1.2195, 0.2513], [-0.1043, 0.2326, 0.5489]]
)
"""Rows R, G, B: answer to CIE XYZ under D65; blue's share of Y is negative, as real cameras' is."""

RGB_TO_XYZ = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
"""Linear RGB of BT.709 primaries to CIE XYZ, white D65 (IEC 61966-2-1)."""

_NEUTRAL = XYZ_TO_CAMERA @ RGB_TO_XYZ.sum(axis=1)

NEUTRAL = _NEUTRAL / _NEUTRAL[1]
"""What the camera gives for a neutral under daylight, green at 1."""

MULTIPLIERS = 1.0 / NEUTRAL
"""Daylight balance: brings a neutral to R = G = B, green untouched."""

RGB_TO_CAMERA = XYZ_TO_CAMERA @ RGB_TO_XYZ / _NEUTRAL[1]
"""Linear RGB to raw signals: a neutral of 1 gives green 1."""


def _luminance_weights() -> NDArray[np.float64]:
    balanced = XYZ_TO_CAMERA / _NEUTRAL[:, None]
    row = np.maximum(np.linalg.inv(balanced)[1], 0.0)
    return row / row.sum()


WEIGHTS = _luminance_weights()
"""Share of balanced R, G, B in luminance: the Y row, negative weights left out, summing to 1."""
