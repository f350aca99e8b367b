"""A lamp's own light out of the build-up: a frame with it lit, less the frame before it came on."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.grid import LightGrid, combine, pooled
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.outputs import LEAST_OFF
from stopwise.lamps.solos import CLIPPED_SHARE, SoloPlace, at_exposure, place_in
from stopwise.lamps.unmixing import design, fit_outputs, stack_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from stopwise.lamps.solos import LampSet, Sought

FLASH_STOPS = 0.02
"""Stops that a flash varies by from one frame to the next (common practice: 0.02 to 0.1)."""

_VARIES = FLASH_STOPS * math.log(2.0) * math.sqrt(2.0)
"""Share of their light that other lamps vary by between two frames."""

_SURE_STOPS = 0.1
"""Stops that the level of a lamp's light may be unsure by to be kept as its solo: what an output is
to be read within.
"""

_UNLIT_STOPS = 1.0
"""Stops of uncertainty at its brightest from which a lamp can't be told from none."""

_CORE = 0.3
"""Share of a lamp's brightest light from which a block belongs to its core."""

_BRIGHTEST = 99.0
"""Percentile of a lamp's light that stands for its brightest."""

_CELLS_ACROSS = 60
"""Coarse cells along the longer side on which light that is missing is looked for."""

_SIGMAS = 4.0
"""Standard deviations of a cell under which its light lies below none: by chance 1 in 30,000."""

_MISSING_SHARE = 0.02
"""Share of the cells that the other lamps light which may lie so: the edges of a sitter who
breathes are a line round him, some hundredths of them.
"""

_UNFIT = 0.4
"""Share of what is known of a lamp that may fit nothing where it is told to give more than before.

On half of the portraits that we did not make, lamps coming on over others: of what another's light
only seemed to hold of a lamp 0.51 fitted nothing and more, of what it truly held 0.41 and less.
"""

_VARIED = 0.35
"""Stops, one sigma, that a lamp's light must vary by where it fits: on even paper any other fits as
well. On the same half one lamp of 72 was told falsely, whose light varied by 0.29.
"""

_ITS_OWN = 2.0 / 3.0
"""Share of the light that is missing from which it is one lamp's: twice what all others lost."""

_OTHERWISE = 0.05
"""Share of a block's light by which it may read otherwise, had it gone with the sitter, and is
still known: what a cell may be off a still sitter's light.
"""


def difference(
    whole: LightGrid,
    less: LightGrid,
    ambient: LightGrid | None = None,
    *,
    places: tuple[SoloPlace, SoloPlace] = (SoloPlace(), SoloPlace()),
) -> LightGrid:
    """Return a lamp's own light as a frame of it alone would show it.

    Parameters
    ----------
    whole, less
        The frame with the lamp lit, and the one before, all else alike; their boxes as each sitter
        stood.
    ambient
        A frame with no lamp firing, which both hold; None leaves the light without it.
    places
        Where the sitter stood in each.

    Returns
    -------
    LightGrid
        At `whole`'s settings. Noise is that of all frames, and what the other lamps vary by. What
        is clipped in either, or would read otherwise had it gone with the sitter, is unknown and
        counts as clipped; a box of which more than a hundredth is clipped in either is left out.

    Raises
    ------
    ValueError
        If the two aren't of one size.
    """
    before = at_exposure(less, whole.exposure, shutter=False)
    room = None if ambient is None else at_exposure(ambient, whole.exposure, shutter=True)
    grids, gains = [whole, before], [1.0, -1.0]
    if room is not None and room.fits(whole):
        grids, gains = [*grids, room], [*gains, 1.0]
    own = combine(grids, gains)
    clipped = np.maximum(whole.clipped, before.clipped)
    right, down = (getattr(places[0], way) - getattr(places[1], way) for way in ("right", "down"))
    if round(right * whole.shape[1]) or round(down * whole.shape[0]):
        gone = before.brought_back(-right, -down)
        off = np.abs(gone.luminance - before.luminance)
        least = _OTHERWISE * np.maximum(whole.luminance, 0.0) + 3.0 * whole.noise
        clipped = np.where((off > least) | (gone.clipped > before.clipped), 1.0, clipped)
    return replace(
        own,
        noise=np.hypot(own.noise, _varies(before)),
        clipped=clipped.astype(np.float32),
        boxes={
            name: replace(cells, clipped=either)
            for name, cells in own.boxes.items()
            for either in (whole.boxes[name].clipped | before.boxes[name].clipped,)
            if np.mean(either) <= CLIPPED_SHARE
        },
    )


def _varies(less: LightGrid) -> NDArray[np.float32]:
    """Return what the other lamps' light varies by from frame to frame, float32 (rows, columns)."""
    return np.float32(_VARIES) * np.maximum(less.luminance, np.float32(0.0))


def own_light(
    lamp: str,
    whole: LightGrid,
    less: LightGrid | None,
    ambient: LightGrid | None = None,
    sought: Sought | None = None,
    known: LampSet | None = None,
) -> tuple[LightGrid, tuple[LampNote, ...]]:
    """Return a lamp's own light out of the build-up, and what is to be said of it.

    Parameters
    ----------
    lamp
        The lamp.
    whole, less, ambient
        As in :func:`difference`; with no `less` it is alone in `whole`.
    sought
        The sitter, looked for in both frames; None takes him to have stood still.
    known
        Lamps whose own light is known: one of them may have been turned, moved or flagged between
        the two.

    Returns
    -------
    tuple
        The light; and first how sure it is, or why it can't be the lamp's solo, then the patches
        that it leaves out.
    """
    if less is None:
        return whole, (_sure(lamp, whole, None, ambient),)
    own = difference(whole, less, ambient, places=(place_in(whole, sought), place_in(less, sought)))
    gone = tuple(name for name in whole.boxes if name in less.boxes and name not in own.boxes)
    unknown = (LampNote("unknown in", lamp, gone),) if gone else ()
    sure = _sure(lamp, own, less, ambient)
    if sure.code == "others changed" and known is not None:
        sure = replace(sure, names=_lessened(own, less, ambient, known))
    risen = None if known is None or sure.is_refused else _risen(lamp, own, known)
    return own, (risen or sure, *unknown)


def _risen(lamp: str, own: LightGrid, known: LampSet) -> LampNote | None:
    """Return which other lamp gives more than before in what is to be one lamp's own light.

    None where none does by what makes a lamp weak or strong, or its light can't be told from the
    lamp's own: where that falls on all that the other lights, or the other lights but even paper.
    """
    stack = stack_of(own, known)
    if np.count_nonzero(stack.coarse_good) < len(known.names):
        return None
    cells = design(stack, None)
    fit = fit_outputs(cells, start=np.ones(len(known.names)))
    told = np.square(fit.used / cells.sigma[:, None])
    share = told * fit.weight[:, None] / np.maximum(told.sum(axis=0), 1e-12)
    fits = share.sum(axis=0)
    light = np.log2(np.maximum(fit.used, 1e-9))
    off = light - np.sum(share * light, axis=0) / np.maximum(fits, 1e-12)
    varied = np.sqrt(np.sum(share * np.square(off), axis=0) / np.maximum(fits, 1e-12))
    is_told = (fits >= 1.0 - _UNFIT) & (varied >= _VARIED)
    more = np.where(is_told, np.log2(1.0 + fit.outputs), 0.0)
    most = int(np.argmax(more))
    if more[most] < LEAST_OFF or known.names[most] == lamp:
        return None
    return LampNote("gives more", lamp, (known.names[most],), stops=float(more[most]))


def _sure(lamp: str, own: LightGrid, less: LightGrid | None, ambient: LightGrid | None) -> LampNote:
    """Return how sure a lamp's own light is where it is brightest, or why it can't be its solo."""
    light = _net(own, ambient)
    noise = own.noise
    if less is not None:  # what the others vary by is their light, which their own solos take up
        noise = np.sqrt(np.maximum(own.noise**2 - _varies(less) ** 2, 0.0))
    if less is not None and _missing(light, own, less)[0] > _MISSING_SHARE:
        return LampNote("others changed", lamp)
    known = own.usable
    top = float(np.percentile(light[known], _BRIGHTEST)) if known.any() else 0.0
    core = known & (light > max(_CORE * top, 0.0))
    unsure = math.inf
    if top > 0.0 and core.any():
        share = float(np.linalg.norm(noise[core]) / light[core].sum())
        unsure = math.hypot(FLASH_STOPS, share / math.log(2.0))
    if unsure > _UNLIT_STOPS:
        return LampNote("unlit", lamp)
    return LampNote("sure to" if unsure <= _SURE_STOPS else "too faint", lamp, stops=unsure)


def _net(own: LightGrid, ambient: LightGrid | None) -> NDArray[np.float64]:
    """Return a lamp's own light less the ambient light, float64 (rows, columns)."""
    light = own.luminance.astype(np.float64)
    if ambient is None or not ambient.fits(own):
        return light
    return light - at_exposure(ambient, own.exposure, shutter=True).luminance


def _missing(
    light: NDArray[np.float64], own: LightGrid, less: LightGrid
) -> tuple[float, NDArray[np.float64], int]:
    """Return the share of what the other lamps light that lies below no light at all.

    And by how much, float64 by coarse cells of so many blocks a side, 0 where nothing is missing.
    """
    step = max(1, round(max(light.shape) / _CELLS_ACROSS))
    known = pooled(own.usable, step) >= 1.0
    cells, others = pooled(light, step), pooled(less.luminance, step)
    # what the others vary by is alike in a cell's blocks, so that their mean is as unsure as one
    doubt = pooled(own.noise, step)
    lit = known & (others > doubt) & (others > _CORE * np.percentile(others, _BRIGHTEST))
    below = lit & (cells < -_SIGMAS * doubt)
    share = int(np.count_nonzero(below)) / max(int(np.count_nonzero(lit)), 1)
    return share, np.where(below, -cells, 0.0), step


def _lessened(
    own: LightGrid, less: LightGrid, ambient: LightGrid | None, known: LampSet
) -> tuple[str, ...]:
    """Return the one other lamp whose light it is that is missing; none where it may be several's.

    Turned down, moved or flagged it takes its light from where it gave the most of it: it is named
    where two thirds of what is missing would be its own, twice what all others would have lost.
    """
    _, missing, step = _missing(_net(own, ambient), own, less)
    gave = np.array([pooled(one.luminance, step) for one in known.nets.values()], dtype=np.float64)
    gave = np.maximum(gave, 0.0)
    shares = np.sum(gave / np.maximum(gave.sum(axis=0), 1e-12) * missing, axis=(1, 2))
    most = int(np.argmax(shares))
    return (known.names[most],) if shares[most] >= _ITS_OWN * missing.sum() else ()
