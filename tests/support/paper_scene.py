"""A made paper backdrop: lamps by the distance and cosine laws, blotches, a sitter, noise."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

SHAPE = (400, 600)
BOXES = ((0.02, 0.10, 0.30, 0.52), (0.70, 0.10, 0.98, 0.52))
"""Square boxes left and right: 0.28 wide of 3, 0.42 high of 2."""

REFLECTANCE = 0.18


def places(shape: tuple[int, int] = SHAPE) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return x and y of each cell's middle, in widths of the frame, from its upper left."""
    rows, columns = shape
    x, y = np.meshgrid((np.arange(columns) + 0.5) / columns, (np.arange(rows) + 0.5) / columns)
    return x, y


def wall(
    *lamps: tuple[float, float, float, float],
    shape: tuple[int, int] = SHAPE,
    width_m: float = 2.7,
) -> NDArray[np.float64]:
    """Return light on a flat wall from small lamps (x, y, metres before it, power).

    Illuminance E = I cos(angle) / d^2 of each, the photometric distance law with Lambert's cosine;
    x and y in metres from the frame's middle, y down.
    """
    x, y = places(shape)
    across, down = (x - 0.5) * width_m, (y - 0.5 * shape[0] / shape[1]) * width_m
    total = np.zeros(shape)
    for left, high, away, power in lamps:
        square = (across - left) ** 2 + (down - high) ** 2 + away**2
        total += power * away / square**1.5
    return REFLECTANCE * total


def blotch(
    stops: float, at: tuple[float, float], sigma: float, shape: tuple[int, int] = SHAPE
) -> NDArray[np.float64]:
    """Return a soft spot as a factor of light: a Gaussian in stops, sizes in frame widths."""
    x, y = places(shape)
    square = (x - at[0]) ** 2 + (y - at[1] * shape[0] / shape[1]) ** 2
    return np.exp2(stops * np.exp(-0.5 * square / sigma**2))


def exposed(
    light: NDArray[np.float64], *, snr_at_grey: float = 60.0, seed: int = 5
) -> NDArray[np.float32]:
    """Return light with photon noise: the SNR of one cell at 18 % of 1/sqrt(2), as the root."""
    full = snr_at_grey**2 / 0.1273
    rng = np.random.default_rng(seed)
    noisy = light + np.sqrt(light / full) * rng.standard_normal(light.shape)
    return noisy.astype(np.float32)


def with_sitter(
    light: NDArray[np.float64],
    middle: float,
    tone: float,
    *,
    half_width: float = 0.09,
    texture: float = 0.1,
    seed: int = 9,
) -> NDArray[np.float64]:
    """Return the light with a sitter in front: head, neck and shoulders round x = `middle`."""
    x, y = places(light.shape)
    rows, columns = light.shape
    low = rows / columns
    head = ((x - middle) / half_width) ** 2 + ((y - 0.42 * low) / (1.4 * half_width)) ** 2 < 1.0
    neck = (np.abs(x - middle) < 0.5 * half_width) & (y > 0.42 * low)
    body = ((x - middle) / (2.4 * half_width)) ** 2 + ((y - 1.02 * low) / 0.27) ** 2 < 1.0
    rng = np.random.default_rng(seed)
    round_off = 0.4 + 0.6 * np.sqrt(np.clip(1.0 - ((x - middle) / (2.5 * half_width)) ** 2, 0, 1))
    material = tone * round_off * np.exp2(texture * rng.standard_normal(light.shape))
    return np.where(head | neck | body, material, light)
