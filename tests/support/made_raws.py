"""Made raw files with a known truth for the tests: noisy light, black and white, every mosaic."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from lightmodel.dng import (
    BGGR,
    GBRG,
    GRBG,
    RGGB,
    X_TRANS,
    DngExif,
    DngSpec,
    write_dng,
)

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from lightmodel.dng import Pattern

BLACK, WHITE = 512, 16383
GAIN = 2.0

EXIF = DngExif(
    iso=100,
    f_number=11,
    shutter_s="1/160",
    taken=datetime(2026, 3, 2, 10, 0, 0, 250_000),  # noqa: DTZ001 - cameras write local time
    lens="LF 85/1.8",
)

KINDS: dict[str, DngSpec] = {
    "rggb lossless": DngSpec(pattern=RGGB, exif=EXIF),
    "grbg lossless": DngSpec(pattern=GRBG, exif=EXIF),
    "gbrg uncompressed": DngSpec(pattern=GBRG, compression="none", bits=16, exif=EXIF),
    "bggr packed": DngSpec(pattern=BGGR, compression="none", exif=EXIF),
    "x-trans": DngSpec(pattern=X_TRANS, exif=EXIF),
    "monochrome": DngSpec(pattern=None, exif=EXIF),
    "three planes": DngSpec(pattern=None, exif=EXIF),
    "four planes": DngSpec(pattern=None, as_shot_neutral=None, exif=EXIF),
    "with a preview": DngSpec(preview=np.full((32, 48, 3), 90, np.uint8), exif=EXIF),
    "without exif": DngSpec(exif=None),
}
"""One made raw of each kind, by name."""

PLANES = {"three planes": 3, "four planes": 4}


def light(shape: tuple[int, int], *, seed: int = 1) -> NDArray[np.float64]:
    """Return a spot of light on a dim ground, levels above black: shape (h, w)."""
    rows, columns = np.meshgrid(
        np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1]), indexing="ij"
    )
    centre = np.random.default_rng(seed).uniform(-0.4, 0.4, 2)
    spot = np.exp(-((rows - centre[0]) ** 2 + (columns - centre[1]) ** 2) / 0.3)
    return 200.0 + 9000.0 * spot


def exposed(light_above_black: NDArray[np.float64], *, seed: int = 1) -> NDArray[np.uint16]:
    """Return raw levels with photon and read noise: black 512, white 16383."""
    noise = np.random.default_rng(seed)
    electrons = noise.poisson(light_above_black / GAIN)
    levels = BLACK + GAIN * electrons + noise.normal(0.0, 4.0, light_above_black.shape)
    return np.clip(np.rint(levels), 0, WHITE).astype(np.uint16)


def levels_for(
    kind: str, shape: tuple[int, int] = (150, 214), *, seed: int = 1
) -> NDArray[np.uint16]:
    """Return noisy raw levels shaped as a kind needs: (h, w) or (h, w, planes)."""
    planes = PLANES.get(kind)
    if planes is None:
        return exposed(light(shape, seed=seed), seed=seed)
    return np.stack(
        [exposed(light(shape, seed=seed), seed=seed + n) for n in range(planes)], axis=2
    )


def write_kind(path: Path, kind: str, *, seed: int = 1) -> NDArray[np.uint16]:
    """Write a made raw of a kind and return its levels."""
    levels = levels_for(kind, seed=seed)
    write_dng(path, levels, spec=KINDS[kind])
    return levels


def filters(
    pattern: Pattern, shape: tuple[int, int], *, top: int = 0, left: int = 0
) -> NDArray[np.str_]:
    """Return each photosite's letter, the pattern's origin lying at (top, left)."""
    cell = np.array([list(row) for row in pattern])
    rows = (np.arange(shape[0]) - top) % cell.shape[0]
    columns = (np.arange(shape[1]) - left) % cell.shape[1]
    return cell[np.ix_(rows, columns)]


def plan_of_two_solos(*, key: str, fill: str) -> str:
    """Return a plan with a patch that anything meets, and a key and a fill with a solo each."""
    return f"""schema = 1
[[light]]
name = "key"
[[light]]
name = "fill"
[[patch]]
name = "card"
box = [0.4, 0.4, 0.6, 0.6]
zone = 5.0
within = 8.0
[frames.solo]
key = "{key}"
fill = "{fill}"
"""
