"""Materials of a picture by their tints, and an edge of light that runs on across several."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.grid import pooled

if TYPE_CHECKING:
    from numpy.typing import NDArray

_BLOCKS, _MOSTLY_USED = 120, 0.8
"""Blocks along the longer side, and the share of one that must count."""

_TINT_STOPS, _TINT_BIN, _MOST_TINT = 0.12, 0.05, 4.0
"""How far tints of one material scatter (one sigma), bins in which they are counted, and how far
from neutral, stops of R/G and B/G. Measured on half of the portraits that we did not make."""

_TONE_SCATTER, _TONE_BIN = 0.15, 0.05
"""The same for its tones, under one state of light."""

_FAR_FROM_DARK = 8.0
"""Times the floor from which a block's tint is its own: of 16 cells, a 30th of it is noise."""

_GLARE, _OVER_GLARE = 0.02, 2.0
"""Veiling glare of a lens, of the picture's mean light (ISO 9358's index, from memory), and how far
over it a block must be for its tint to be its own."""

_MATERIAL_BLOCKS = 200
"""Blocks of a material: a face fills 600."""

_STATE_STOPS = 0.5
"""How far of a state's tone a block may lie to be surely in it."""

_FEWEST_MATERIALS = 2
"""Materials that must agree: one alone may be two of one tint."""

OWN_SHADING = 0.1
"""Stops that the mean of two materials is off by for their own slopes of tone: what is left on half
of the portraits that we did not make."""

_LOW_PEAK, _DEEP = 0.1, 0.7
"""Of the highest peak of a material's tones: what counts as one; and of the lower of two: to what
tones must thin out between them."""

_TOUCHING, _FEWEST_TOUCHING, _AGREE = 3, 15, 0.8
"""Blocks within which two materials touch, pairs of blocks that are both lit and such that are both
in shadow, and the share of pairs that must be in one state: half are by chance."""

OTHER_TINT = 4.0 * _TINT_STOPS
"""Tints this far apart are of two materials: nearer ones may be one, whose tints scatter."""

_ONE_EDGE_STOPS = 0.6
"""How far materials that one edge of light crosses may differ in what they step by: twice what a
ratio may be wrong by."""

LEAST_STOPS = 0.7
"""Two classes of tone nearer than this are light and shade of one material, or its texture (set on
our own renderer)."""

Colours = tuple["NDArray[np.float32]", "NDArray[np.float32]", "NDArray[np.float32]"]
"""Balanced R, G and B, each of the shape of the luminance beside it."""


@dataclass(frozen=True, slots=True)
class Across:
    """What an edge of light steps by across several materials, and how surely, stops."""

    stops: float
    uncertainty: float


def light_across(
    luminance: NDArray[np.float32],
    used: NDArray[np.bool_],
    colours: Colours,
    *,
    floor: float = 0.0,
) -> Across | None:
    """Return what an edge of light steps by that runs across several materials, and its error.

    Light asks for no material: blocks of one tint each that lie in two states of tone are lit and
    in shadow where materials that touch change state together, by as much. Skin beside hair, or
    pale cloth beside dark, has a state each and no such neighbours.

    Parameters
    ----------
    luminance
        float32 (rows, columns), Y, anchor = 1.
    used
        bool of that shape, what is subject.
    colours
        Balanced R, G, B of that shape.
    floor
        Y under which a cell is noise.

    Returns
    -------
    Across or None
        None where no two materials agree. The uncertainty is how far those that do part, and what
        their own slopes of tone leave.
    """
    step = max(1, max(luminance.shape) // _BLOCKS)
    seen = pooled(used, step) > _MOSTLY_USED
    light, red, green, blue = (
        np.log2(np.maximum(pooled(plane, step), 1e-9)) for plane in (luminance, *colours)
    )
    glare = _GLARE * float(np.mean(luminance[used]))
    seen &= light > math.log2(max(_FAR_FROM_DARK * floor, _OVER_GLARE * glare, 1e-9))
    tints = np.stack([red - green, blue - green])
    material = _materials(tints, seen)
    pairs = {
        one: states
        for one in range(1, int(material.max()) + 1)
        if np.count_nonzero(material == one) >= _MATERIAL_BLOCKS
        and (states := _pairs_of_states(light[material == one]))
    }
    touching = _touching(material, tints)
    best, most = [], 0
    for wanted in sorted({states[0].stops for states in pairs.values()}):
        state = np.zeros(light.shape, np.int8)
        steps = {}
        for one, states in pairs.items():
            nearest = min(states, key=lambda pair: abs(pair.stops - wanted))
            if abs(nearest.stops - wanted) <= _ONE_EDGE_STOPS / 2.0:
                state[material == one] = nearest.state_of(light[material == one])
                steps[one] = nearest.stops
        linked, alike = _linked(material, state, touching)
        if alike > most and len(linked) >= _FEWEST_MATERIALS:
            best, most = [steps[one] for one in linked], alike
    if not best:
        return None
    scatter = float(np.std(best, ddof=1)) / math.sqrt(len(best))
    return Across(float(np.mean(best)), math.hypot(OWN_SHADING, scatter))


def _materials(tints: NDArray[np.float32], seen: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return which material each block is by its tint, (rows, columns), from 1 on; 0 for none.

    Each is a peak of how many blocks have a tint, and holds what lies nearest to it.
    """
    from scipy.ndimage import gaussian_filter, maximum_filter

    held = tints[:, seen].T
    edges = np.arange(-_MOST_TINT, _MOST_TINT + _TINT_BIN / 2.0, _TINT_BIN)
    counts = np.histogramdd(np.clip(held, -_MOST_TINT, _MOST_TINT), bins=[edges, edges])[0]
    crowd = gaussian_filter(counts, _TINT_STOPS / _TINT_BIN, mode="constant")
    side = 2 * round(2.0 * _TINT_STOPS / _TINT_BIN) + 1
    peaks = (crowd == maximum_filter(crowd, side)) & (crowd > 0.5)
    middles = (edges[:-1] + edges[1:]) / 2.0
    tops = np.stack([middles[at] for at in np.nonzero(peaks)], axis=-1)
    off = np.linalg.norm(held[:, None] - tops, axis=-1)
    material = np.zeros(seen.shape, np.int64)
    if off.size:
        material[seen] = np.where(off.min(axis=1) < OTHER_TINT, np.argmin(off, axis=1) + 1, 0)
    return material


@dataclass(frozen=True, slots=True)
class _States:
    """Two tones, log2 Y, that a material lies at, and how many of its blocks at the rarer one."""

    blocks: float
    shadow: float
    lit: float

    @property
    def stops(self) -> float:
        """How far they lie apart."""
        return self.lit - self.shadow

    def state_of(self, light: NDArray[np.float32]) -> NDArray[np.int8]:
        """Return 1 for what is surely lit, -1 for what is surely in shadow, else 0."""
        reach = min(_STATE_STOPS, self.stops / 2.0)
        lit, shadow = (np.abs(light - tone) < reach for tone in (self.lit, self.shadow))
        return np.where(lit, 1, np.where(shadow, -1, 0)).astype(np.int8)


def _pairs_of_states(tones: NDArray[np.float32]) -> list[_States]:
    """Return the pairs of tones that a material may lie at, those that hold most of it first."""
    from scipy.ndimage import gaussian_filter1d

    edges = np.arange(tones.min() - 1.0, tones.max() + 1.0, _TONE_BIN)
    counts = np.histogram(tones, bins=edges)[0].astype(np.float64)
    dense = gaussian_filter1d(counts, _TONE_SCATTER / _TONE_BIN)
    middle = dense[1:-1]
    is_peak = (middle > dense[:-2]) & (middle >= dense[2:]) & (middle > _LOW_PEAK * dense.max())
    peaks = np.flatnonzero(is_peak) + 1
    found = [
        _States(
            min(dense[low], dense[high]),
            *(float(edges[at]) + _TONE_BIN / 2.0 for at in (low, high)),
        )
        for low, high in itertools.combinations(peaks, 2)
        if (high - low) * _TONE_BIN >= LEAST_STOPS
        and dense[low : high + 1].min() <= _DEEP * min(dense[low], dense[high])
    ]
    return sorted(found, key=lambda pair: -pair.blocks)


def _touching(
    material: NDArray[np.int64], tints: NDArray[np.float32]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the blocks, flat indices (pairs,), at which a material touches one of another tint."""
    at = np.arange(material.size).reshape(material.shape)
    middles = np.array(
        [
            [float(np.median(tint[held])) if one and held.any() else 0.0 for tint in tints]
            for one in range(int(material.max()) + 1)
            for held in (material == one,)
        ]
    )
    found = []
    for apart in range(1, _TOUCHING + 1):
        for here, there in ((at[apart:], at[:-apart]), (at[:, apart:], at[:, :-apart])):
            one, other = material.flat[here], material.flat[there]
            off = np.hypot(*(middles[one] - middles[other]).T).T
            found.append(np.stack([here, there])[:, (one > 0) & (other > 0) & (off > OTHER_TINT)])
    first, second = np.concatenate(found, axis=1)
    return first, second


def _linked(
    material: NDArray[np.int64],
    state: NDArray[np.int8],
    touching: tuple[NDArray[np.int64], NDArray[np.int64]],
) -> tuple[set[int], int]:
    """Return materials that are lit where one that they touch is, and how often that holds."""
    here, there = (state.flat[at] for at in touching)
    told = (here != 0) & (there != 0)
    if not told.any():
        return set(), 0
    pairs = np.sort(np.stack([material.flat[at][told] for at in touching]), axis=0)
    names, which = np.unique(pairs, axis=1, return_inverse=True)
    lit, shadow = (
        np.bincount(which.ravel(), (here[told] == sign) & (there[told] == sign)) for sign in (1, -1)
    )
    number = np.bincount(which.ravel())
    holds = (np.minimum(lit, shadow) >= _FEWEST_TOUCHING) & (lit + shadow >= _AGREE * number)
    return set(names[:, holds].ravel().tolist()), int(np.sum((lit + shadow)[holds]))
