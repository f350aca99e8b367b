"""Two frames held against each other, in stops: a table by patch and contours over the picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.board.pictures import whole
from stopwise.report.contours import even_lines
from stopwise.report.words import shown, signed

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

LEVELS_STOPS = (-2.0, -1.0, -0.5, -0.2, 0.2, 0.5, 1.0, 2.0)
"""Differences in stops that get a contour."""

_LEAST_Y = 2.0**-9
_SMOOTHING = 2.0
_SHORTEST_POINTS = 12


def patch_rows(before: Mapping[str, Any], after: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return what changed in each patch that both frames see, in stops, after less before."""
    rows = []
    there = before.get("patches") or {}
    for name, now in (after.get("patches") or {}).items():
        was = there.get(name) or {}
        key = "log2_y" if was.get("log2_y") is not None else "zone"
        old, new = was.get(key), now.get(key)
        stops = None if old is None or new is None else new - old
        rows.append(
            {
                "name": shown(name),
                "before": was.get("zone"),
                "after": now.get("zone"),
                "stops": stops,
                "figure": "not seen" if stops is None else signed(stops),
            }
        )
    return rows


def contours(before: NDArray[np.floating], after: NDArray[np.floating]) -> list[dict[str, Any]]:
    """Return lines of even difference between two pictures of the same shape.

    Parameters
    ----------
    before, after
        Shape (h, w), linear luminance on one scale.

    Returns
    -------
    list of dict
        `level` in stops, after less before, and `points`, x and y in turn, in 1/10 000 of the
        sides. Empty where the shapes differ.
    """
    from scipy.ndimage import gaussian_filter

    if before.shape != after.shape or min(before.shape) < 2:
        return []
    logs = [np.log2(np.maximum(plane.astype(float), _LEAST_Y)) for plane in (before, after)]
    field = gaussian_filter(logs[1] - logs[0], _SMOOTHING, mode="nearest")
    return [
        {"level": level, "points": whole(line)}
        for level in LEVELS_STOPS
        for line in even_lines(field, level)
        if len(line) >= _SHORTEST_POINTS
    ]
