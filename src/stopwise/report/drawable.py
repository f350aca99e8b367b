"""A reduced picture, ready to be drawn on a slip or sent to the page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.grid import LightGrid


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
    from stopwise.report.rendering import render

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
