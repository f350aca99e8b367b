"""Balance: the factors that make a neutral even, and what makes Y and sRGB of balanced RGB."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.frame import Frame

Triple = tuple[float, float, float]

BT709_WEIGHTS: Triple = (0.2126, 0.7152, 0.0722)
"""Luminance weights of linear R, G, B where the file has no matrix: ITU-R BT.709-6."""

D65_XYZ: Triple = (0.95047, 1.0, 1.08883)
"""White of CIE standard illuminant D65, 2 degree observer, Y = 1."""

SRGB_OF_XYZ = np.array(
    [
        [3.2406, -1.5372, -0.4986],
        [-0.9689, 1.8758, 0.0415],
        [0.0557, -0.2040, 1.0570],
    ]
)
"""Linear sRGB of CIE XYZ with white D65: IEC 61966-2-1."""

SRGB_WHITE: Triple = (0.9505, 1.0, 1.089)
"""CIE XYZ that `SRGB_OF_XYZ` takes for white: IEC 61966-2-1."""


def multipliers(frame: Frame, *, balance: str | Triple = "daylight") -> Triple:
    """Return what R, G and B are multiplied by so that a neutral has R = G = B.

    Parameters
    ----------
    frame
        The frame; a sensor of one colour has no balance and gives (1, 1, 1).
    balance
        "daylight", "as shot", or three numbers. What the file doesn't hold is replaced: daylight
        by what the matrix makes of CIE D65, then the one by the other, then (1, 1, 1).

    Returns
    -------
    tuple
        Three factors above 0 with G = 1.

    Raises
    ------
    ValueError
        If `balance` is neither of the two words nor three numbers above 0.
    """
    if not isinstance(balance, str):
        return _green_is_one(balance)
    if balance not in {"daylight", "as shot"}:
        msg = f'balance must be "daylight", "as shot" or three numbers, got {balance!r}'
        raise ValueError(msg)
    if "R" not in frame.colours:
        return (1.0, 1.0, 1.0)
    daylight = frame.daylight or _of_d65(frame.xyz_to_camera)
    first, second = frame.as_shot, daylight
    if balance == "daylight":
        first, second = second, first
    return _green_is_one(first or second or (1.0, 1.0, 1.0))


def weights(xyz_to_camera: NDArray[np.float64] | None, balance: Triple) -> Triple:
    """Return the weights of balanced R, G, B in Y.

    Parameters
    ----------
    xyz_to_camera
        (3, 3), rows R, G, B: camera response to CIE XYZ; None where unknown.
    balance
        The factors that R, G and B were multiplied by.

    Returns
    -------
    tuple
        Each at least 0, sum 1: BT.709's where there is no matrix that can be inverted.

    Notes
    -----
    Y = row 2 of inverse(diag(balance) M). On real cameras blue's weight comes out negative; it is
    set to 0, so that noise in blue can't darken a tone and Y never falls as light is added. The
    sum is made 1, so that a neutral's Y is its green signal.
    """
    if xyz_to_camera is None:
        return BT709_WEIGHTS
    try:
        row = np.linalg.inv(np.diag(balance) @ xyz_to_camera)[1]
    except np.linalg.LinAlgError:
        return BT709_WEIGHTS
    row = np.clip(row, 0.0, None)
    if not np.isfinite(row).all() or row.sum() <= 0.0:
        return BT709_WEIGHTS
    red, green, blue = (float(part) for part in row / row.sum())
    return red, green, blue


def srgb_matrix(xyz_to_camera: NDArray[np.float64] | None, balance: Triple) -> NDArray[np.float64]:
    """Return what makes linear sRGB of balanced R, G, B.

    Parameters
    ----------
    xyz_to_camera
        (3, 3), rows R, G, B: camera response to CIE XYZ; None where unknown.
    balance
        The factors that R, G and B were multiplied by.

    Returns
    -------
    ndarray
        float64 (3, 3). The camera's matrix is scaled so that the white of D65 gives R = G = B = 1:
        a neutral stays neutral. With no matrix camera colours are shown as they are.
    """
    if xyz_to_camera is None:
        return np.eye(3)
    balanced = np.asarray(balance)[:, None] * xyz_to_camera
    balanced = balanced / (balanced @ np.asarray(SRGB_WHITE))[:, None]
    return np.asarray(SRGB_OF_XYZ @ np.linalg.inv(balanced))


def _of_d65(xyz_to_camera: NDArray[np.float64] | None) -> Triple | None:
    if xyz_to_camera is None:
        return None
    neutral = xyz_to_camera @ np.array(D65_XYZ)
    if not np.isfinite(neutral).all() or (neutral <= 0.0).any():
        return None
    red, green, blue = (float(1.0 / part) for part in neutral)
    return red, green, blue


def _green_is_one(factors: Triple) -> Triple:
    red, green, blue = factors
    if not all(np.isfinite(part) and part > 0.0 for part in factors):
        msg = f"balance must hold three finite numbers above 0, got {factors!r}"
        raise ValueError(msg)
    return red / green, 1.0, blue / green
