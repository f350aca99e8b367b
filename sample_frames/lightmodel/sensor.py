"""The sensor: light to electrons to levels, with photon noise, read noise and a ceiling."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lightmodel.colour import RGB_TO_CAMERA

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mosaic = NDArray[np.uint16]
    Signals = NDArray[np.float32]

RGGB = ((0, 1), (3, 2))
"""Colour of each photosite of a cell: 0 R, 1 G, 2 B, 3 the second green."""


@dataclass(frozen=True, slots=True)
class SaturationPeak:
    """A soft ceiling under the named white, as some cameras have.

    Attributes
    ----------
    level
        Where photosites pile up, raw levels.
    width
        Spread of that level from photosite to photosite, one sigma.
    hot_share
        Share of photosites that have no ceiling under the named white.
    """

    level: float
    width: float
    hot_share: float = 0.0


@dataclass(frozen=True, slots=True)
class Sensor:
    """One camera body.

    Attributes
    ----------
    black
        Level without light of R, G, B and the second green.
    white
        Level that the file names as white, and where photosites stop when there is no `peak`.
    electrons_per_level
        1 / gain.
    read_noise_e
        Electrons, one sigma.
    bits
        Depth.
    peak
        A softer ceiling, or None.
    pattern
        Colour of each photosite of a cell, any size; planes follow `black`.
    """

    black: tuple[float, ...] = (1018.0, 1024.0, 1031.0, 1022.0)
    white: float = 15800.0
    electrons_per_level: float = 3.6
    read_noise_e: float = 4.0
    bits: int = 14
    peak: SaturationPeak | None = None
    pattern: tuple[tuple[int, ...], ...] = RGGB

    def colours(self, shape: tuple[int, int]) -> NDArray[np.intp]:
        """Return the colour index of every photosite of a mosaic, (rows, columns)."""
        cell = np.asarray(self.pattern)
        repeats = (-(-shape[0] // cell.shape[0]), -(-shape[1] // cell.shape[1]))
        return np.tile(cell, repeats)[: shape[0], : shape[1]]

    def signals(self, light: NDArray[np.float32]) -> Signals:
        """Return what each photosite is due, 1.0 at the named white, no noise, no ceiling.

        Parameters
        ----------
        light
            Linear RGB (rows, columns, 3) as it lies on the sensor, 1.0 at white.
        """
        camera = light @ RGB_TO_CAMERA.T.astype(np.float32)
        channel = np.minimum(self.colours(light.shape[:2]), 3) % 3
        channel[self.colours(light.shape[:2]) == _SECOND_GREEN] = 1
        return np.take_along_axis(camera, channel[..., None], axis=-1)[..., 0]

    def expose(
        self, signals: Signals, rng: np.random.Generator
    ) -> tuple[Mosaic, NDArray[np.bool_]]:
        """Expose the sensor once.

        Parameters
        ----------
        signals
            What each photosite is due, 1.0 at the named white.
        rng
            Source of the noise.

        Returns
        -------
        mosaic, clipped
            Raw levels, and which photosites were due more than they could hold.
        """
        black = np.asarray(self.black, np.float32)[self.colours(signals.shape)]
        span = np.float32(self.white) - black
        due_e = np.maximum(signals, 0.0) * span * np.float32(self.electrons_per_level)
        caught_e = rng.poisson(due_e).astype(np.float32)
        caught_e += np.float32(self.read_noise_e) * rng.standard_normal(due_e.shape, np.float32)
        levels = black + caught_e / np.float32(self.electrons_per_level)
        ceiling = self._ceiling(levels.shape, rng)
        clipped = levels >= ceiling
        whole = np.rint(np.minimum(levels, ceiling))
        return np.clip(whole, 0, 2**self.bits - 1).astype(np.uint16), clipped

    def _ceiling(self, shape: tuple[int, ...], rng: np.random.Generator) -> NDArray[np.float32]:
        if self.peak is None:
            return np.full(shape, self.white, np.float32)
        ceiling = self.peak.level + self.peak.width * rng.standard_normal(shape, np.float32)
        hot = rng.random(shape, np.float32) < self.peak.hot_share
        ceiling[hot] = 2**self.bits - 1
        return ceiling


_SECOND_GREEN = 3
