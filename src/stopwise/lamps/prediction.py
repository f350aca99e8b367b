"""What patches, backdrop and the rest of a set read under any powers, and what targets make of it.

Each lamp's own light is kept only where the plan has a target, so that a search can look at
thousands of settings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING

import numpy as np

from stopwise.frame import window
from stopwise.grid import MEDIAN_FACTOR, combine
from stopwise.lamps.solos import CLIPPED_SHARE, paper_doubts, patch_doubts
from stopwise.measurement.backdrop import LEAST_BLOCKS, MIDDLE
from stopwise.measurement.paper import find_parts, surface_over
from stopwise.measurement.surface import terms
from stopwise.plan.model import BACKDROP
from stopwise.stops import MID_GREY_OF_SATURATION, MIDDLE_ZONE
from stopwise.targets import targets_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from stopwise.codes import Check
    from stopwise.grid import LightGrid
    from stopwise.lamps.solos import LampSet
    from stopwise.plan.model import BackdropPlan, Plan
    from stopwise.plan.now import PlanNow
    from stopwise.targets import Target

    Floats = NDArray[np.float32]

LIMIT_TOLERANCE = 0.1
"""Stops that count as one tolerance where a target is a limit: headroom, clipping, separation."""

_LEAST_TOLERANCE = 0.02
"""Stops that a narrower tolerance weighs as: about a flash's own repeatability."""

_STEERED = ("patch", "headroom", "clip", "ratio", "separation")
_STEERED_FIGURES = ("zone", "left_right", "falloff")
"""Checks, and figures of the backdrop, that powers can meet."""

QUICK_CELLS = 600
"""Cells of a patch that the search looks at: a median of them is off by 0.05 of their spread. The
answer is then read from all that are kept.
"""

_TOP = 0.99
"""Quantile that a hot centre is read at."""

_PAPER_BLOCKS = 1500
"""Blocks of paper that are looked at, at most."""

_REST_BLOCKS = 1500
"""Blocks outside the patches that are looked at, the hottest first."""

_DARK = 1e-7
"""Light under which a log is not taken, anchor = 1."""


@dataclass(frozen=True, eq=False, slots=True)
class PatchLamps:
    """What each lamp gives in a patch's cells.

    Attributes
    ----------
    y
        float32 (lamps + 1, n), luminance, anchor = 1; the last is the ambient.
    full
        float32 (lamps + 1, n_colours, n), the signals, the ceiling of each colour = 1.
    read_at, may_clip
        Quantile that stands for the patch, and share that may clip.
    doubts
        float32 (lamps + 1,), standard uncertainty of each lamp's light there, stops: of flash and
        reading, and of where the sitter stood in its solo; None where nobody asked.
    noise
        float32 (lamps + 1,), standard uncertainty of each lamp's median Y there from the noise of
        its solo, anchor = 1; None where nobody asked.
    bounds
        bool (lamps + 1,), whose light there is at least what its solo shows, which is clipped.
    """

    y: Floats
    full: Floats
    read_at: float
    may_clip: float
    bounds: NDArray[np.bool_]
    doubts: Floats | None = None
    noise: Floats | None = None


@dataclass(frozen=True, eq=False, slots=True)
class PaperLamps:
    """What each lamp gives on the backdrop.

    Attributes
    ----------
    light
        float32 (lamps + 1, n), Y of paper blocks.
    left, right
        float32 (lamps + 1, m), Y of blocks and of their mirror images; m may be 0.
    surface
        float64 (n, k) and (k, n), which together bring log2 Y of the blocks onto a smooth surface;
        None with too few blocks.
    doubts
        float32 (lamps + 1,), standard uncertainty of each lamp's light, stops.
    """

    light: Floats
    left: Floats
    right: Floats
    surface: tuple[NDArray[np.float64], NDArray[np.float64]] | None
    doubts: Floats


@dataclass(frozen=True, eq=False, slots=True)
class Scene:
    """A set ready to be read under any powers.

    Attributes
    ----------
    names
        The lamps, in the order of turns.
    patches, paper
        Their light by lamp.
    rest
        float32 (lamps + 1, n_colours, blocks), the ceiling of each colour = 1: upper tails of the
        blocks outside patches and places that may clip, those that could clip first; or None.
    rest_rank
        How many of those blocks may clip.
    mid_grey
        Y of mid-grey.
    """

    names: tuple[str, ...]
    patches: Mapping[str, PatchLamps]
    paper: PaperLamps | None
    rest: Floats | None
    rest_rank: int
    mid_grey: float

    def read(self, turns: Sequence[float] | NDArray[np.float64]) -> Prediction:
        """Return what the set reads.

        Parameters
        ----------
        turns
            float64 (lamps,), stops of each lamp from its solo, in the order of `names`.
        """
        gains = np.append(np.exp2(np.asarray(turns, dtype=np.float64)), 1.0).astype(np.float32)
        return Prediction(self, gains)

    def quick(self) -> Scene:
        """Return the same set with at most 600 cells a patch, for a search."""
        thin = {}
        for name, patch in self.patches.items():
            some = slice(None, None, max(1, -(-patch.y.shape[1] // QUICK_CELLS)))
            y, full = patch.y[:, some], patch.full[:, :, some]
            thin[name] = replace(patch, y=y.copy(), full=np.ascontiguousarray(full))
        return replace(self, patches=thin)

    def zone(self, log2_y: float) -> float:
        """Return the zone of a log2 luminance."""
        return MIDDLE_ZONE + log2_y - math.log2(self.mid_grey)


class PredictedPatch:
    """What one patch reads under some powers; each figure is worked out when it is asked for.

    Parameters
    ----------
    scene
        The set.
    patch
        What each lamp gives in it.
    gains
        float32 (lamps + 1,), linear, the ambient's last.
    """

    def __init__(self, scene: Scene, patch: PatchLamps, gains: Floats) -> None:
        self._scene, self._patch, self._gains = scene, patch, gains

    @cached_property
    def log2_y(self) -> float:
        """log2 of its read percentile of Y, anchor = 1."""
        return _stops(_quantile(self._gains @ self._patch.y, self._patch.read_at))

    @property
    def zone(self) -> float:
        """Its zone."""
        return self._scene.zone(self.log2_y)

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of its zone, stops: each lamp's own, by its share of the light.

        0 where nobody asked for it.
        """
        if self._patch.doubts is None or self._patch.noise is None:
            return 0.0
        given = self._gains * self._patch.y.mean(axis=1)
        whole = max(float(given.sum()), _DARK)
        from_noise = self._gains * self._patch.noise / (whole * math.log(2.0))
        return float(np.linalg.norm([*(given / whole * self._patch.doubts), *from_noise]))

    @property
    def is_bound(self) -> bool:
        """Whether its light is at least what is told: a solo that counts is clipped there."""
        return bool(np.any(self._patch.bounds & (self._gains > 0.0)))

    @cached_property
    def headroom(self) -> float:
        """Stops from the 99th percentile of the fullest colour to its ceiling; negative above."""
        return -_stops(_quantile(self._full, _TOP))

    @cached_property
    def clip_room(self) -> float:
        """The same of the quantile that may clip: negative where more than that share clips."""
        return -_stops(_quantile(self._fullest, 1.0 - self._patch.may_clip))

    @cached_property
    def clipped(self) -> float:
        """Share of its cells with a colour at its ceiling."""
        return float(np.mean(self._fullest >= 1.0))

    @cached_property
    def _full(self) -> Floats:
        lamps, colours, cells = self._patch.full.shape
        return (self._gains @ self._patch.full.reshape(lamps, -1)).reshape(colours, cells)

    @cached_property
    def _fullest(self) -> Floats:
        fullest: Floats = self._full.max(axis=0)
        return fullest


@dataclass(frozen=True, slots=True)
class PredictedBackdrop:
    """What the paper reads under some powers: zones and stops; what isn't predicted is None."""

    zone: float | None
    log2_y: float | None
    left_right: float | None
    falloff: float | None


class Prediction:
    """What the whole set reads under some powers, each part when it is asked for.

    Parameters
    ----------
    scene
        The set.
    gains
        float32 (lamps + 1,), linear, the ambient's last.
    """

    def __init__(self, scene: Scene, gains: Floats) -> None:
        self._scene, self._gains = scene, gains
        self.patches: Mapping[str, PredictedPatch] = {
            name: PredictedPatch(scene, patch, gains) for name, patch in scene.patches.items()
        }

    @cached_property
    def backdrop(self) -> PredictedBackdrop | None:
        """The paper; None without."""
        return self._backdrop_under(self._gains)

    def paper_doubt(self, figure: str) -> float:
        """Return the standard uncertainty of one of the paper's figures, stops: each lamp's own."""
        paper, here = self._scene.paper, getattr(self.backdrop, figure, None)
        if paper is None or here is None:
            return 0.0
        moved = []
        for lamp, doubt in enumerate(paper.doubts):
            gains = self._gains.copy()
            gains[lamp] *= 2.0**doubt
            moved.append(getattr(self._backdrop_under(gains), figure) - here)
        return float(np.linalg.norm(moved))

    def _backdrop_under(self, gains: Floats) -> PredictedBackdrop | None:
        paper = self._scene.paper
        if paper is None:
            return None
        light, left, right = (
            np.log2(np.maximum(gains @ part, _DARK))
            for part in (paper.light, paper.left, paper.right)
        )
        falloff = None
        if paper.surface is not None:
            design, inverse = paper.surface
            smooth = design @ (inverse @ light)
            falloff = float(smooth.max() - smooth.min())
        middle = float(np.median(light))
        return PredictedBackdrop(
            zone=self._scene.zone(middle),
            log2_y=middle,
            left_right=float(np.median(left) - np.median(right)) if left.size else None,
            falloff=falloff,
        )

    @cached_property
    def blown_room(self) -> float | None:
        """Stops that the blocks outside all patches have left; None without such."""
        rest, rank = self._scene.rest, self._scene.rest_rank
        if rest is None:
            return None
        full = np.tensordot(self._gains, rest, axes=1).max(axis=0)
        at = len(full) - 1 - rank
        return -_stops(float(np.partition(full, at)[at]))


def build_scene(lamps: LampSet, now: PlanNow, *, doubts: bool = False) -> Scene:
    """Gather what each lamp gives wherever the plan has a target.

    Parameters
    ----------
    lamps
        The solos.
    now
        What of the plan holds now; patches that the solos don't hold are left out.
    doubts
        Whether how sure each patch is is asked for too.
    """
    first = next(iter(lamps.nets.values()))
    pictures = [*lamps.nets.values(), lamps.ambient or first.scaled(0.0)]
    rest, rank = _rest(pictures, now.plan)
    lights = {
        patch.name: np.stack([picture.boxes[patch.name].light for picture in pictures])
        for patch in now.measured
        if all(patch.name in picture.boxes for picture in pictures)
    }
    weights, ceiling = (np.asarray(each, np.float32) for each in (first.weights, first.ceiling))
    return Scene(
        names=lamps.names,
        patches={
            patch.name: PatchLamps(
                y=weights @ lights[patch.name],
                full=lights[patch.name] / ceiling[:, None],
                read_at=patch.defaults.read_at / 100.0,
                may_clip=patch.defaults.may_clip if patch.may_clip is None else patch.may_clip,
                bounds=np.array(
                    [np.mean(one.boxes[patch.name].clipped) > CLIPPED_SHARE for one in pictures]
                ),
                doubts=patch_doubts(lamps, patch) if doubts else None,
                noise=np.array([_noise_in(picture, patch.name) for picture in pictures], np.float32)
                if doubts
                else None,
            )
            for patch in now.measured
            if patch.name in lights
        },
        paper=_paper(pictures, now.backdrop, paper_doubts(lamps)) if now.backdrop else None,
        rest=rest,
        rest_rank=rank,
        mid_grey=now.plan.camera.mid_grey or MID_GREY_OF_SATURATION,
    )


def _noise_in(picture: LightGrid, patch: str) -> float:
    """Return the standard uncertainty of a patch's median Y from noise, anchor = 1."""
    cells = picture.boxes[patch]
    of_blocks = picture.noise[window(cells.box, picture.shape)]
    of_cells = float(np.mean(of_blocks)) * picture.block  # a block is its side squared in cells
    return MEDIAN_FACTOR * of_cells / math.sqrt(cells.light.shape[1])


def _paper(
    pictures: Sequence[LightGrid], backdrop: BackdropPlan, doubts: Floats
) -> PaperLamps | None:
    """Return each lamp's light on the blocks that a frame of all of them reads as paper."""
    boxes = backdrop.boxes
    whole = combine(pictures, [1.0] * len(pictures))
    paper = whole.inside(boxes) & whole.seen & find_parts(whole, boxes).paper
    surface = surface_over(whole, whole.log2_y, paper, order=None)
    if surface is None:
        return None
    luminances = np.stack([picture.luminance for picture in pictures])
    every = max(1, -(-int(paper.sum()) // _PAPER_BLOCKS))
    rows, columns = (index[::every] for index in np.nonzero(paper))
    design = terms(whole.x[columns], whole.y[rows], order=surface.order)
    left = paper & paper[:, ::-1] & (whole.x < MIDDLE)
    left &= left.sum() >= LEAST_BLOCKS
    left_rows, left_columns = (index[::every] for index in np.nonzero(left))
    return PaperLamps(
        light=luminances[:, rows, columns],
        left=luminances[:, left_rows, left_columns],
        right=luminances[:, left_rows, left.shape[1] - 1 - left_columns],
        surface=(design, np.asarray(np.linalg.pinv(design), np.float64))
        if len(rows) > design.shape[1]
        else None,
        doubts=doubts,
    )


def _rest(pictures: Sequence[LightGrid], plan: Plan) -> tuple[Floats | None, int]:
    """Return the tails of blocks that no patch and no `may_clip` covers, and how many may clip."""
    first = pictures[0]
    covered = [*(patch.box for patch in plan.patches), *(place.box for place in plan.may_clip)]
    free = ~first.inside(covered, whole=True)
    if not np.any(free):
        return None, 0
    tails = np.stack([(one.mean if one.tail is None else one.tail)[:, free] for one in pictures])
    rank = int(plan.limits.blown_area * first.clipped.size)
    kept = max(rank + 1, min(tails.shape[2], _REST_BLOCKS))
    fullest = tails.max(axis=(0, 1))
    hottest = np.argpartition(fullest, len(fullest) - kept)[len(fullest) - kept :]
    return tails[:, :, hottest] / np.asarray(first.ceiling, np.float32)[:, None], rank


def _quantile(values: Floats, share: float) -> float:
    """Return a quantile between order statistics, as numpy's, but quicker; the greatest of rows."""
    last = values.shape[-1] - 1
    at = min(max(share, 0.0), 1.0) * last
    low = int(at)
    high = min(low + 1, last)
    parted = np.partition(values, (low, high))
    below, above = parted[..., low], parted[..., high]
    return float((below + (at - low) * (above - below)).max())


def _stops(light: float) -> float:
    return math.log2(max(light, _DARK))


# --- targets as a search weighs them --------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Aim:
    """A target in stops: what it reads of a prediction, and how far off is how bad.

    Attributes
    ----------
    check, of
        As findings name it.
    kind
        Which figure: "zone", "ratio", "separation",
        "left_right", "falloff", "headroom", "clip" (stops of a patch under its ceiling), "blown"
        (the same of the rest).
    value
        Its figure; None where it can't be read.
    planned
        What is asked.
    under, over
        How far below and above is still well, stops; infinite where that side is open.
    patches
        The patches that it reads.
    of_paper
        The figure of the paper that it reads; "" for none.
    doubt
        Standard uncertainty of what lamps as they were read make of it, stops.
    """

    check: Check
    of: str
    kind: str
    value: Callable[[Prediction], float | None]
    planned: float
    under: float
    over: float
    patches: tuple[str, ...] = ()
    of_paper: str = ""
    doubt: float = 0.0

    @property
    def is_share(self) -> bool:
        """Whether a frame measures a share that clips where this is stops under the ceiling."""
        return self.kind in ("clip", "blown")

    def uncertainty(self, read: Prediction) -> float:
        """Return the standard uncertainty of its figure, stops; 0 for what reads no place."""
        of_paper = read.paper_doubt(self.of_paper) if self.of_paper else 0.0
        return math.hypot(*(read.patches[name].uncertainty for name in self.patches), of_paper)

    def short_by(self, read: Prediction, *, margin: float = 0.0) -> float:
        """Return by how many stops a prediction lies outside what is allowed, signed; 0 inside.

        `margin` stops are asked for inside the limits, at most a third of what is allowed.
        """
        value = self.value(read)
        if value is None:
            return 0.0
        off = value - self.planned
        margin = min(margin, (self.under + self.over) / 3.0)
        over, under = self.over - margin, self.under - margin
        if off > over:
            return off - over
        return off + under if off < -under else 0.0

    def residual(self, read: Prediction) -> float:
        """Return how far a prediction is off, in tolerances; 0 on an open side."""
        value = self.value(read)
        if value is None:
            return 0.0
        off = value - self.planned
        if math.isinf(self.under):
            return max(off, 0.0) / LIMIT_TOLERANCE
        if math.isinf(self.over):
            return min(off, 0.0) / LIMIT_TOLERANCE
        return off / max(self.over if off > 0 else self.under, _LEAST_TOLERANCE)


def aims_of(now: PlanNow, scene: Scene) -> tuple[Aim, ...]:
    """Return the targets that powers can meet and whose patches the solos hold, in plan order."""
    known = {*scene.patches, BACKDROP}
    aims = [
        _aim(target, target.planned)
        for target in targets_of(now)
        if (target.check in _STEERED or target.figure in _STEERED_FIGURES)
        and target.planned is not None
        and known.issuperset(target.places)
    ]
    blown = Aim("blown", "frame", "blown", lambda read: read.blown_room, 0.0, 0.0, math.inf)
    return (*aims, blown)


def _aim(target: Target, planned: float) -> Aim:
    """Return a target as a search weighs it.

    Its figure is read straight from the prediction, and not by the target, whose reading makes more
    of it than a search needs thousands of times a frame.
    """
    patches = tuple(name for name in target.places if name != BACKDROP)
    if target.check == "clip":
        # a share of clipped cells has no slope where none or all clip: stops under the ceiling have
        return Aim(
            "clip",
            target.of,
            "clip",
            lambda read: read.patches[target.of].clip_room,
            0.0,
            0.0,
            math.inf,
            patches,
        )
    least, most = target.within
    return Aim(
        check=target.check,
        of=target.of,
        kind="zone" if target.check == "patch" else target.figure or target.check,
        value=partial(_figure_of, target=target),
        planned=planned,
        under=math.inf if least is None else -least,
        over=math.inf if most is None else most,
        patches=patches,
        of_paper=(target.figure or "log2_y") if BACKDROP in target.places else "",
    )


def _figure_of(read: Prediction, *, target: Target) -> float | None:
    if target.check == "patch":
        return read.patches[target.of].zone
    if target.check == "headroom":
        return read.patches[target.of].headroom
    if target.figure is not None:
        figure: float | None = getattr(read.backdrop, target.figure)
        return figure
    above, below = (_level(read, place) for place in target.places)
    return None if above is None or below is None else above - below


def _level(read: Prediction, place: str) -> float | None:
    if place != BACKDROP:
        return read.patches[place].log2_y
    return None if read.backdrop is None else read.backdrop.log2_y


def slopes(
    figures: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    turns: NDArray[np.float64],
    *,
    step: float,
) -> NDArray[np.float64]:
    """Return how figures change with a stop of each lamp, float64 (figures, lamps).

    Parameters
    ----------
    figures
        Returns float64 (figures,) for turns.
    turns
        float64 (lamps,), stops.
    step
        Stops: wide enough that a percentile of float32 light moves, so no solver's own step.
    """
    here = figures(turns)
    columns = []
    for index in range(len(turns)):
        there = turns.copy()
        there[index] += step
        columns.append((figures(there) - here) / step)
    return np.stack(columns, axis=1)
