"""Backdrop: how bright, how level left to right, how even and how neutral the paper lies."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.grid import MAD_FACTOR, MEDIAN_FACTOR
from stopwise.measurement.figures import BackdropReading, Tint
from stopwise.measurement.paper import find_parts, surface_over
from stopwise.measurement.patches import median_uncertainty
from stopwise.stops import MIDDLE_ZONE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.frame import Box, Point
    from stopwise.grid import LightGrid
    from stopwise.measurement.paper import Parts
    from stopwise.measurement.surface import Surface

MIDDLE = 0.5
"""x of the picture's upright middle line, about which left and right are mirror images."""

LEAST_BLOCKS = 24
"""Fewer blocks of paper, or of paper on one side, make no figure: a median of 24 scatters by a
quarter of one block's noise."""

_SMOOTHED = 1.5
"""Blocks: how far a residual is smoothed before the greatest is called a blotch."""

_BESIDE_BLOCKS = 5
"""How near the sitter a blotch may be his own blurred edge: three widths of the smoothing."""

_BESIDE_STOPS = 0.1
"""Blotches beside the sitter that are less are told: what a blotch may be off by."""

_ODD = 5.0
"""Noises off the smooth surface, or scatters, from which a block may be no paper: by chance 1 in
1.7 million is (normal distribution)."""

Pairs = tuple["NDArray[np.bool_]", "NDArray[np.bool_]"]
"""Blocks left and right, bool (rows, columns) each, that are mirror images of each other."""


@dataclass(frozen=True, eq=False, slots=True)
class _Paper:
    """The paper as read: log2 Y of its blocks and their noise, and which may be read.

    `seen` is paper in this frame; `known` adds what the plate fills in behind the sitter, `held`
    is the boxes. All are (rows, columns), as is `x`.
    """

    grid: LightGrid
    stops: NDArray[np.float64]
    noise: NDArray[np.float64]
    seen: NDArray[np.bool_]
    known: NDArray[np.bool_]
    held: NDArray[np.bool_]

    @property
    def pairs(self) -> Pairs | None:
        """Blocks of the mirror-image pairs, from this frame where it has enough of them."""
        x = self.grid.x[None, :]
        for mask in (self.seen, self.known):
            both = mask & mask[:, ::-1]
            left, right = both & (x < MIDDLE), both & (x > MIDDLE)
            if left.sum() >= LEAST_BLOCKS:
                return left, right
        return None

    def point(self, flat: int) -> Point:
        """Return the middle of a block, given its place in the flattened grid."""
        row, column = divmod(flat, self.grid.shape[1])
        return float(self.grid.x[column]), float(self.grid.y[row])


@dataclass(slots=True)
class _Figures:
    """What was read so far: figures, the standard uncertainty of some, and why others weren't."""

    told: dict[str, Any] = field(default_factory=dict)
    unsure: dict[str, float] = field(default_factory=dict)
    why: dict[str, str] = field(default_factory=dict)

    def tell(self, name: str, value: float, unsure: float) -> None:
        """Keep a figure and its standard uncertainty."""
        self.told[name], self.unsure[name] = value, unsure

    def refuse(self, why: str, *names: str) -> None:
        """Keep the condition that keeps figures from being seen."""
        self.why |= dict.fromkeys(names, why)


def read_backdrop(
    grid: LightGrid,
    boxes: Sequence[Box],
    *,
    mid_grey: float | None = None,
    plate: LightGrid | None = None,
    parts: Parts | None = None,
) -> BackdropReading:
    """Read the backdrop.

    Parameters
    ----------
    grid
        The frame.
    boxes
        Where the backdrop is, fractions of the upright picture; the sitter may stand in them.
    mid_grey
        Y of mid-grey, anchor = 1; None where it holds for another camera: zone isn't seen.
    plate
        The bare backdrop; it fills in what the sitter hides, moved to this frame's power. Left out
        where its shape is another.
    parts
        What `find_parts` told of this frame with the same boxes and plate; None to find it here.

    Returns
    -------
    BackdropReading
        Stops and zones, each finite or None with `why`: "too_few", "no_pairs", "other_camera",
        "no_light", "no_colour", "beside_sitter".

    Notes
    -----
    left_right takes mirror-image pairs only: blocks whose mirror image is paper too. falloff is the
    brightest less the darkest of a robust quadratic or quartic in x and y through log2 Y, over the
    paper; uneven is the standard deviation of what that surface leaves with the noise's variance
    taken out; blotch is the greatest of what it leaves after a Gaussian of 1.5 blocks.
    """
    parts = parts or find_parts(grid, boxes, plate=plate)
    paper = _paper(grid, boxes, plate, parts)
    figures = _Figures()
    surface = surface_over(grid, paper.stops, paper.known, order=None)
    _level(figures, paper, mid_grey)
    _sides(figures, paper, surface)
    _evenness(figures, paper, surface)
    _tint(figures, paper)
    names = ("zone", "left_right", "falloff", "brightest", "darkest", "uneven", "blotch",
             "blotch_at", "log2_y")  # fmt: skip
    return BackdropReading(
        **{name: figures.told.get(name) for name in names},
        tint=Tint(figures.told.get("red_green"), figures.told.get("blue_green")),
        uncertainty=figures.unsure,
        by="plate" if (paper.known & ~paper.seen).any() else "frame",
        why=figures.why,
    )


def _paper(grid: LightGrid, boxes: Sequence[Box], plate: LightGrid | None, parts: Parts) -> _Paper:
    held = grid.inside(boxes)
    seen = held & grid.seen & parts.paper
    bare = _Paper(grid, grid.log2_y, grid.noise_stops, seen, seen, held)
    if plate is None or plate.shape != grid.shape:
        return bare
    hidden = held & plate.seen & ~seen
    change = surface_over(grid, grid.log2_y - plate.log2_y, seen & plate.seen, order=2)
    if change is None or not hidden.any():
        return bare
    filled = plate.log2_y + change.over(grid.x, grid.y)
    stops = np.where(hidden, filled, bare.stops)
    noise = np.where(hidden, plate.noise_stops, bare.noise)
    return _Paper(grid, stops, noise, seen, seen | hidden, held)


def _level(figures: _Figures, paper: _Paper, mid_grey: float | None) -> None:
    if paper.seen.sum() < LEAST_BLOCKS:
        figures.refuse("too_few", "log2_y", "zone")
        return
    values = paper.stops[paper.seen]
    level, unsure = float(np.median(values)), median_uncertainty(values, paper.noise[paper.seen])
    figures.tell("log2_y", level, unsure)
    if mid_grey is None:
        figures.refuse("other_camera", "zone")
    else:
        figures.tell("zone", MIDDLE_ZONE + level - math.log2(mid_grey), unsure)


def _sides(figures: _Figures, paper: _Paper, surface: Surface | None) -> None:
    if paper.pairs is None:
        figures.refuse("no_pairs", "left_right")
        return
    left, right = ((paper.stops[side], paper.noise[side]) for side in paper.pairs)
    errors = [median_uncertainty(*left, less=right)]
    told = _across(paper.stops, paper.pairs)
    # what isn't of the paper after all, by how far its blocks lie off the surface
    if surface is not None:
        off = np.abs(paper.stops - surface.over(paper.grid.x, paper.grid.y))
        fair = off < _ODD * np.maximum(paper.noise, MAD_FACTOR * np.median(off[paper.known]))
        sure = [side & fair for side in paper.pairs]
        if min(side.sum() for side in sure) >= LEAST_BLOCKS:
            errors.append(told - _across(paper.stops, (sure[0], sure[1])))
    figures.tell("left_right", told, math.hypot(*errors))


def _across(stops: NDArray[np.float64], pairs: Pairs) -> float:
    """Return the median on the left less that on the right."""
    left, right = (float(np.median(stops[side])) for side in pairs)
    return left - right


def _evenness(figures: _Figures, paper: _Paper, surface: Surface | None) -> None:
    """Read falloff, unevenness and the greatest blotch off a smooth surface.

    Where the greatest blotch may be the sitter's, nothing near him counts as unevenness either; nor
    is that seen where another as great lies farther off, since he may reach there.
    """
    from scipy.ndimage import binary_dilation, gaussian_filter

    grid, at = paper.grid, paper.known
    if surface is None or at.sum() < LEAST_BLOCKS:
        names = ("falloff", "brightest", "darkest", "uneven", "blotch", "blotch_at")
        figures.refuse("too_few", *names)
        return
    level = np.where(at, surface.over(grid.x, grid.y), np.nan)
    high, low = int(np.nanargmax(level)), int(np.nanargmin(level))
    brightest, darkest = paper.point(high), paper.point(low)
    figures.told |= {"brightest": brightest, "darkest": darkest}
    unsure = surface.difference_uncertainty(brightest, darkest)
    figures.tell("falloff", float(level.flat[high] - level.flat[low]), unsure)

    rest = paper.stops - level
    rest -= np.mean(rest[at])
    share = gaussian_filter(at.astype(np.float64), _SMOOTHED, mode="constant")
    smooth = gaussian_filter(np.where(at, rest, 0.0), _SMOOTHED, mode="constant")
    smooth = np.where(at, smooth / np.maximum(share, 1e-9), 0.0)
    worst = int(np.argmax(np.abs(smooth)))
    beside = binary_dilation(paper.held & ~at, iterations=_BESIDE_BLOCKS)
    is_his = bool(beside.flat[worst]) and abs(smooth.flat[worst]) > _BESIDE_STOPS
    even = at & ~beside if is_his else at
    if is_his:
        figures.refuse("beside_sitter", "blotch", "blotch_at")
    else:
        # a Gaussian of s blocks averages as many as a flat mean of 4 pi s^2 blocks does
        averaged = 4.0 * math.pi * _SMOOTHED**2 * min(float(share.flat[worst]), 1.0)
        figures.told["blotch_at"] = paper.point(worst)
        unsure = float(paper.noise.flat[worst]) / math.sqrt(averaged)
        figures.tell("blotch", float(smooth.flat[worst]), unsure)
    if is_his and (even.sum() < LEAST_BLOCKS or float(np.abs(smooth[even]).max()) > _BESIDE_STOPS):
        figures.refuse("beside_sitter", "uneven")
        return
    left, noise = rest[even], paper.noise[even]
    variance = max(float(np.mean(left**2) - np.mean(noise**2)), 0.0)
    # the variance of a mean square of signal and noise: 4 s^2 n^2 + 2 n^4 a block
    signal = np.maximum(left**2 - noise**2, 0.0)
    unsure = math.sqrt(float((4.0 * signal * noise**2 + 2.0 * noise**4).sum())) / len(left)
    root = unsure / (2.0 * math.sqrt(max(variance, unsure))) if unsure > 0.0 else 0.0
    figures.tell("uneven", math.sqrt(variance), root)


def _tint(figures: _Figures, paper: _Paper) -> None:
    """Read log2 of red and of blue over green, left median less right."""
    names, pairs = ("red_green", "blue_green"), paper.pairs
    if len(paper.grid.mean) < 3 or pairs is None:
        figures.refuse("no_colour" if len(paper.grid.mean) < 3 else "no_pairs", *names)
        return
    red, green, blue = paper.grid.mean
    told = [_tint_across(colour, green, pairs) for colour in (red, blue)]
    for name, tint in zip(names, told, strict=True):
        if tint is None or None in told:
            figures.refuse("no_colour", name)
        else:
            figures.tell(name, *tint)


def _tint_across(
    colour: NDArray[np.float32], green: NDArray[np.float32], pairs: Pairs
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
        errors.append(MEDIAN_FACTOR * scatter / math.sqrt(len(stops)))
    return medians[0] - medians[1], math.hypot(*errors)
