"""Two ways of seeing a lamp in a frame: what fits the whole picture, and the blocks it leads."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.lamps.fieldcells import design, overlap, shifted
from stopwise.lamps.fitting import cost, fit_outputs, standard_error
from stopwise.lamps.searching import FURTHEST, place_sitter

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.lamps.fieldcells import Grids, Placed
    from stopwise.lamps.fitting import Design, Fit

    Floats = NDArray[np.float64]

_LEADS = 0.4
"""Share of a block's light from which a lamp leads it."""

_FAINT = 0.05
"""Share of a lamp's brightest block under which its light isn't looked at."""

_FEWEST_LED = 12
"""Blocks that a lamp must lead before their median says anything."""

_WITNESS_WENT, _WITNESS_MISFIT, _WITNESS_ERROR, _WITNESS_STOPS = 0.5, 0.5, 0.2, 0.3
"""What a lamp must read to bear out where the sitter was found: shares, and stops off."""

_LOST = 0.55
"""Share of what is known of any lamp that fits nothing, from which the sitter is gone."""

_MOSTLY = 0.5
"""Share from which a lamp is taken to light the sitter."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What a frame says of one lamp, linear, 1 = as in its solo.

    Attributes
    ----------
    output, error
        What fits the whole picture, and its standard error.
    led
        Median over the blocks that this lamp leads; None where it leads too few.
    spread
        Half the 16th to 84th percentile of what single cells say, the more light and the better
        their fit, the more say.
    misfit
        Which share of what is known of it comes from cells that don't fit, 0 to 1.
    overlap
        Which share of its light falls where it fell in the solo.
    went
        Which share of what is known of it comes from cells that went along with the sitter.
    is_placed
        Whether the sitter's place is sure: somebody says it and the picture bears it out, or
        another lamp that lights him reads as expected where he was found.
    is_lost
        Whether the sitter is neither where he was in the solos nor found elsewhere.
    """

    output: float
    error: float
    led: float | None
    spread: float
    misfit: float
    overlap: float
    went: float
    is_placed: bool = False
    is_lost: bool = False


def see_lamps(stack: Grids, start: Floats, placement: Placed | None = None) -> list[Seen]:
    """Return what a frame says of each lamp.

    Parameters
    ----------
    stack
        Frame and lamps.
    start
        float64 (lamps,), outputs that are expected.
    placement
        Where the sitter is; None looks for it. A `Hint` is taken where the picture fits there
        about as well as where it fits best.
    """
    shift, is_placed = place_sitter(stack, start, placement)
    cells = design(stack, shift)
    starts = [start, np.full_like(start, start.mean())]
    fits = [fit_outputs(cells, start=one) for one in starts[: 1 + bool(np.ptp(start) > 0.0)]]
    fit = min(fits, key=cost)
    error = standard_error(fit, cells)
    shares = overlap(stack, shift)
    went = _went(fit, cells)
    led = led_outputs(stack, shift, fit.outputs, went)
    seen = [
        Seen(
            output=float(fit.outputs[index]),
            error=float(error[index]),
            led=led[index],
            spread=_spread(fit, cells.sigma, index),
            misfit=_misfit(fit, cells.sigma, index),
            overlap=float(shares[index]),
            went=float(went[index]),
        )
        for index in range(len(start))
    ]
    near = shift is not None and math.hypot(shift.dx, shift.dy) <= FURTHEST
    sure = is_placed or (near and _is_witnessed(seen, start))
    lost = shift is None and max(one.misfit for one in seen) > _LOST
    return [replace(one, is_placed=sure, is_lost=lost) for one in seen]


def _is_witnessed(seen: Sequence[Seen], start: Floats) -> bool:
    """Tell whether a lamp that went along with the sitter gives what is expected of it."""
    return any(
        one.went > _WITNESS_WENT
        and one.misfit < _WITNESS_MISFIT
        and one.output > 0.0
        and one.error < _WITNESS_ERROR * one.output
        and abs(float(np.log2(one.output / expected))) < _WITNESS_STOPS
        for one, expected in zip(seen, start, strict=True)
    )


def led_outputs(
    stack: Grids, shift: Placed | None, outputs: Floats, went: Floats
) -> list[float | None]:
    """Return each lamp's output as the blocks say that it leads.

    Parameters
    ----------
    stack
        Frame and lamps.
    shift
        Where the sitter is.
    outputs
        float64 (lamps,), what the others are taken to give.
    went
        float64 (lamps,), which share of what each lamp lights went with the sitter.

    Returns
    -------
    list
        Median of (seen - others) / own over blocks where a lamp as in its solo would give more than
        0.4 of the light; None with fewer than 12 of them.
    """
    moved = stack.lamps if shift is None else np.nan_to_num(shifted(stack.lamps, shift))
    return [
        _led(stack, moved if went[index] > _MOSTLY else stack.lamps, outputs, index)
        for index in range(len(outputs))
    ]


def _led(stack: Grids, light: Floats, outputs: Floats, index: int) -> float | None:
    own = light[index]
    others = np.tensordot(np.delete(outputs, index), np.delete(light, index, axis=0), axes=1)
    leads = (own > _LEADS * (own + others)) & (own > _FAINT * own.max()) & stack.good
    if np.count_nonzero(leads) < _FEWEST_LED:
        return None
    return float(np.median((stack.seen - others)[leads] / own[leads]))


def _went(fit: Fit, cells: Design) -> Floats:
    """Return which share of what is known of each lamp comes from cells that went along."""
    if cells.moved is None:
        return np.zeros(len(fit.outputs))
    went = np.any(fit.used != cells.stayed, axis=1)
    known = np.square(fit.used / cells.sigma[:, None])
    share: Floats = known[went].sum(axis=0) / np.maximum(known.sum(axis=0), 1e-12)
    return share


def _spread(fit: Fit, sigma: Floats, index: int) -> float:
    own = np.maximum(fit.used[:, index], 1e-12)
    says = fit.outputs[index] + fit.residual * sigma / own
    order = np.argsort(says)
    share = np.cumsum((fit.weight * np.square(own / sigma))[order])
    low, high = np.interp([0.16 * share[-1], 0.84 * share[-1]], share, says[order])
    return float(high - low) / 2.0


def _misfit(fit: Fit, sigma: Floats, index: int) -> float:
    known = np.square(fit.used[:, index] / sigma)
    return float(1.0 - np.sum(fit.weight * known) / max(float(np.sum(known)), 1e-12))
