"""What mixture of its lamps' own light a frame is, cell by cell, and where its sitter has gone.

Every lamp's own light is known from its solo. A frame is their sum, each times its output, but for
what the sitter carried along when he moved and for what is new in the picture. Outputs are fitted
to coarse cells, each taken as having stayed with the set or gone with the sitter, and cells that
fit neither count little.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from stopwise.grid import moved, pooled
from stopwise.lamps.solos import SoloPlace, exposure_stops

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from stopwise.frame import Box
    from stopwise.grid import LightGrid
    from stopwise.lamps.solos import LampSet

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]

CELLS_ACROSS = 60
"""Coarse cells along the longer side: small against a face, large against shot noise."""

CLIPPED = 0.02
"""Share of a cell's photosites that may clip before its light is a bound and the cell left out."""

_OFF = 0.05
"""Share of its light that a cell may be off a still sitter's (set on our own renderer)."""

_LEAST = 0.1
"""Part of what the solos together give in a cell that this share is taken of at least."""

_FLOOR = 2e-4
"""Light that a cell may be off in any case, anchor = 1: read noise of a dark cell and flare."""

_REGION = 5
"""Coarse cells along the side of a region, which the jackknife leaves out as one."""

_FEW = 0.25
"""Share of the cells in use under which each is a region of its own."""

_STILL_CELLS = 0.02
"""Blocks by which a sitter may be off and still count as being at the mark."""

_SOFT = 1.5
"""Residual, in sigmas, at which Cauchy's weight is one half."""

_ROUNDS, _SETTLED = 40, 1e-5
"""Reweightings at most, and the share of change under which outputs have settled."""

_LEAST_KNOWN = 1e-4
"""What is known of a lamp that lights nothing: its output within 100 times its solo's."""

_TILT, _NO_TILT = 20.0, 1e-6
"""How steeply a lamp's light may slope otherwise over a sitter for each longer side that he stands
off where he stood in its solo, one sigma, as a share (natural logarithm) a longer side; and none.

A beam of half width r slopes by 1 / r^2: r is 0.22 of the picture. Of 6, 20 and 60 this left the
least on half of the portraits that we did not make.
"""

_REACH = 0.14
"""How far the sitter is looked for, as a share of the longer side."""

FURTHEST = 0.12
"""Fractions of the picture beyond which a move leaves what narrow lamps light."""

_STILL_COST = 0.1
"""Mean cost of a cell under which the sitter is taken to be still (set on our own renderer)."""

_WORTH = 0.5
"""A shift counts only where it cuts the cost to this share.

Set on our own renderer: sitters who had left the set cut it to 0.52 and more, those who had moved
to 0.47 and less.
"""

_BORNE_OUT = 1.15
"""A hint is taken where its cost is at most this many times that of the best shift."""

_NEAR = 0.03
"""A shift this near a hint, in fractions of the picture, is the same move: heads turn besides."""


@dataclass(frozen=True, slots=True)
class Shift:
    """How far the sitter is off the solos' place.

    Attributes
    ----------
    dx, dy
        To the right as a fraction of the picture's width, and down as one of its height.
    is_sure
        False for a hint, as another frame gives it: held against the picture before it counts.
    """

    dx: float = 0.0
    dy: float = 0.0
    is_sure: bool = True

    @property
    def size(self) -> float:
        """How far, fractions of the picture."""
        return math.hypot(self.dx, self.dy)


@dataclass(frozen=True, eq=False)
class Stack:
    """A frame and its lamps on one grid of blocks, in luminance, anchor = 1.

    Attributes
    ----------
    seen
        float64 (rows, columns), the frame with its ambient taken off, at the lamps' exposure.
    lamps
        float64 (lamps, rows, columns), each lamp's own light as its solo shows it.
    sitter
        float64 (lamps, rows, columns), the same with the sitter brought to where the reference has
        him; `lamps` itself where he stood there in every solo.
    good
        bool (rows, columns), blocks that are clipped in neither frame nor solos.
    places
        float64 (lamps, 2), how far right and down of the reference he stood in each solo, fractions
        of the picture.
    """

    seen: Floats
    lamps: Floats
    sitter: Floats
    good: Bools
    places: Floats

    @property
    def factor(self) -> int:
        """Blocks along a coarse cell's side."""
        return max(1, round(float(max(self.seen.shape)) / CELLS_ACROSS))

    @cached_property
    def coarse_seen(self) -> Floats:
        """float64 (coarse rows, coarse columns), means of `seen`, anchor = 1."""
        return pooled(self.seen, self.factor)

    @cached_property
    def coarse_lamps(self) -> Floats:
        """float64 (lamps, coarse rows, coarse columns), means of `lamps`, anchor = 1."""
        return pooled(self.lamps, self.factor)

    @cached_property
    def coarse_good(self) -> Bools:
        """Bool (coarse rows, coarse columns), cells of which next to nothing clips."""
        good: Bools = pooled(self.good, self.factor) >= 1.0 - CLIPPED
        return good

    def sitter_at(self, shift: Shift | None) -> Floats | None:
        """Return what lamps give where the sitter stands now; NaN for what comes in from outside.

        float64 (lamps, rows, columns), anchor = 1; None where it is what the solos show.
        """
        rows, columns = self.seen.shape
        if shift is None or (
            abs(shift.dx) * columns < _STILL_CELLS and abs(shift.dy) * rows < _STILL_CELLS
        ):
            return None if self.sitter is self.lamps else self.sitter
        return shifted(self.sitter, shift)


def stack_of(frame: LightGrid, lamps: LampSet, *, only: Sequence[Box] | None = None) -> Stack:
    """Return a frame and its lamps as one stack, at the lamps' exposure.

    Parameters
    ----------
    frame
        The frame, reduced.
    lamps
        The solos.
    only
        Boxes whose blocks alone are used, fractions of the upright picture; None for all.

    Raises
    ------
    ValueError
        If the frame's grid isn't the solos'.
    """
    nets = list(lamps.nets.values())
    if not frame.fits(nets[0]):
        msg = f"the frame's picture is {frame.cells} cells, the solos' are of another size"
        raise ValueError(msg)
    flash = 2.0 ** exposure_stops(lamps.exposure, frame.exposure, shutter=False)
    seen = frame.luminance
    if lamps.ambient is not None:
        burning = 2.0 ** exposure_stops(lamps.exposure, frame.exposure, shutter=True)
        seen = seen - burning * lamps.ambient.luminance
    good = np.maximum.reduce([frame.clipped, *(net.clipped for net in nets)]) <= CLIPPED
    light = np.stack([net.luminance for net in nets]).astype(np.float64)
    return Stack(
        seen=(seen / flash).astype(np.float64),
        lamps=light,
        sitter=light if only is not None else _with_sitter_back(light, lamps),
        good=good if only is None else good & frame.inside(only, whole=True),
        places=np.array([(place.right, place.down) for place in _places(lamps)]),
    )


def _places(lamps: LampSet) -> list[SoloPlace]:
    return [lamps.places.get(name, SoloPlace()) for name in lamps.names]


def _with_sitter_back(light: Floats, lamps: LampSet) -> Floats:
    """Return each lamp's light with the sitter where the reference has him, as its solo's edges."""
    places = _places(lamps)
    if not any(place.right or place.down for place in places):
        return light
    back = [
        shifted(plane, Shift(-place.right, -place.down))
        for plane, place in zip(light, places, strict=True)
    ]
    return np.where(np.isfinite(back), back, light)


def shifted(planes: Floats, shift: Shift) -> Floats:
    """Return planes moved with the sitter, float64 (..., rows, columns), bilinear.

    Parameters
    ----------
    planes
        float64 (..., rows, columns), in any unit.
    shift
        Where to; what it brings in from outside is NaN.
    """
    rows, columns = planes.shape[-2:]
    return moved(planes, shift.dy * rows, shift.dx * columns)


# --- the fit --------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, slots=True)
class Design:
    """What each lamp gives in each cell, under one or two ideas of where the cell's matter is.

    Attributes
    ----------
    seen
        float64 (n,), light of each cell in the frame, ambient taken off.
    stayed
        float64 (n, lamps), light of each lamp's solo where what the cell shows stayed.
    moved
        The same where it went with the sitter; None where the sitter is at the mark.
    sigma
        float64 (n,), how far a cell may be off and still fit.
    region
        int64 (n,), which region of the picture each cell lies in, for the jackknife.
    where
        float64 (n, 2), how far right and down of the corner each cell lies, of the longer side.
    slopes
        float64 (lamps,), how each lamp's light may slope otherwise over what went, one sigma, as
        shares of it (natural logarithm) a longer side.
    """

    seen: Floats
    stayed: Floats
    moved: Floats | None
    sigma: Floats
    region: NDArray[np.int64]
    where: Floats
    slopes: Floats


@dataclass(frozen=True, eq=False, slots=True)
class Fit:
    """Outputs that fit a frame.

    Attributes
    ----------
    outputs
        float64 (lamps,), linear, 1 = as in the solo.
    used
        float64 (n, lamps), the row of the design that each cell took.
    went
        bool (n,), cells that took the row of what went with the sitter.
    tilts
        float64 (lamps, 2), by how much more of each output reaches what went, right and down, a
        longer side.
    middles
        float64 (lamps, 2), where what went has the output itself, on the scale of `where`.
    residual
        float64 (n,), in sigmas.
    """

    outputs: Floats
    used: Floats
    went: Bools
    tilts: Floats
    middles: Floats
    residual: Floats

    @property
    def weight(self) -> Floats:
        """How far each cell was believed, float64 (n,), 0 to 1: Cauchy's weight."""
        weight: Floats = 1.0 / (1.0 + np.square(self.residual / _SOFT))
        return weight

    @property
    def cost(self) -> float:
        """Cauchy's cost, lower is better."""
        return float(np.sum(np.log1p(np.square(self.residual / _SOFT))))


def design(stack: Stack, shift: Shift | None, *, tilted: bool = True) -> Design:
    """Return the coarse cells that a frame's outputs are fitted to.

    Parameters
    ----------
    stack
        Frame and lamps.
    shift
        Where the sitter is; None or hardly any takes every cell as having stayed.
    tilted
        Whether lamps' light may slope otherwise over him: not while he is looked for, since slopes
        make up for a wrong place.

    Returns
    -------
    Design
        Cells that are clipped, or that the shift brings in from outside, are left out.
    """
    use, moved = stack.coarse_good, None
    sitter = stack.sitter_at(shift)
    if sitter is not None:
        moved = pooled(sitter, stack.factor)
        use = use & np.all(np.isfinite(moved), axis=0)
    seen, stayed = stack.coarse_seen[use], stack.coarse_lamps[:, use].T
    side = _REGION if np.mean(use) > _FEW else 1
    at = np.indices(use.shape)[:, use]
    tall, wide = stack.seen.shape
    here = np.zeros(2) if shift is None else np.array([shift.dx, shift.dy])
    right, down = ((here - stack.places) * (wide, tall) / max(tall, wide)).T
    return Design(
        seen=seen,
        stayed=stayed,
        moved=None if moved is None else moved[:, use].T,
        sigma=_sigma(seen, stayed.sum(axis=1)),
        region=at[0] // side * use.shape[1] + at[1] // side,
        where=at[::-1].T / max(use.shape),
        slopes=_TILT * np.hypot(right, down) * tilted,
    )


def _sigma(seen: Floats, given: Floats) -> Floats:
    """Return how far cells may be off and still fit, of their light or of what lamps give there."""
    return _OFF * np.maximum(np.maximum(seen, _LEAST * given), 0.0) + _FLOOR


def fit_outputs(cells: Design, *, start: Floats) -> Fit:
    """Fit each lamp's output, cells that fit no lamp counting little.

    Parameters
    ----------
    cells
        What is fitted.
    start
        float64 (lamps,), outputs to begin from, linear.

    Returns
    -------
    Fit

    Notes
    -----
    Iteratively reweighted least squares with Cauchy's weights (Holland and Welsch 1977), each round
    non-negative (Lawson and Hanson 1974, by scipy). Where the sitter has moved each cell takes the
    idea (stayed or moved) that fits it better. A lamp's beam stays with the set, so over who stands
    elsewhere than in its solo its light slopes otherwise: that slope is fitted too, held near none
    by how far he is off (a ridge, Hoerl and Kennard 1970), else another lamp's output takes it up.
    """
    none = np.zeros((len(start), 2))
    fit = _explained(cells, start, none, none)
    for _ in range(_ROUNDS):
        before, rows = fit.outputs, _rows(fit, cells)
        found = _least(*_moments(rows, cells, fit), fit, cells)
        outputs, tilts = found[: len(start)], found[len(start) :].reshape(-1, 2)
        fit = _explained(cells, outputs, tilts, _middles(fit, cells))
        if np.all(np.abs(outputs - before) <= _SETTLED * (1.0 + outputs)):
            break
    return fit


def _explained(cells: Design, outputs: Floats, tilts: Floats, middles: Floats) -> Fit:
    """Return what outputs leave of each cell, under the idea that fits it better."""
    stayed = (cells.seen - cells.stayed @ outputs) / cells.sigma
    if cells.moved is None:
        went = np.zeros(len(stayed), bool)
        return Fit(outputs, cells.stayed, went, tilts, middles, stayed)
    reaching = outputs + cells.where @ tilts.T - np.sum(tilts * middles, axis=1)
    moved = (cells.seen - np.sum(cells.moved * reaching, axis=1)) / cells.sigma
    went = np.abs(moved) < np.abs(stayed)
    used = np.where(went[:, None], cells.moved, cells.stayed)
    return Fit(outputs, used, went, tilts, middles, np.where(went, moved, stayed))


def _middles(fit: Fit, cells: Design) -> Floats:
    """Return where each lamp's light on what went has its middle, float64 (lamps, 2)."""
    known = (fit.weight * fit.went)[:, None] * np.square(fit.used / cells.sigma[:, None])
    middles: Floats = known.T @ cells.where / np.maximum(known.sum(axis=0), 1e-12)[:, None]
    return middles


def _rows(fit: Fit, cells: Design) -> Floats:
    """Return what each cell takes of each output and of each tilt, float64 (n, 3 lamps)."""
    off = cells.where[:, None] - _middles(fit, cells)
    tilted = (fit.used * fit.went[:, None])[..., None] * off
    return np.concatenate([fit.used, tilted.reshape(len(off), -1)], axis=1)


def _moments(rows: Floats, cells: Design, fit: Fit) -> tuple[Floats, Floats]:
    """Return the normal equations of cells, weighted: (k, k) and (k,)."""
    weighted = rows * (fit.weight / np.square(cells.sigma))[:, None]
    return weighted.T @ rows, weighted.T @ cells.seen


def _held(fit: Fit, cells: Design, known: float) -> Floats:
    """Return what is known beforehand: of outputs `known`, of tilts what is usual, (3 lamps,)."""
    usual = np.repeat(np.maximum(fit.outputs * cells.slopes, _NO_TILT), 2)
    return np.concatenate([np.full(len(fit.outputs), known), usual**-2.0])


def _least(gram: Floats, moments: Floats, fit: Fit, cells: Design) -> Floats:
    """Return the least squares of normal equations, no output below 0, tilts near what is usual."""
    from scipy.optimize import nnls

    lamps = len(fit.outputs)
    ridge = 1e-12 * float(np.trace(gram[:lamps, :lamps])) / lamps + 1e-300
    whole = gram + np.diag(_held(fit, cells, ridge))
    found = np.asarray(np.linalg.solve(whole, moments), np.float64)
    if np.all(found[:lamps] >= 0.0):
        return found
    root = np.linalg.cholesky(whole)
    both = np.concatenate([root.T, -root.T[:, lamps:]], axis=1)  # a tilt is either way
    bound = nnls(both, np.linalg.solve(root, moments))[0]
    return np.concatenate([bound[:lamps], bound[lamps : 3 * lamps] - bound[3 * lamps :]])


def standard_error(fit: Fit, cells: Design) -> Floats:
    """Return the standard error of a fit's outputs, float64 (lamps,), linear.

    Each region of the picture is left out in turn, the cells' weights held (the jackknife,
    Quenouille 1949, Tukey 1958), since cells of one region share their errors; to which comes what
    the cells' own sigmas make of it, which is large where a lamp lights no cell to speak of.
    """
    lamps = len(fit.outputs)
    rows = _rows(fit, cells)
    scaled = rows * (np.sqrt(fit.weight) / cells.sigma)[:, None]
    target = cells.seen * np.sqrt(fit.weight) / cells.sigma
    regions = np.unique(cells.region, return_inverse=True)[1]
    order = np.argsort(regions, kind="stable")
    parts = np.split(order, np.flatnonzero(np.diff(regions[order])) + 1)
    whole, moments = scaled.T @ scaled, scaled.T @ target
    left_out = ((scaled[at].T @ scaled[at], scaled[at].T @ target[at]) for at in parts)
    without = np.stack(
        [_least(whole - gram, moments - side, fit, cells)[:lamps] for gram, side in left_out]
    )
    spread = np.square(without - without.mean(axis=0)).sum(axis=0)
    formal = np.diag(np.linalg.inv(whole + np.diag(_held(fit, cells, _LEAST_KNOWN))))[:lamps]
    error: Floats = np.sqrt((len(parts) - 1) / max(len(parts), 1) * spread + formal)
    return error


# --- where the sitter has gone --------------------------------------------------------------------


def place_sitter(stack: Stack, start: Floats, placement: Shift | None) -> tuple[Shift | None, bool]:
    """Return where the sitter is against the solos, and whether that is sure; None for at the mark.

    Parameters
    ----------
    stack
        Frame and lamps.
    start
        float64 (lamps,), outputs that are expected, linear.
    placement
        Where he is: taken as it is where it is sure; a hint has to be borne out by the picture;
        None looks for him.
    """
    if placement is None or (placement.size > FURTHEST and not placement.is_sure):
        return find_shift(stack, start), False
    if placement.is_sure:
        return placement, True
    if _cost_of(stack, start, Shift()) < _STILL_COST:
        return None, placement.size < _NEAR
    hinted = _cost_of(stack, start, placement)
    found = None if hinted < _STILL_COST else find_shift(stack, start)
    if found is not None and math.hypot(found.dx - placement.dx, found.dy - placement.dy) < _NEAR:
        return found, True
    if hinted < _STILL_COST or hinted <= _BORNE_OUT * _cost_of(stack, start, found or Shift()):
        return placement, True
    return found, False


def find_shift(stack: Stack, start: Floats) -> Shift | None:
    """Return how far the sitter has moved since the solos, or None for hardly at all.

    Parameters
    ----------
    stack
        Frame and lamps.
    start
        float64 (lamps,), outputs that are expected, linear.

    Returns
    -------
    Shift or None
        The shift under which the most cells fit, each as having stayed or gone along; looked for on
        whole coarse cells, the outputs fitted again there, then on halves and quarters.
    """
    fit = fit_outputs(design(stack, None, tilted=False), start=start)
    cost = _shift_cost(stack, fit.outputs)
    still = cost(Shift(), whole=False)
    if still < _STILL_COST:
        return None
    reach = int(_REACH * max(stack.seen.shape) / stack.factor)
    everywhere = list(_lattice(stack, Shift(), out=reach, step=1.0))
    best = min(everywhere, key=lambda shift: cost(shift, whole=True))
    cost = _shift_cost(
        stack, fit_outputs(design(stack, best, tilted=False), start=fit.outputs).outputs
    )
    best = min(everywhere, key=lambda shift: cost(shift, whole=True))
    for step in (0.5, 0.25):
        near = _lattice(stack, best, out=3, step=step)
        best = min(near, key=lambda shift: cost(shift, whole=False))
    return best if cost(best, whole=False) < _WORTH * still else None


def _lattice(stack: Stack, middle: Shift, *, out: int, step: float) -> Iterator[Shift]:
    """Yield shifts round `middle`, `step` coarse cells apart and `out` of them to each side."""
    rows, columns = (side / stack.factor for side in stack.seen.shape)
    for down in range(-out, out + 1):
        for right in range(-out, out + 1):
            yield Shift(middle.dx + right * step / columns, middle.dy + down * step / rows)


def _cost_of(stack: Stack, start: Floats, shift: Shift) -> float:
    """Return the cost of a shift under the outputs that fit it best."""
    outputs = fit_outputs(design(stack, shift, tilted=False), start=start).outputs
    return _shift_cost(stack, outputs)(shift, whole=False)


def _shift_cost(stack: Stack, outputs: Floats) -> Callable[..., float]:
    """Return what tells a shift's mean Cauchy cost, outputs held; `whole` for whole cells only."""
    fine = np.tensordot(outputs, stack.sitter, axes=1)[None]
    rough = pooled(fine, stack.factor)
    seen, still = stack.coarse_seen, np.tensordot(outputs, stack.coarse_lamps, axes=1)
    sigma = _sigma(seen, still)
    stayed = np.square((seen - still) / sigma)

    def cost(shift: Shift, *, whole: bool) -> float:
        moved = shifted(rough, shift) if whole else pooled(shifted(fine, shift), stack.factor)
        off = np.square((seen - moved[0]) / sigma)
        least = np.fmin(stayed, off)[stack.coarse_good]
        return float(np.mean(np.log1p(least / _SOFT**2)))

    return cost


def overlap(stack: Stack, shift: Shift | None) -> Floats:
    """Return which share of each lamp's light falls where it fell in the solo, sitter moved along.

    Low overlap means that what a lamp lights is small against the move: then the light at the new
    place may differ from the solo's by much, with no lamp touched.

    Returns
    -------
    ndarray
        float64 (lamps,), 0 to 1; 1 with no shift.
    """
    if shift is None:
        return np.ones(len(stack.lamps))
    there = pooled(np.maximum(shifted(stack.lamps, shift), 0.0), stack.factor)
    here = pooled(np.maximum(stack.lamps, 0.0), stack.factor)
    here = np.where(np.isfinite(there), here, 0.0)
    both = np.fmin(here, there).sum(axis=(1, 2))
    share: Floats = np.clip(both / np.maximum(here.sum(axis=(1, 2)), 1e-12), 0.0, 1.0)
    return share
