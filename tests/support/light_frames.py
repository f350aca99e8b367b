"""Frames made by hand from known light: photon noise, read noise, pile-ups, every mosaic."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.cells import cells_of
from stopwise.frame import Frame, NamedLevels
from stopwise.measurement.clipping import find_clipped
from stopwise.measurement.levels import find_levels
from stopwise.measurement.noise import sensor_noise
from stopwise.measurement.patches import Ground
from stopwise.stops import MID_GREY_OF_SATURATION

if TYPE_CHECKING:
    from numpy.typing import NDArray

RGGB = np.array([[0, 1], [3, 2]], np.uint8)
GRBG = np.array([[1, 0], [2, 3]], np.uint8)
GBRG = np.array([[1, 2], [0, 3]], np.uint8)
BGGR = np.array([[2, 1], [3, 0]], np.uint8)
X_TRANS = np.array([["RGB".index(c) for c in row] for row in (
    "GGRGGB", "GGBGGR", "BRGRBG", "GGBGGR", "GGRGGB", "RBGBRG")], np.uint8)  # fmt: skip
MONO = np.zeros((1, 1), np.uint8)
THREE = np.arange(3, dtype=np.uint8).reshape(1, 1, 3)
FOUR = np.arange(4, dtype=np.uint8).reshape(1, 1, 4)

COLOURS = {
    "rggb": (RGGB, ("R", "G", "B", "G2")),
    "grbg": (GRBG, ("R", "G", "B", "G2")),
    "gbrg": (GBRG, ("R", "G", "B", "G2")),
    "bggr": (BGGR, ("R", "G", "B", "G2")),
    "x-trans": (X_TRANS, ("R", "G", "B")),
    "mono": (MONO, ("M",)),
    "three planes": (THREE, ("R", "G", "B")),
    "four planes": (FOUR, ("R", "G", "B", "G2")),
}
"""Pattern and colours of every kind of mosaic."""

MULTIPLIERS = (2.0, 1.0, 1.5)
"""Daylight balance of the made camera."""


@dataclass(frozen=True)
class Sensor:
    """A made sensor; levels are raw ones.

    `ceiling` is where photosites stop (None: at white), over `spread` shot noises; `hot` is the
    share of photosites that stand anywhere from there to the top whatever the light.
    """

    kind: str = "rggb"
    black: float | tuple[float, ...] = 512.0
    white: float = 16383.0
    gain: float = 0.25
    read: float = 3.0
    ceiling: float | None = None
    spread: float = 0.0
    hot: float = 0.0
    multipliers: tuple[float, float, float] = MULTIPLIERS

    @property
    def blacks(self) -> tuple[float, ...]:
        """Black of each colour."""
        names = COLOURS[self.kind][1]
        return self.black if isinstance(self.black, tuple) else (self.black,) * len(names)

    @property
    def width(self) -> float:
        """Spread of the ceiling, raw levels."""
        level = self.white if self.ceiling is None else self.ceiling
        return self.spread * float(np.sqrt(self.gain * (level - self.blacks[0]) + self.read**2))


def due(light: NDArray[np.float64], sensor: Sensor) -> tuple[NDArray[np.float64], NDArray[Any]]:
    """Return what each photosite is due above black, and its colour index.

    `light` is Y of a neutral, anchor = 1: (h, w) photosites.
    """
    pattern, names = COLOURS[sensor.kind]
    tall, wide = pattern.shape[:2]
    repeats = (-(-light.shape[0] // tall), -(-light.shape[1] // wide), *[1] * (pattern.ndim - 2))
    colour = np.tile(pattern, repeats)[: light.shape[0], : light.shape[1]]
    factors = dict(zip("RGB", sensor.multipliers, strict=True)) | {"G2": 1.0, "M": 1.0}
    gain = np.array([1.0 / factors[name] for name in names])
    span = sensor.white - np.asarray(sensor.blacks)
    full = light if pattern.ndim == 2 else light[..., None]
    return full * (gain * span)[colour], colour


def frame_of(mosaic: NDArray[np.uint16], sensor: Sensor = Sensor(), **parts: Any) -> Frame:
    """Return a frame of these raw levels."""
    pattern, names = COLOURS[sensor.kind]
    plain = Frame(
        path=Path("made"),
        mosaic=mosaic,
        pattern=pattern,
        colours=names,
        levels=NamedLevels(sensor.blacks, (sensor.white,) * len(names), "white", sensor.white),
        daylight=sensor.multipliers if "R" in names else None,
    )
    return replace(plain, **parts)


def expose(
    light: NDArray[np.float64],
    sensor: Sensor = Sensor(),
    *,
    rng: np.random.Generator | None = None,
    **parts: Any,
) -> tuple[Frame, NDArray[np.bool_]]:
    """Expose light with noise; return the frame and which photosites are truly full."""
    rng = rng or np.random.default_rng(0)
    signal, colour = due(light, sensor)
    black = np.asarray(sensor.blacks)[colour]
    caught = rng.poisson(signal / sensor.gain) * sensor.gain
    caught = caught + rng.normal(0.0, sensor.read, signal.shape) + black
    top = sensor.white if sensor.ceiling is None else sensor.ceiling
    ceiling = top + sensor.width * rng.standard_normal(signal.shape)
    full = caught >= ceiling
    levels = np.rint(np.minimum(caught, ceiling))
    hot = rng.random(signal.shape) < sensor.hot
    levels[hot] = rng.uniform(top, sensor.white, int(hot.sum()))
    return (
        frame_of(np.clip(levels, 0, sensor.white).astype(np.uint16), sensor, **parts),
        full & ~hot,
    )


def exact(light: NDArray[np.float64], sensor: Sensor = Sensor(), **parts: Any) -> Frame:
    """Return a frame of light without noise, rounded to whole levels."""
    signal, colour = due(light, sensor)
    levels = np.rint(signal + np.asarray(sensor.blacks)[colour])
    return frame_of(np.clip(levels, 0, sensor.white).astype(np.uint16), sensor, **parts)


def ground_of(frame: Frame, *, mid_grey: float | None = MID_GREY_OF_SATURATION) -> Ground:
    """Return what patches of a frame are read on."""
    cells = cells_of(frame)
    noise = sensor_noise(cells, frame.masked)
    levels = find_levels(cells, noise=noise)
    return Ground(cells, levels, find_clipped(cells, levels), noise, mid_grey)
