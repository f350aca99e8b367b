"""A made portrait for tests of what is drawn: paper, a lit head, a white jacket, a dark mask."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.report.drawable import Drawable

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class MadePicture:
    """Stands in for a reduced picture: block means with the anchor at 1."""

    rgb: NDArray[np.float32]
    luminance: NDArray[np.float32]
    clipped: NDArray[np.float32]
    blocked: NDArray[np.float32]


def made_picture(width: int = 960, height: int = 640, *, seed: int = 7) -> MadePicture:
    """Return a head in hard light before paper that falls off, a blown spot on the jacket."""
    x, y = np.meshgrid((np.arange(width) + 0.5) / width, (np.arange(height) + 0.5) / height)
    across = width / height
    light = 0.09 * 2.0 ** (-3.0 * ((x - 0.5) ** 2 + (y - 0.35) ** 2))
    head = ((x - 0.5) * across / 0.22) ** 2 + ((y - 0.42) / 0.27) ** 2
    side = np.clip((x - 0.5) * across / 0.22, -1, 1)
    skin = 0.13 * 2.0 ** (1.6 * side - 0.8 * head)
    light = np.where(head < 1, skin, light)
    hair = (head < 1.1) & (y < 0.28)
    light = np.where(hair, 0.25 + 0.1 * np.sin(90 * x), light)
    jacket = y > 0.68 + 0.9 * (x - 0.5) ** 2
    spot = np.exp(-(((x - 0.62) * across / 0.1) ** 2) - ((y - 0.84) / 0.1) ** 2)
    light = np.where(jacket, 0.22 + 0.25 * np.clip(side, 0, 1) + 0.9 * spot, light)
    mask = ((x - 0.34) * across / 0.12) ** 2 + ((y - 0.82) / 0.13) ** 2 < 1
    light = np.where(mask, 0.006 + 0.02 * np.clip(x - 0.3, 0, 1), light)
    grain = np.random.default_rng(seed).normal(1.0, 0.015, light.shape)
    luminance = np.minimum(light * grain, 1.0).astype(np.float32)
    tint = np.array([1.05, 1.0, 0.93])
    rgb = np.clip(luminance[..., None] * tint, 0, 1).astype(np.float32)
    return MadePicture(
        rgb=rgb,
        luminance=luminance,
        clipped=(luminance >= 0.999).astype(np.float32),
        blocked=(luminance < 0.1273 / 16).astype(np.float32),
    )


def rendered(picture: MadePicture) -> NDArray[np.uint8]:
    """Return a made picture as sRGB, mid-grey lifted to where a screen shows it."""
    bright = np.clip(picture.rgb * 1.41, 0, 1)
    code = np.where(bright <= 0.0031308, 12.92 * bright, 1.055 * bright ** (1 / 2.4) - 0.055)
    return np.round(255 * code).astype(np.uint8)


def drawable(picture: MadePicture) -> Drawable:
    """Return a made picture as a slip draws it."""
    return Drawable(rendered(picture), picture.luminance, picture.clipped, picture.blocked)
