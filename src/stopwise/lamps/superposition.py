"""Lamps add: the frame that any setting of the powers would give, worked out from solos."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.grid import combine
from stopwise.lamps.solos import REPEAT

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from stopwise.grid import LightGrid
    from stopwise.lamps.solos import LampSet

_LIT = 0.01
"""Share of the brightest hundredth from which a block is lit."""

SHORT_OF_NAMED = 0.14
"""Share by which sensors stop short of the white that a file names, at most (docs/measuring.md)."""

_TAIL_SIGMAS = 1.534120544
"""Standard normal deviate that a sixteenth lies above, Phi^-1(15/16)."""


@dataclass(frozen=True, eq=False, slots=True)
class SumCheck:
    """How well the sum of solos meets a frame under all lamps.

    Attributes
    ----------
    off
        float32 (n,), log2(sum / full) of the blocks that are lit and unclipped in both.
    by_lamp
        Its median over the blocks that each lamp leads; None where it leads none.
    """

    off: NDArray[np.float32]
    by_lamp: Mapping[str, float | None]


def predict(lamps: LampSet, turns: Mapping[str, float]) -> LightGrid:
    """Return the frame that turning each lamp would give: A + sum 2^turn (S - A).

    Parameters
    ----------
    lamps
        Each lamp's own light, and the ambient.
    turns
        Stops from each lamp's power in its solo; lamps that aren't named stay, minus infinity
        switches a lamp off.

    Returns
    -------
    LightGrid
        Its `clipped` says where a solo was clipped, so that the sum is a lower bound; what the
        turned lamps would clip is for `clipped_shares`.

    Raises
    ------
    ValueError
        If a turn names a lamp without a solo.
    """
    unknown = set(turns) - set(lamps.nets)
    if unknown:
        msg = f"no solo of {', '.join(sorted(unknown))}; there are: {', '.join(lamps.nets)}"
        raise ValueError(msg)
    pictures = list(lamps.nets.values())
    gains = [float(np.exp2(turns.get(name, 0.0))) for name in lamps.nets]
    if lamps.ambient is not None:
        pictures.append(lamps.ambient)
        gains.append(1.0)
    return combine(pictures, gains)


def clipped_range(picture: LightGrid) -> tuple[float, float]:
    """Return the least and the greatest share of a frame that may clip in light that was added up.

    Flashes and their readings vary, a solo that is clipped hides how bright it is, and a sensor may
    stop short of the white that its file names.
    """
    full = 2.0**REPEAT
    short = (1.0 - SHORT_OF_NAMED) if picture.is_stop_named else 1.0
    least, most = (clipped_shares(picture, ceiling=by) for by in (full, short / full))
    return float(np.mean(least)), float(np.mean(np.maximum(most, picture.clipped)))


def clipped_shares(picture: LightGrid, *, ceiling: float = 1.0) -> NDArray[np.float32]:
    """Return the share of each block's cells in which a colour stands at its ceiling.

    The fullest photosites of a block's cells are taken as normal round their mean, as wide as the
    cells' own tail says; the fullest colour decides. `ceiling` moves where they stop by a factor.

    Returns
    -------
    ndarray
        float32 (rows, columns), 0 to 1.
    """
    from scipy.special import ndtr

    full = picture.mean if picture.fullest is None else picture.fullest
    tail = picture.mean if picture.tail is None else picture.tail
    stops = np.asarray(picture.ceiling, dtype=np.float32)[:, None, None] * np.float32(ceiling)
    spread = np.maximum((tail - picture.mean) / _TAIL_SIGMAS, 1e-4 * stops)
    shares = ndtr((full - stops) / spread)
    fullest: NDArray[np.float32] = np.max(shares, axis=0).astype(np.float32)
    return fullest


def sum_against_full(
    lamps: LampSet, full: LightGrid, *, turns: Mapping[str, float] | None = None
) -> SumCheck:
    """Hold the sum of solos against a frame under all lamps.

    Parameters
    ----------
    lamps
        The solos.
    full
        A frame with every lamp of the solos lit, at their exposure, the sitter unmoved.
    turns
        What was turned between solos and the frame, stops.

    Returns
    -------
    SumCheck

    Raises
    ------
    ValueError
        If no block is lit and unclipped in both.
    """
    summed, seen = predict(lamps, turns or {}).luminance, full.luminance
    clipped = np.maximum.reduce([full.clipped, *(net.clipped for net in lamps.nets.values())])
    floor = _LIT * float(np.percentile(seen, 99.0))
    good = (seen > floor) & (summed > 0) & (clipped <= 0)
    if not np.any(good):
        msg = "no block of the full frame is lit and unclipped in the solos too"
        raise ValueError(msg)
    off = np.log2(summed[good]) - np.log2(seen[good])
    leaders = leading_lamp(lamps, turns or {})[good]
    by_lamp = {}
    for index, name in enumerate(lamps.nets):
        own = off[leaders == index]
        by_lamp[name] = float(np.median(own)) if own.size else None
    return SumCheck(off, by_lamp)


def leading_lamp(lamps: LampSet, turns: Mapping[str, float]) -> NDArray[np.int64]:
    """Return the lamp that gives over half of a block's light, int64 (rows, columns); -1: none."""
    parts = np.stack(
        [np.exp2(turns.get(name, 0.0)) * net.luminance for name, net in lamps.nets.items()]
    )
    total = parts.sum(axis=0)
    if lamps.ambient is not None:
        total = total + lamps.ambient.luminance
    leads = parts.max(axis=0) > 0.5 * np.maximum(total, 1e-12)
    return np.where(leads, parts.argmax(axis=0), -1)


def patch_shares(
    lamps: LampSet,
    turns: Mapping[str, float] | None = None,
    *,
    read_at: Mapping[str, float] | None = None,
) -> dict[str, dict[str, float]]:
    """Return each lamp's share of each patch's light.

    Parameters
    ----------
    lamps
        The solos.
    turns
        Stops of each lamp from its solo, where known.
    read_at
        Percentile that stands for a patch, by name, where it isn't the median.

    Returns
    -------
    dict
        patch -> lamp -> fraction of the patch's Y, 0 to 1, over the tenth of its cells next to the
        percentile; "ambient" stands for the ambient.
    """
    grids = {**lamps.nets, **({"ambient": lamps.ambient} if lamps.ambient else {})}
    gains = {name: 2.0 ** (turns or {}).get(name, 0.0) for name in grids}
    found = {}
    for patch in next(iter(grids.values())).boxes:
        if not all(patch in grid.boxes for grid in grids.values()):
            continue
        light = {name: gains[name] * grid.box_luminance(patch) for name, grid in grids.items()}
        total = np.sum(list(light.values()), axis=0)
        middle = (read_at or {}).get(patch, 50.0)
        low, high = np.percentile(total, [max(middle - 5.0, 0.0), min(middle + 5.0, 100.0)])
        near = (total >= low) & (total <= high)
        parts = {name: max(float(np.mean(part[near])), 0.0) for name, part in light.items()}
        whole = sum(parts.values()) or 1.0
        found[patch] = {name: part / whole for name, part in parts.items()}
    return found
