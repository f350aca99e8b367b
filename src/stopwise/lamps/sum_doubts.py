"""Doubts: where in the picture the sum of solos isn't to be trusted, and why."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

from stopwise.lamps.superposition import predict
from stopwise.lamps.unmet import PROMISED

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from stopwise.grid import LightGrid
    from stopwise.lamps.solos import LampSet

Doubt = Literal["clipped", "differs", "elsewhere", "noisy"]
"""A solo is clipped; the frame under all lamps differs from the sum; the sitter stood elsewhere in
a solo; noise hides light that isn't black anyhow."""


def doubts_in(
    lamps: LampSet, turns: Mapping[str, float], full: LightGrid | None
) -> dict[Doubt, NDArray[np.bool_]]:
    """Return the blocks in which light that is added up may be off by what is promised, or more.

    Parameters
    ----------
    lamps
        The solos.
    turns
        Stops by lamp from its solo, as it stands; lamps that aren't named stand as in it.
    full
        A frame with every lamp lit as in its solo; None without.

    Returns
    -------
    dict
        bool (rows, columns) by doubt: two sigmas of noise count, and what a solo changes by where
        it is brought back to where its sitter ought to stand.
    """
    from scipy.ndimage import minimum_filter, shift

    summed = predict(lamps, turns)
    light = np.maximum(summed.luminance, 1e-9)
    # noise lies over areas, strands of hair and edges that seem noise are narrow
    quietest = minimum_filter(summed.noise, size=3) / math.log(2.0)
    moved = np.zeros(summed.shape, dtype=np.float64)
    for name, place in lamps.places.items():
        own = lamps.nets[name].luminance * 2.0 ** turns.get(name, 0.0)
        back = -place.down * own.shape[0], -place.right * own.shape[1]
        moved += np.abs(shift(own, back, order=1, mode="nearest") - own)
    found: dict[Doubt, NDArray[np.bool_]] = {
        "clipped": np.any([net.clipped > 0 for net in lamps.nets.values()], axis=0),
        "elsewhere": np.log2(1.0 + moved / light) > PROMISED,
        "noisy": (2.0 * quietest > PROMISED * light) & (summed.blocked <= 0.0),
    }
    if full is not None:
        own = predict(lamps, {})
        noise = np.hypot(own.noise_stops, full.noise_stops)
        found["differs"] = np.abs(own.log2_y - full.log2_y) - 2.0 * noise > PROMISED
    return found
