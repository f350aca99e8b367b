"""Two pictures' difference in stops: the field that a map of contours is drawn from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEVELS_STOPS = (-2.0, -1.0, -0.5, -0.2, 0.2, 0.5, 1.0, 2.0)
"""Differences in stops that get a contour."""

LEAST_Y = 2.0**-9
"""Light under which noise would make the difference, anchor = 1: darker counts as this."""

SMOOTHING = 2.0
"""Standard deviation in blocks of the smoothing that keeps grain out of the contours."""


def difference_field(
    before: NDArray[np.floating], after: NDArray[np.floating], *, settings_stops: float = 0.0
) -> NDArray[np.float64] | None:
    """Return by how many stops the light differs over the picture, smoothed.

    Parameters
    ----------
    before, after
        Shape (h, w), linear luminance with the anchor at 1, on one scale.
    settings_stops
        What the camera's settings did between the two; it is taken out.

    Returns
    -------
    ndarray or None
        float64 (h, w), after less before; None where the shapes differ or one is a single line.
        What is dark in both has no difference.
    """
    from scipy.ndimage import gaussian_filter

    if before.shape != after.shape or min(before.shape) < 2:
        return None
    then, now = (np.nan_to_num(plane.astype(float)) for plane in (before, after))
    logs = [
        np.log2(np.maximum(plane, LEAST_Y * floor))
        for plane, floor in ((then, 1.0), (now, 2.0**settings_stops))
    ]
    smooth: NDArray[np.float64] = gaussian_filter(
        logs[1] - logs[0] - settings_stops, SMOOTHING, mode="nearest"
    )
    return smooth
