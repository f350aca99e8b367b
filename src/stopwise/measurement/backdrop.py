"""Backdrop: how bright, how level left to right, how even and how neutral the paper lies."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measurement.measurement import BackdropReading, Point, Tint
from stopwise.measurement.quantiles import MAD_FACTOR
from stopwise.measurement.sitter import find_parts, surface_over
from stopwise.stops import MIDDLE_ZONE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.measurement.blocks import Blocks
    from stopwise.measurement.measurement import Box
    from stopwise.measurement.sitter import Parts
    from stopwise.measurement.surface import Surface

MIDDLE = 0.5
"""x of the picture's upright middle line, about which left and right are mirror images."""

LEAST_BLOCKS = 24
"""Fewer blocks of paper, or of paper on one side, make no figure."""

_SMOOTHED = 1.5
"""Blocks: how far a residual is smoothed before the greatest is called a blotch."""

Colours = tuple["NDArray[np.float32]", "NDArray[np.float32]", "NDArray[np.float32]"]
"""Balanced R, G and B at the blocks' middle cells (`Blocks.window`), each (n, m), anchor = 1."""


@dataclass(frozen=True, eq=False, slots=True)
class _Paper:
    """The paper as read: log2 Y of its blocks and their noise, and which may be read.

    `seen` is paper in this frame; `known` adds what the plate fills in behind the sitter.
    """

    stops: NDArray[np.float64]
    noise: NDArray[np.float64]
    seen: NDArray[np.bool_]
    known: NDArray[np.bool_]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    blocks: Blocks


def read_backdrop(
    blocks: Blocks,
    boxes: Sequence[Box],
    *,
    mid_grey: float | None = None,
    colours: Colours | None = None,
    plate: Blocks | None = None,
    parts: Parts | None = None,
) -> BackdropReading:
    """Read the backdrop.

    Parameters
    ----------
    blocks
        The frame, reduced with its clipped cells left out.
    boxes
        Where the backdrop is, fractions of the upright picture; the sitter may stand in them.
    mid_grey
        Y of mid-grey, anchor = 1; None where it holds for another camera: zone isn't seen.
    colours
        Balanced R, G, B at the blocks' middle cells; None for a sensor of one colour.
    plate
        The bare backdrop, reduced likewise; it fills in what the sitter hides, moved to this
        frame's power. Left out where its shape is another.
    parts
        What `find_parts` told of this frame with the same boxes and plate; None to find it here.

    Returns
    -------
    BackdropReading
        Stops and zones, each finite or None with `why`: "too_few", "no_pairs", "other_camera",
        "no_light", "no_colour".

    Notes
    -----
    left_right takes mirror-image pairs only: blocks whose mirror image is paper too. falloff is the
    brightest less the darkest of a robust quadratic or quartic in x and y through log2 Y, over the
    paper; uneven is the standard deviation of what that surface leaves with the noise's variance
    taken out; blotch is the greatest of what it leaves after a Gaussian of 1.5 blocks.
    """
    if parts is None:
        parts = find_parts(blocks, boxes, plate=plate)
    paper = _paper(blocks, boxes, plate, parts)
    filled = bool((paper.known & ~paper.seen).any())
    reading = replace(_NOTHING, by="plate") if filled else _NOTHING
    reading = _with_level(reading, paper, mid_grey)
    reading = _with_sides(reading, paper)
    reading = _with_evenness(reading, paper)
    return _with_tint(reading, paper, colours)


def median_uncertainty(values: NDArray[np.float64], noise: NDArray[np.float64]) -> float:
    """Return the standard uncertainty of a median that the noise of its values brings.

    Parameters
    ----------
    values, noise
        (n,), the values and the standard deviation of each, same unit.

    Returns
    -------
    float
        Same unit. With all true values equal it is sqrt(pi/2) noise / sqrt(n); where the values
        spread more widely only those near the median can shift it.

    Notes
    -----
    The median moves by (flips) / (density), with p the chance that a value lies above the median:
    sqrt(sum p (1 - p)) / sum(density at the median), both over the values' own normal noise.
    """
    noise = np.maximum(noise, 1e-12)
    off = (values - np.median(values)) / noise
    near = np.abs(off) < 6.0
    dense = np.exp(-0.5 * off[near] ** 2) / (math.sqrt(2.0 * math.pi) * noise[near])
    above = _normal_share(off[near])
    return float(np.sqrt((above * (1.0 - above)).sum()) / max(dense.sum(), 1e-12))


def _normal_share(off: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import ndtr

    return np.asarray(ndtr(off))


_NOTHING = BackdropReading(
    zone=None,
    left_right=None,
    falloff=None,
    brightest=None,
    darkest=None,
    uneven=None,
    blotch=None,
    blotch_at=None,
    tint=Tint(),
    log2_y=None,
)


def _unseen(reading: BackdropReading, why: str, *figures: str) -> BackdropReading:
    return replace(reading, why={**reading.why, **dict.fromkeys(figures, why)})


def _sure(reading: BackdropReading, **stops: float) -> BackdropReading:
    """Return the reading with the standard uncertainty of some figures, stops."""
    return replace(reading, uncertainty={**reading.uncertainty, **stops})


def _paper(blocks: Blocks, boxes: Sequence[Box], plate: Blocks | None, parts: Parts) -> _Paper:
    held = blocks.inside(boxes)
    seen = held & blocks.seen & parts.paper
    x, y = np.meshgrid(blocks.x, blocks.y)
    bare = _Paper(blocks.log2_y, blocks.noise_stops, seen, seen, x, y, blocks)
    if plate is None or plate.shape != blocks.shape:
        return bare
    hidden = held & plate.seen & ~seen
    change = surface_over(blocks, blocks.log2_y - plate.log2_y, seen & plate.seen, order=2)
    if change is None or not hidden.any():
        return bare
    filled = plate.log2_y + change.over(blocks.x, blocks.y)
    return replace(
        bare,
        stops=np.where(hidden, filled, bare.stops),
        noise=np.where(hidden, plate.noise_stops, bare.noise),
        known=seen | hidden,
    )


def _with_level(reading: BackdropReading, paper: _Paper, mid_grey: float | None) -> BackdropReading:
    if paper.seen.sum() < LEAST_BLOCKS:
        return _unseen(reading, "too_few", "log2_y", "zone")
    values, noise = paper.stops[paper.seen], paper.noise[paper.seen]
    level, unsure = float(np.median(values)), median_uncertainty(values, noise)
    reading = _sure(replace(reading, log2_y=level), log2_y=unsure)
    if mid_grey is None:
        return _unseen(reading, "other_camera", "zone")
    zone = MIDDLE_ZONE + level - math.log2(mid_grey)
    return _sure(replace(reading, zone=zone), zone=unsure)


def _pairs(paper: _Paper) -> tuple[NDArray[np.bool_], NDArray[np.bool_]] | None:
    """Return left and right blocks of the mirror-image pairs, from this frame where it has them."""
    for mask in (paper.seen, paper.known):
        both = mask & mask[:, ::-1]
        left, right = both & (paper.x < MIDDLE), both & (paper.x > MIDDLE)
        if left.sum() >= LEAST_BLOCKS:
            return left, right
    return None


def _with_sides(reading: BackdropReading, paper: _Paper) -> BackdropReading:
    pairs = _pairs(paper)
    if pairs is None:
        return _unseen(reading, "no_pairs", "left_right")
    left, right = (paper.stops[side] for side in pairs)
    errors = [median_uncertainty(paper.stops[side], paper.noise[side]) for side in pairs]
    level = float(np.median(left) - np.median(right))
    return _sure(replace(reading, left_right=level), left_right=math.hypot(*errors))


def _with_evenness(reading: BackdropReading, paper: _Paper) -> BackdropReading:
    at = paper.known
    surface = surface_over(paper.blocks, paper.stops, at, order=None)
    if surface is None or at.sum() < LEAST_BLOCKS:
        return _unseen(reading, "too_few", *_EVEN)
    level = np.where(at, surface.over(paper.blocks.x, paper.blocks.y), np.nan)
    rest = paper.stops - level
    rest -= np.mean(rest[at])
    reading = _with_falloff(reading, paper, surface, level)
    reading = _with_uneven(reading, paper, rest)
    return _with_blotch(reading, paper, rest)


_EVEN = ("falloff", "brightest", "darkest", "uneven", "blotch", "blotch_at")


def _point(paper: _Paper, flat: int) -> Point:
    return float(paper.x.flat[flat]), float(paper.y.flat[flat])


def _with_falloff(
    reading: BackdropReading, paper: _Paper, surface: Surface, level: NDArray[np.float64]
) -> BackdropReading:
    high, low = int(np.nanargmax(level)), int(np.nanargmin(level))
    brightest, darkest = _point(paper, high), _point(paper, low)
    falloff = float(level.flat[high] - level.flat[low])
    return _sure(
        replace(reading, falloff=falloff, brightest=brightest, darkest=darkest),
        falloff=surface.difference_uncertainty(brightest, darkest),
    )


def _with_uneven(
    reading: BackdropReading, paper: _Paper, rest: NDArray[np.float64]
) -> BackdropReading:
    left, noise = rest[paper.known], paper.noise[paper.known]
    variance = max(float(np.mean(left**2) - np.mean(noise**2)), 0.0)
    # the variance of a mean square of signal and noise: 4 s^2 n^2 + 2 n^4 a block
    signal = np.maximum(left**2 - noise**2, 0.0)
    unsure = math.sqrt(float((4.0 * signal * noise**2 + 2.0 * noise**4).sum())) / len(left)
    uneven = math.sqrt(variance)
    return _sure(
        replace(reading, uneven=uneven),
        uneven=unsure / (2.0 * math.sqrt(max(variance, unsure))) if unsure > 0.0 else 0.0,
    )


def _with_blotch(
    reading: BackdropReading, paper: _Paper, rest: NDArray[np.float64]
) -> BackdropReading:
    from scipy.ndimage import gaussian_filter

    share = gaussian_filter(paper.known.astype(np.float64), _SMOOTHED, mode="constant")
    smooth = gaussian_filter(np.where(paper.known, rest, 0.0), _SMOOTHED, mode="constant")
    smooth = np.where(paper.known, smooth / np.maximum(share, 1e-9), 0.0)
    at = int(np.argmax(np.abs(smooth)))
    # a Gaussian of s blocks averages as many as a flat mean of 4 pi s^2 blocks does
    averaged = 4.0 * math.pi * _SMOOTHED**2 * min(float(share.flat[at]), 1.0)
    return _sure(
        replace(reading, blotch=float(smooth.flat[at]), blotch_at=_point(paper, at)),
        blotch=float(paper.noise.flat[at]) / math.sqrt(averaged),
    )


def _with_tint(reading: BackdropReading, paper: _Paper, colours: Colours | None) -> BackdropReading:
    if colours is None:
        return _unseen(reading, "no_colour", "red_green", "blue_green")
    pairs = _pairs(paper)
    if pairs is None:
        return _unseen(reading, "no_pairs", "red_green", "blue_green")
    red, green, blue = colours
    warm, cool = _tint(red, green, pairs), _tint(blue, green, pairs)
    if warm is None or cool is None:
        return _unseen(reading, "no_colour", "red_green", "blue_green")
    return _sure(
        replace(reading, tint=Tint(warm[0], cool[0])),
        red_green=warm[1],
        blue_green=cool[1],
    )


def _tint(
    colour: NDArray[np.float32],
    green: NDArray[np.float32],
    pairs: tuple[NDArray[np.bool_], NDArray[np.bool_]],
) -> tuple[float, float] | None:
    """Return log2 of a colour over green, left median less right, and its uncertainty, stops."""
    medians, errors = [], []
    for side in pairs:
        lit = side & (colour > 0) & (green > 0)
        if lit.sum() < LEAST_BLOCKS:
            return None
        stops = np.log2(colour[lit].astype(np.float64) / green[lit])
        middle = float(np.median(stops))
        scatter = MAD_FACTOR * float(np.median(np.abs(stops - middle)))
        medians.append(middle)
        errors.append(math.sqrt(math.pi / 2.0 / len(stops)) * scatter)
    return medians[0] - medians[1], math.hypot(*errors)
