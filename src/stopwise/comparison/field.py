"""Two pictures' difference in stops: the field that a map of contours is drawn from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.comparison.framing import Framing
    from stopwise.measurement.motion import Motion, Rectangle

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


def brought_along(
    before: NDArray[np.floating], window: Rectangle, motion: Motion, *, whole: bool
) -> NDArray[np.float64]:
    """Return a picture as it would lie had it moved as the sitter or the camera did.

    Parameters
    ----------
    before
        Shape (h, w), linear luminance.
    window, motion
        What moved and how, in this picture's blocks.
    whole
        Whether all of it moved, with the camera; else only what lies in the window.

    Returns
    -------
    ndarray
        float64 (h, w), bilinear; where nothing is known the picture stays as it was.
    """
    from scipy.ndimage import map_coordinates

    rows, columns = np.indices(before.shape, dtype=float)
    turn = np.deg2rad(motion.tilt)
    down = (rows - window.row - motion.down) / motion.scale
    across = (columns - window.column - motion.across) / motion.scale
    v = down * np.cos(turn) - across * np.sin(turn)
    u = down * np.sin(turn) + across * np.cos(turn)
    source = np.stack((v + window.row, u + window.column))
    plane = np.nan_to_num(before.astype(float))
    moved = map_coordinates(plane, source, order=1, mode="constant", cval=np.nan)
    held = np.isfinite(moved)
    if not whole:
        held &= (np.abs(v) <= window.tall) & (np.abs(u) <= window.wide)
    along: NDArray[np.float64] = np.where(held, moved, plane)
    return along


def field_of_moved(
    pictures: tuple[NDArray[np.floating], NDArray[np.floating]],
    framing: Framing,
    *,
    settings_stops: float = 0.0,
) -> NDArray[np.float64] | None:
    """Return the difference of two pictures between which sitter or camera moved.

    Parameters
    ----------
    pictures
        Before and after, shape (h, w), on the blocks that the framing was read on.
    framing
        Who moved, and how.
    settings_stops
        As for :func:`difference_field`.

    Returns
    -------
    ndarray or None
        Where the sitter moved, each place is taken as having stayed or gone along, whichever fits:
        the set round him stays while he goes.
    """
    before, after = pictures
    stayed = difference_field(before, after, settings_stops=settings_stops)
    if stayed is None or framing.motion is None or framing.window is None:
        return stayed
    whole = framing.who == "camera"
    along = brought_along(before, framing.window, framing.motion, whole=whole)
    went = difference_field(along, after, settings_stops=settings_stops)
    if went is None or whole:
        return went
    nearer: NDArray[np.float64] = np.where(np.abs(went) < np.abs(stayed), went, stayed)
    return nearer
