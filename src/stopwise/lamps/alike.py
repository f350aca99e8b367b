"""Lamps that light the same places alike can't be told apart by any frame."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from stopwise.lamps.solo import LampSet

ALIKE = 0.985
"""Cosine of the angle between two lamps' shares of the picture from which they count as alike."""

_FLOOR = 0.02
"""Of the brightest hundredth: light under which shares mean nothing."""


def alike_lamps(lamps: LampSet) -> tuple[tuple[str, str], ...]:
    """Return the pairs of lamps whose light falls alike over the whole picture.

    Parameters
    ----------
    lamps
        The solos.

    Returns
    -------
    tuple of pairs
        Names. Each lamp's light is weighed by the whole light of its place, so that a pale jacket
        counts no more than a dark one.
    """
    parts = np.stack([net.luminance.ravel() for net in lamps.nets.values()]).astype(np.float64)
    total = np.maximum(parts.sum(axis=0), 0.0)
    shares = parts / (total + _FLOOR * float(np.percentile(total, 99.0)) + 1e-12)
    products = shares @ shares.T
    lengths = np.sqrt(np.diag(products))
    names = lamps.names
    return tuple(
        (names[i], names[j])
        for i, j in itertools.combinations(range(len(names)), 2)
        if products[i, j] > ALIKE * lengths[i] * lengths[j]
    )
