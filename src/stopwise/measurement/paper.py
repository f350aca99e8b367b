"""Paper: which blocks of a frame are backdrop and which are sitter, by edges or a clean plate."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.frame import window
from stopwise.grid import MAD_FACTOR, inner, pooled
from stopwise.measurement.surface import fit_plainest, fit_surface
from stopwise.plan.now import stays_with_the_set

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.frame import Box
    from stopwise.grid import LightGrid
    from stopwise.measurement.surface import Surface
    from stopwise.plan.now import PlanNow

EDGES: tuple[Box, ...] = ((0.0, 0.0, 0.06, 0.5), (0.94, 0.0, 1.0, 0.5), (0.0, 0.0, 1.0, 0.05))
"""Where the backdrop is looked for when no box says where it is: high up along the sides."""

# All below are set on our own renderer, where nothing else is said.

_DEPARTS_STOPS, _SCATTERS = 0.15, 4.0
"""How far a block departs from paper's surface to be sitter: stops, and scatters of the paper."""

_PLATE_STOPS = 0.08
"""The same against a clean plate."""

_NEAR_STOPS = 1.0
"""How far from the surface blocks outside the boxes may lie and still be paper."""

_TINTED_STOPS = 0.2
"""How far R/G or B/G of a block may lie from the paper's: lamps on one sheet differ by less, even
with a quarter of a colour-temperature gel on one (common practice)."""

_STEP_STOPS = 0.12
"""Greatest less least over a block and its neighbours up to which it is smooth."""

_TEXTURED = 2.5
"""Times the paper's own noise from which a block is textured."""

_SHARP = 0.6
"""Of a part's departure: what its border must jump by, over what the paper beside it rises by as
well, to be a body's and not a blotch's."""

_MOST_SQUARES = 2000
"""Squares that a surface is fitted to: enough for 15 terms a hundred times over."""

_MARGIN = 2
"""Blocks round the sitter and the paper that count as neither: an edge is blurred over two."""

_POCKET = 0.2
"""A piece of paper this small against the largest, and cut off by the sitter, is his."""

_NARROW_BODY = 0.05
"""Of the picture's width: a sitter who parts one side of the sheet from the other is wider, what is
parted from it by less is parted within him."""

_HALF = 0.5
"""Share of a patch, and of the patches, that must be covered for a sitter to be there."""

_LARGE = 0.15
"""Share of the frame from which whatever isn't paper is a sitter, where no patch says more.

In made plates the chip and its rod leave 0.01, a sitter 0.34.
"""

_EIGHT = np.ones((3, 3), dtype=bool)
"""A block and its neighbours, across corners too, for labels of areas."""


@dataclass(frozen=True, eq=False, slots=True)
class Parts:
    """What the blocks of a frame show, with a rim between the two that is neither.

    Attributes
    ----------
    paper
        bool (rows, columns), the backdrop, in its boxes and as far round as it is joined to them.
    subject
        bool (rows, columns), all that isn't backdrop.
    """

    paper: NDArray[np.bool_]
    subject: NDArray[np.bool_]


def find_parts(
    grid: LightGrid, boxes: Sequence[Box] = (), *, plate: LightGrid | None = None
) -> Parts:
    """Tell paper from sitter.

    Parameters
    ----------
    grid
        The frame.
    boxes
        Where the backdrop is, fractions of the upright picture; the sitter may reach into them.
        With none, the upper sides of the frame stand for them.
    plate
        The bare backdrop; None or one of another shape: not used.

    Returns
    -------
    Parts
        Paper and subject.

    Notes
    -----
    With a plate he is where the frame departs from it by more than a smooth change of power. With
    none he departs from a smooth surface, or is textured, and is told from a blotch of light by
    being bounded by sharp edges and reaching in from a box's side. So a sharp shadow that reaches
    a box's side can't be told from him: that takes a plate. Outside the boxes paper is what is
    joined to them by smooth blocks within a stop of the surface.
    """
    from scipy.ndimage import label

    inside = grid.inside(tuple(boxes) or EDGES)
    held = inside & grid.seen
    sitter = None
    if plate is not None and plate.shape == grid.shape:
        sitter = _against_plate(grid, plate, held)
    if sitter is None:
        sitter = _by_edges(grid, held)
        sitter |= _not_paper(grid, held & ~sitter, inside)
        sitter |= _another_sheet(grid, held & ~sitter)
    paper = held & ~sitter
    joined, _ = label(paper | (_like(grid, paper) & ~held))
    paper = np.isin(joined, np.unique(joined[paper])) & (joined > 0)
    return Parts(paper, grid.usable & ~_grown(paper, _MARGIN))


def shows_sitter(grid: LightGrid, targets: PlanNow) -> bool:
    """Tell whether somebody was left in a frame that is to show the bare paper.

    Parameters
    ----------
    grid
        The frame.
    targets
        The plan's patches and backdrop.

    Returns
    -------
    bool
        True where most patches that go with the sitter lie on what isn't paper. A chair that stays
        may stand beside them. With no such patch: where much of the frame isn't paper. False where
        the plan doesn't say where paper is.
    """
    if targets.plan.backdrop is None:
        return False
    subject = find_parts(grid, targets.plan.backdrop.boxes).subject
    his = [patch.box for patch in targets.measured if not stays_with_the_set(patch)]
    if not his:
        return bool(subject.mean() > _LARGE)
    covered = sum(bool(subject[window(box, grid.shape)].mean() > _HALF) for box in his)
    return covered > _HALF * len(his)


def surface_over(
    grid: LightGrid, stops: NDArray[np.float64], at: NDArray[np.bool_], *, order: int | None
) -> Surface | None:
    """Fit a robust surface through values at some blocks.

    Parameters
    ----------
    grid
        Whose blocks they are.
    stops
        float64 (rows, columns), finite where marked.
    at
        bool (rows, columns), the blocks that count. They are averaged in squares that are marked
        for more than half until there are some thousand left, so that noise doesn't hide what
        departs.
    order
        Of the polynomial; None takes the plainest that fits.
    """
    step = max(1, math.ceil(math.sqrt(np.count_nonzero(at) / _MOST_SQUARES)))
    whole = inner(stops.shape[0], step), inner(stops.shape[1], step)
    share = pooled(at[whole], step)
    level = pooled(np.where(at, stops, 0.0)[whole], step)
    y, x = (
        middles[held].reshape(-1, step).mean(axis=1)
        for middles, held in zip((grid.y, grid.x), whole, strict=True)
    )
    rows, columns = np.nonzero(share > _HALF)
    means = (level / np.maximum(share, 1e-9))[rows, columns]
    if order is None:
        return fit_plainest(x[columns], y[rows], means)
    return fit_surface(x[columns], y[rows], means, order=order)


def _grown(mask: NDArray[np.bool_], blocks: int = 1) -> NDArray[np.bool_]:
    """Return a mask (rows, columns) with a rim of so many blocks added all round."""
    from scipy.ndimage import binary_dilation

    return np.asarray(binary_dilation(mask, structure=_EIGHT, iterations=blocks))


def _against_plate(
    grid: LightGrid, plate: LightGrid, held: NDArray[np.bool_]
) -> NDArray[np.bool_] | None:
    """Return where a frame departs from its plate by more than a smooth change of power."""
    both = held & plate.seen
    change = grid.log2_y - plate.log2_y
    smooth = surface_over(grid, change, both, order=2)
    if smooth is None:
        return None
    rest = change - smooth.over(grid.x, grid.y)
    off = np.abs(rest) > max(_PLATE_STOPS, _SCATTERS * smooth.scatter)
    return _grown(both & off, _MARGIN)


def _by_edges(grid: LightGrid, held: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Look twice: past a stiff surface first, then past a supple one through what is left."""
    sitter = np.zeros(grid.shape, dtype=bool)
    for order in (2, 4):
        surface = surface_over(grid, grid.log2_y, held & ~sitter, order=order)
        if surface is None:
            return sitter
        rest = grid.log2_y - surface.over(grid.x, grid.y)
        sitter |= _bodies(grid, held, rest, surface.scatter)
        sitter |= _pockets(sitter, held)
    return sitter


def _not_paper(
    grid: LightGrid, paper: NDArray[np.bool_], inside: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return what can't be paper by its tone or its colour, with a rim.

    Light on one sheet doesn't change by a stop within a box but by falling off, and changes colour
    still less; cloth, hair and skin do both, also where no sharp edge parts them from the paper.
    """
    from scipy.ndimage import binary_opening

    surface = surface_over(grid, grid.log2_y, paper, order=None)
    if surface is None:
        return np.zeros_like(paper)
    off = np.abs(grid.log2_y - surface.over(grid.x, grid.y)) > _NEAR_STOPS
    if len(grid.mean) >= 3:
        red, green, blue = np.maximum(grid.mean, 1e-9)
        for colour in (red, blue):
            tint = np.log2(colour / green, dtype=np.float64)
            middle = float(np.median(tint[paper]))
            scatter = MAD_FACTOR * float(np.median(np.abs(tint[paper] - middle)))
            off |= np.abs(tint - middle) > max(_TINTED_STOPS, _SCATTERS * scatter)
    # noise takes single blocks, cloth takes squares of them, also with what is known not to be
    # paper or too full or dark to be read: of his edge no more than a strip may be left
    other = binary_opening(inside & (off | ~paper), structure=_EIGHT) & paper
    return _grown(other, _MARGIN)


def _another_sheet(grid: LightGrid, paper: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return what an edge parts from the sheet that most of the paper lies on, with a rim.

    Whoever fills a box draws the surface through himself. The sheet goes on outside the boxes,
    smoothly, as far as to his edge; what lies beyond him, where it can't be seen to go on, may
    still be paper. It then goes on to the picture's rim, or into what is blown: what he has on all
    sides of it, such as a collar, is his.
    """
    from scipy.ndimage import label

    if not paper.any():
        return np.zeros_like(paper)
    pieces, _ = label(grid.seen & _smooth(grid, paper), structure=_EIGHT)
    sizes = np.bincount(pieces[paper], minlength=2)
    sizes[0] = 0
    sheet = pieces == int(np.argmax(sizes))
    ends = ~grid.usable
    ends[[0, -1]] = ends[:, [0, -1]] = True
    beyond = (pieces > 0) & np.isin(pieces, pieces[_grown(ends)])
    reach = math.ceil(_NARROW_BODY * grid.shape[1] / 2.0)
    lain_on = paper | ((pieces > 0) & np.isin(pieces, pieces[paper]))
    reached, _ = label(_grown(lain_on, reach), structure=_EIGHT)
    within = np.unique(reached[sheet & (reached > 0)])
    his = np.isin(reached, within) | ~_grown(beyond, _MARGIN)
    parted = paper & ~_grown(sheet, _MARGIN) & his
    return _grown(parted, _MARGIN)


def _bodies(
    grid: LightGrid, held: NDArray[np.bool_], rest: NDArray[np.float64], scatter: float
) -> NDArray[np.bool_]:
    """Return what departs, reaches in from a box's side and is bounded sharply, with a rim."""
    from scipy.ndimage import binary_closing, label

    off = held & (np.abs(rest) > max(_DEPARTS_STOPS, _SCATTERS * scatter))
    textured = held & _textured(grid, held)
    off |= textured
    parts, _ = label(binary_closing(off, iterations=2) & held, structure=_EIGHT)
    steps = _step(grid.log2_y)
    bodies = np.zeros(grid.shape, dtype=bool)
    for number in np.unique(parts[held & _grown(~held) & (parts > 0)]):
        part = parts == number
        border = part & _grown(held & ~part)
        beside = held & ~off & _grown(part, 3 * _MARGIN) & ~_grown(part, _MARGIN)
        jump = _middle(steps[border]) - _middle(steps[beside])
        if jump > _SHARP * np.median(np.abs(rest[part])) or textured[part].mean() > _HALF:
            bodies |= part
    return _grown(bodies, _MARGIN)


def _pockets(sitter: NDArray[np.bool_], held: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the small pieces that the sitter cuts off: a neck in the paper's tone isn't paper."""
    from scipy.ndimage import label

    pieces, count = label(held & ~sitter)
    if not sitter.any() or count == 0:
        return np.zeros_like(sitter)
    sizes = np.bincount(pieces.ravel(), minlength=count + 1)
    sizes[0] = 0
    cut_off = np.unique(pieces[_grown(sitter) & (pieces > 0)])
    return np.asarray(np.isin(pieces, cut_off[sizes[cut_off] < _POCKET * sizes.max()]))


def _like(grid: LightGrid, paper: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where blocks are as smooth as the paper and near the surface through it."""
    surface = surface_over(grid, grid.log2_y, paper, order=2)
    if surface is None:
        return np.zeros(grid.shape, dtype=bool)
    near = np.abs(grid.log2_y - surface.over(grid.x, grid.y)) < _NEAR_STOPS
    return np.asarray(grid.seen & _smooth(grid, paper) & near & ~_textured(grid, paper))


def _smooth(grid: LightGrid, paper: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where blocks differ from those round them as little as on the paper."""
    steps = _step(grid.log2_y)
    return np.asarray(steps <= max(_STEP_STOPS, _SCATTERS * float(np.median(steps[paper]))))


def _textured(grid: LightGrid, paper: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where neighbouring cells differ far more than the paper's noise."""
    light = np.maximum(np.where(grid.seen, grid.luminance, 0.0), 1e-9)
    grain = np.where(grid.seen, grid.noise, 0.0) / np.sqrt(light)
    return np.asarray(grain > _TEXTURED * float(np.median(grain[paper])))


def _middle(values: NDArray[np.float64]) -> float:
    """Return the median, 0 of none."""
    return float(np.median(values)) if values.size else 0.0


def _step(stops: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return greatest less least over each block and its eight neighbours; NaN where not seen."""
    from scipy.ndimage import maximum_filter, minimum_filter

    known = np.isfinite(stops)
    high = maximum_filter(np.where(known, stops, -99.0), size=3, mode="nearest")
    low = minimum_filter(np.where(known, stops, 99.0), size=3, mode="nearest")
    return np.where(known, high - low, np.nan)
