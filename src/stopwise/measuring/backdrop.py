"""Backdrop: how bright, how level left to right, how even and how neutral the paper lies."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.measuring.measurement import BackdropReading, Point
from stopwise.measuring.sitter import sitter_in
from stopwise.measuring.surface import fit_surface
from stopwise.stops import MIDDLE_ZONE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.measuring.blocks import Blocks
    from stopwise.measuring.measurement import Box
    from stopwise.measuring.surface import Surface

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


def read_backdrop(
    blocks: Blocks,
    boxes: Sequence[Box],
    *,
    mid_grey: float | None = None,
    colours: Colours | None = None,
    plate: Blocks | None = None,
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

    Returns
    -------
    BackdropReading
        Stops and zones, each finite or None with `why`: "too_few", "no_pairs", "other_camera",
        "no_light", "no_colour".

    Notes
    -----
    left_right takes mirror-image pairs only: blocks whose mirror image is paper too. falloff is the
    brightest less the darkest of a robust quadratic in x and y through log2 Y, over the paper;
    uneven is the standard deviation of what that surface leaves with the noise's variance taken
    out; blotch is the greatest of what it leaves after a Gaussian of 1.5 blocks.
    """
    paper = _paper(blocks, boxes, plate)
    by = "plate" if (paper.known & ~paper.seen).any() else "frame"
    figures: dict[str, float | Point | None] = {}
    uncertainty: dict[str, float] = {}
    why: dict[str, str] = {}
    for part in (
        _level(paper, mid_grey),
        _sides(paper),
        _evenness(paper),
        _tint(paper, colours),
    ):
        figures |= part.figures
        uncertainty |= part.uncertainty
        why |= part.why
    return BackdropReading(**figures, uncertainty=uncertainty, by=by, why=why)


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


@dataclass(frozen=True, slots=True)
class _Part:
    figures: dict[str, float | Point | None]
    uncertainty: dict[str, float]
    why: dict[str, str]


def _absent(names: Sequence[str], why: str) -> _Part:
    return _Part(dict.fromkeys(names), {}, dict.fromkeys(names, why))


def _paper(blocks: Blocks, boxes: Sequence[Box], plate: Blocks | None) -> _Paper:
    held = blocks.inside(boxes)
    seen = held & blocks.seen & ~sitter_in(blocks, boxes, plate=plate)
    x, y = np.meshgrid(blocks.x, blocks.y)
    stops, noise = blocks.log2_y.astype(np.float64), blocks.noise_stops.astype(np.float64)
    known = seen
    if plate is not None and plate.shape == blocks.shape:
        hidden = held & plate.seen & ~seen
        both = seen & plate.seen
        change = fit_surface(x[both], y[both], stops[both] - plate.log2_y[both])
        if change is not None and hidden.any():
            stops = np.where(hidden, plate.log2_y + change.at(x, y), stops)
            noise = np.where(hidden, plate.noise_stops, noise)
            known = seen | hidden
    return _Paper(stops, noise, seen, known, x, y)


def _level(paper: _Paper, mid_grey: float | None) -> _Part:
    if paper.seen.sum() < LEAST_BLOCKS:
        return _absent(("log2_y", "zone"), "too_few")
    values, noise = paper.stops[paper.seen], paper.noise[paper.seen]
    level, off = float(np.median(values)), median_uncertainty(values, noise)
    if mid_grey is None:
        return _Part({"log2_y": level, "zone": None}, {"log2_y": off}, {"zone": "other_camera"})
    zone = MIDDLE_ZONE + level - math.log2(mid_grey)
    return _Part({"log2_y": level, "zone": zone}, {"log2_y": off, "zone": off}, {})


def _pairs(paper: _Paper) -> tuple[NDArray[np.bool_], NDArray[np.bool_]] | None:
    """Return left and right blocks of the mirror-image pairs, from this frame where it has them."""
    for mask in (paper.seen, paper.known):
        both = mask & mask[:, ::-1]
        left = both & (paper.x < 0.5)
        right = both & (paper.x > 0.5)
        if left.sum() >= LEAST_BLOCKS and right.sum() >= LEAST_BLOCKS:
            return left, right
    return None


def _sides(paper: _Paper) -> _Part:
    pairs = _pairs(paper)
    if pairs is None:
        return _absent(("left_right",), "no_pairs")
    left, right = (paper.stops[side] for side in pairs)
    off = math.hypot(*(median_uncertainty(paper.stops[s], paper.noise[s]) for s in pairs))
    return _Part({"left_right": float(np.median(left) - np.median(right))}, {"left_right": off}, {})


_EVEN = ("falloff", "brightest", "darkest", "uneven", "blotch", "blotch_at")


def _evenness(paper: _Paper) -> _Part:
    at = paper.known
    surface = fit_surface(paper.x[at], paper.y[at], paper.stops[at])
    if at.sum() < LEAST_BLOCKS or surface is None:
        return _absent(_EVEN, "too_few")
    level = np.where(at, surface.at(paper.x, paper.y), np.nan)
    rest = paper.stops - level
    rest -= np.mean(rest[at])
    fall, even, blotch = _falloff(paper, surface, level), _uneven(paper, rest), _blotch(paper, rest)
    return _Part(
        fall.figures | even.figures | blotch.figures,
        fall.uncertainty | even.uncertainty | blotch.uncertainty,
        {},
    )


def _point(paper: _Paper, flat: int) -> Point:
    return float(paper.x.flat[flat]), float(paper.y.flat[flat])


def _falloff(paper: _Paper, surface: Surface, level: NDArray[np.float64]) -> _Part:
    high, low = int(np.nanargmax(level)), int(np.nanargmin(level))
    brightest, darkest = _point(paper, high), _point(paper, low)
    return _Part(
        {
            "falloff": float(level.flat[high] - level.flat[low]),
            "brightest": brightest,
            "darkest": darkest,
        },
        {"falloff": surface.difference_uncertainty(brightest, darkest)},
        {},
    )


def _uneven(paper: _Paper, rest: NDArray[np.float64]) -> _Part:
    left, noise = rest[paper.known], paper.noise[paper.known]
    variance = float(np.mean(left**2) - np.mean(noise**2))
    uneven = math.sqrt(max(variance, 0.0))
    spread = math.sqrt(float((4.0 * left**2 * noise**2).sum())) / len(left)
    off = min(spread / (2.0 * uneven), math.sqrt(spread)) if uneven > 0 else math.sqrt(spread)
    return _Part({"uneven": uneven}, {"uneven": off}, {})


def _blotch(paper: _Paper, rest: NDArray[np.float64]) -> _Part:
    from scipy.ndimage import gaussian_filter

    known = paper.known.astype(np.float64)
    share = gaussian_filter(known, _SMOOTHED, mode="constant")
    smooth = gaussian_filter(np.where(paper.known, rest, 0.0), _SMOOTHED, mode="constant")
    smooth = np.where(paper.known, smooth / np.where(share > 0, share, 1.0), 0.0)
    at = int(np.argmax(np.abs(smooth)))
    averaged = math.sqrt(4.0 * math.pi) * _SMOOTHED
    return _Part(
        {"blotch": float(smooth.flat[at]), "blotch_at": _point(paper, at)},
        {"blotch": float(paper.noise.flat[at]) / averaged},
        {},
    )


def _tint(paper: _Paper, colours: Colours | None) -> _Part:
    pairs = _pairs(paper)
    if colours is None or pairs is None:
        return _absent(("red_green", "blue_green"), "no_colour" if colours is None else "no_pairs")
    red, green, blue = colours
    parts = [_tilt(name, top, green, pairs) for name, top in (("red", red), ("blue", blue))]
    return _Part(
        parts[0].figures | parts[1].figures,
        parts[0].uncertainty | parts[1].uncertainty,
        parts[0].why | parts[1].why,
    )


def _tilt(
    name: str,
    colour: NDArray[np.float32],
    green: NDArray[np.float32],
    pairs: tuple[NDArray[np.bool_], NDArray[np.bool_]],
) -> _Part:
    """Return log2 of a colour over green, median of the left less that of the right."""
    medians, errors = [], []
    for side in pairs:
        lit = side & (colour > 0) & (green > 0)
        if lit.sum() < LEAST_BLOCKS:
            return _absent((f"{name}_green",), "no_colour")
        stops = np.log2(colour[lit].astype(np.float64) / green[lit])
        middle = float(np.median(stops))
        scatter = 1.4826 * float(np.median(np.abs(stops - middle)))
        medians.append(middle)
        errors.append(math.sqrt(math.pi / 2.0 / len(stops)) * scatter)
    return _Part(
        {f"{name}_green": medians[0] - medians[1]}, {f"{name}_green": math.hypot(*errors)}, {}
    )
