"""Camera matrices and white balances: what the file and the decoder say, made one convention.

Everything here speaks about signals of which each colour's anchor is 1: a neutral's balanced R, G
and B are then equal. Files speak about levels above black on one common scale; :func:`on_anchors`
carries their figures over.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from stopwise.raw.bounds import MOST_FACTOR

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

Triple = tuple[float, float, float]

SRGB_TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
"""Linear sRGB to CIE XYZ under D65, from the primaries of IEC 61966-2-1."""

WHITE_XY = {
    1: (0.3324, 0.3474),
    4: (0.3324, 0.3474),
    9: (0.3324, 0.3474),
    10: (0.3127, 0.3290),
    20: (0.3324, 0.3474),
    21: (0.3127, 0.3290),
    22: (0.2990, 0.3149),
    23: (0.3457, 0.3585),
}
"""Chromaticity of a calibration illuminant by its Exif LightSource code, the daylights and flash.

D50, D55, D65 and D75 as in CIE 015; 'daylight', 'flash' and 'fine weather' are taken as D55,
'cloudy' as D65.
"""

D65 = 21  # Exif LightSource


def white_xyz(illuminant: int) -> NDArray[np.float64]:
    """Return XYZ (3,), Y = 1, of an illuminant by its Exif code; D65 where it isn't daylight."""
    x, y = WHITE_XY.get(illuminant, WHITE_XY[D65])
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


def balance_of_neutral(neutral: ArrayLike) -> Triple | None:
    """Return the multipliers, G = 1, that make a camera's response to a neutral equal."""
    response = np.asarray(neutral, dtype=np.float64)[:3]
    if response.shape != (3,) or not _are_factors(response):
        return None
    red, green, blue = response.tolist()
    return (green / red, 1.0, green / blue)


def balance_of_multipliers(multipliers: Sequence[float]) -> Triple | None:
    """Return R, G, B multipliers with G = 1; None where one is absent (0) or negative."""
    values = np.asarray(multipliers[:3], dtype=np.float64)
    return balance_of_neutral(1.0 / values) if _are_factors(values) else None


def _are_factors(values: NDArray[np.float64]) -> bool:
    return bool(np.all((values >= 1.0 / MOST_FACTOR) & (values <= MOST_FACTOR)))


def matrix_of_decoder(
    rgb_xyz: NDArray[np.float64], color: NDArray[np.float64], daylight: Sequence[float]
) -> NDArray[np.float64] | None:
    """Return XYZ to camera from whichever of the decoder's two matrices is there.

    Parameters
    ----------
    rgb_xyz
        Shape (4, 3), XYZ to camera; all zeros where the decoder has none.
    color
        Shape (3, 4), balanced camera to linear sRGB; all zeros where the decoder has none.
    daylight
        The multipliers by which `color` was balanced.

    Returns
    -------
    ndarray or None
        Shape (3, 3); from `color` it is known up to one common factor.

    Notes
    -----
    The decoder scales the rows of (sRGB to camera) to sum 1, inverts, and keeps the scales as the
    daylight multipliers d: color = (diag(d) M S)^-1, so M = diag(1/d) color^-1 S^-1, with S the
    matrix from sRGB to XYZ.
    """
    if np.any(rgb_xyz[:3]):
        return usable(rgb_xyz[:3])
    balance = balance_of_multipliers(daylight)
    square = usable(color[:, :3])
    if square is None or balance is None:
        return None
    unbalanced = np.linalg.inv(square) / np.array(balance)[:, None]
    return usable(unbalanced @ np.linalg.inv(SRGB_TO_XYZ))


def usable(matrix: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Return a (3, 3) matrix of XYZ; None where it isn't within bounds or can't be inverted."""
    if matrix.shape != (3, 3) or not _are_factors(np.abs(matrix).max()):
        return None
    scale = float(np.abs(matrix).max())
    if abs(float(np.linalg.det(matrix / scale))) < 1e-6:
        return None
    return np.array(matrix, dtype=np.float64)


def on_anchors(
    balance: Triple | None, matrix: NDArray[np.float64] | None, spans: Sequence[float]
) -> tuple[Triple | None, NDArray[np.float64] | None]:
    """Carry a balance and a matrix over to signals of which each colour's anchor is 1.

    Parameters
    ----------
    balance
        Multipliers for levels above black.
    matrix
        (3, 3), XYZ to levels above black.
    spans
        Anchor less black of R, G and B, raw levels.

    Returns
    -------
    tuple
        Both, unchanged where the spans are equal.
    """
    factors = np.asarray(spans[:3], dtype=np.float64) / spans[1]
    if balance is not None:
        red, green, blue = (np.asarray(balance) * factors).tolist()
        balance = (red / green, 1.0, blue / green)
    return balance, None if matrix is None else matrix / factors[:, None]
