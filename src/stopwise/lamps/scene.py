"""A set ready to be dialled: what patches, backdrop and the rest read under any powers, quickly."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from stopwise.lamps.reduced import blocks_in
from stopwise.measurement.surface import fit_surface, terms

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from stopwise.frame import Box
    from stopwise.lamps.reduced import LightPicture
    from stopwise.lamps.solos import LampSet
    from stopwise.plan.model import Plan
    from stopwise.plan.now import PlanNow

    Floats = NDArray[np.float32]

QUICK_CELLS = 600
"""Cells of a patch that the search looks at; the answer is then read from all that are kept."""

_TOP = 0.99
"""Quantile that a hot centre is read at."""

_PAPER_BLOCKS = 1500
"""Blocks of paper that are looked at, at most."""

_DEPARTS = 4.0
"""Scatters from the paper's surface beyond which a block is taken to be the sitter or clipped."""

_REST_BLOCKS = 1500
"""Blocks outside the patches that are looked at, the hottest first."""

_DARK = 1e-7
"""Light under which a log is not taken."""


@dataclass(frozen=True, eq=False, slots=True)
class PatchLamps:
    """What each lamp gives in a patch's cells.

    Attributes
    ----------
    light
        float32 (lamps + 1, n_colours, n); the last is the ambient.
    read_at, may_clip
        Quantile that stands for the patch, and share that may clip.
    """

    light: Floats
    read_at: float
    may_clip: float


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
        float64 (n, n), brings log2 Y of the blocks onto a smooth surface; None with too few.
    """

    light: Floats
    left: Floats
    right: Floats
    surface: tuple[NDArray[np.float64], NDArray[np.float64]] | None


class PatchState:
    """What one patch reads under some powers; each figure is worked out when it is asked for.

    Parameters
    ----------
    patch
        What each lamp gives in it.
    gains
        float32 (lamps + 1,), linear, the ambient's last.
    ceiling, weights
        By colour.
    """

    def __init__(self, patch: PatchLamps, gains: Floats, ceiling: Floats, weights: Floats) -> None:
        self._patch = patch
        self._gains = gains
        self._ceiling = ceiling
        self._weights = weights

    @cached_property
    def log2_y(self) -> float:
        """log2 of its read percentile of Y, anchor = 1."""
        y = _quantile(self._weights @ self._light, self._patch.read_at)
        return float(np.log2(max(y, _DARK)))

    @cached_property
    def headroom(self) -> float:
        """Stops from the 99th percentile of the fullest colour to its ceiling; negative above."""
        top = max(_quantile(colour, _TOP) for colour in self._full)
        return float(-np.log2(max(top, _DARK)))

    @cached_property
    def clip_room(self) -> float:
        """The same of the quantile that may clip: negative where more than that share clips."""
        held = _quantile(self._fullest, 1.0 - self._patch.may_clip)
        return float(-np.log2(max(held, _DARK)))

    @cached_property
    def clipped(self) -> float:
        """Share of its cells with a colour at its ceiling."""
        return float(np.mean(self._fullest >= 1.0))

    @cached_property
    def _light(self) -> Floats:
        light: Floats = np.tensordot(self._gains, self._patch.light, axes=1)
        return light

    @cached_property
    def _full(self) -> Floats:
        return self._light / self._ceiling[:, None]

    @cached_property
    def _fullest(self) -> Floats:
        fullest: Floats = self._full.max(axis=0)
        return fullest


class State:
    """What the whole set reads under some powers, each part when it is asked for.

    Parameters
    ----------
    scene
        The set.
    gains
        float32 (lamps + 1,), linear, the ambient's last.
    """

    def __init__(self, scene: Scene, gains: Floats) -> None:
        self._scene = scene
        self._gains = gains
        self.patches: Mapping[str, PatchState] = {
            name: PatchState(patch, gains, scene.ceiling, scene.weights)
            for name, patch in scene.patches.items()
        }

    @property
    def backdrop_log2_y(self) -> float | None:
        """Median of log2 Y of the paper; None without paper, as its other figures."""
        return self._paper[0]

    @property
    def left_right(self) -> float | None:
        """Paper left less right, stops; None without mirrored blocks too."""
        return self._paper[1]

    @property
    def falloff(self) -> float | None:
        """Brightest less darkest of the paper's surface, stops; None with too few blocks too."""
        return self._paper[2]

    @cached_property
    def blown_room(self) -> float | None:
        """Stops that the blocks outside all patches have left; None without such."""
        scene = self._scene
        if scene.rest is None:
            return None
        full = np.max(
            np.tensordot(self._gains, scene.rest, axes=1) / scene.ceiling[:, None], axis=0
        )
        rank = len(full) - 1 - scene.rest_rank
        return float(-np.log2(max(float(np.partition(full, rank)[rank]), _DARK)))

    @cached_property
    def _paper(self) -> tuple[float | None, float | None, float | None]:
        paper = self._scene.paper
        return (None, None, None) if paper is None else _read_paper(paper, self._gains)


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
        float32 (lamps + 1, n_colours, blocks), upper tails of the blocks outside patches and
        places that may clip, those that could ever clip first; None without such.
    rest_rank
        How many of those blocks may clip.
    ceiling, weights
        By colour.
    """

    names: tuple[str, ...]
    patches: Mapping[str, PatchLamps]
    paper: PaperLamps | None
    rest: Floats | None
    rest_rank: int
    ceiling: Floats
    weights: Floats

    def read(self, turns: Sequence[float] | NDArray[np.float64]) -> State:
        """Return what the set reads.

        Parameters
        ----------
        turns
            Stops of each lamp from its solo, in the order of `names`.
        """
        gains = np.append(np.exp2(np.asarray(turns, dtype=np.float64)), 1.0).astype(np.float32)
        return State(self, gains)

    def quick(self) -> Scene:
        """Return the same set with at most 600 cells a patch, for a search."""
        thin = {
            name: replace(patch, light=_thinned(patch.light, QUICK_CELLS))
            for name, patch in self.patches.items()
        }
        return replace(self, patches=thin)


def build_scene(lamps: LampSet, targets: PlanNow) -> Scene:
    """Gather what each lamp gives wherever the plan has a target.

    Parameters
    ----------
    lamps
        The solos.
    targets
        What of the plan holds now; patches that the solos don't hold are left out.
    """
    nets = list(lamps.nets.values())
    first = nets[0]
    pictures = [*nets, lamps.ambient or first.scaled(0.0)]
    held = [p for p in targets.measured if all(p.name in picture.patches for picture in pictures)]
    patches = {
        patch.name: PatchLamps(
            light=np.stack([p.patches[patch.name].light for p in pictures]),
            read_at=patch.defaults.read_at / 100.0,
            may_clip=patch.defaults.may_clip if patch.may_clip is None else patch.may_clip,
        )
        for patch in held
    }
    rest, rank = _rest(pictures, targets.plan)
    boxes = () if targets.backdrop is None else targets.backdrop.boxes
    return Scene(
        names=lamps.names,
        patches=patches,
        paper=_paper(pictures, boxes) if boxes else None,
        rest=rest,
        rest_rank=rank,
        ceiling=np.asarray(first.ceiling, dtype=np.float32),
        weights=np.asarray(first.weights, dtype=np.float32),
    )


def _thinned(light: Floats, most: int) -> Floats:
    every = max(1, -(-light.shape[2] // most))
    return np.ascontiguousarray(light[:, :, ::every])


def _quantile(values: Floats, share: float) -> float:
    """Return a quantile between order statistics, as numpy's linear method does, but quicker."""
    at = min(max(share, 0.0), 1.0) * (len(values) - 1)
    low = int(at)
    high = min(low + 1, len(values) - 1)
    parted = np.partition(values, (low, high))
    return float(parted[low] + (at - low) * (parted[high] - parted[low]))


def _read_paper(paper: PaperLamps, gains: Floats) -> tuple[float, float | None, float | None]:
    stops = np.log2(np.maximum(gains @ paper.light, _DARK))
    left_right = None
    if paper.left.shape[1]:
        left, right = (np.maximum(gains @ side, _DARK) for side in (paper.left, paper.right))
        left_right = float(np.median(np.log2(left)) - np.median(np.log2(right)))
    falloff = None
    if paper.surface is not None:
        design, inverse = paper.surface
        smooth = design @ (inverse @ stops)
        falloff = float(smooth.max() - smooth.min())
    return float(np.median(stops)), left_right, falloff


def _paper(pictures: Sequence[LightPicture], boxes: Iterable[Box]) -> PaperLamps | None:
    """Return each lamp's light on the paper, blocks that depart from it (the sitter) left out."""
    luminances = np.stack([picture.luminance for picture in pictures])
    held = blocks_in(boxes, pictures[0])
    x, y = _places(pictures[0])
    rows, columns = np.nonzero(held)
    stops = np.log2(np.maximum(luminances.sum(axis=0)[held], _DARK)).astype(np.float64)
    surface = fit_surface(x[columns], y[rows], stops)
    if surface is None:
        return None
    rest = stops - surface.at(x[columns], y[rows])
    held[rows, columns] = np.abs(rest) <= max(_DEPARTS * surface.scatter, 0.02)
    return _paper_lamps(luminances, held, (x, y), surface.order)


def _paper_lamps(
    luminances: Floats,
    held: NDArray[np.bool_],
    places: tuple[NDArray[np.float64], NDArray[np.float64]],
    order: int,
) -> PaperLamps:
    every = max(1, -(-int(held.sum()) // _PAPER_BLOCKS))
    rows, columns = (index[::every] for index in np.nonzero(held))
    x, y = places
    design = terms(x[columns], y[rows], order=order)
    mirrored = held & held[:, ::-1]
    mirrored[:, held.shape[1] // 2 :] = False
    left_rows, left_columns = (index[::every] for index in np.nonzero(mirrored))
    return PaperLamps(
        light=luminances[:, rows, columns],
        left=luminances[:, left_rows, left_columns],
        right=luminances[:, left_rows, held.shape[1] - 1 - left_columns],
        surface=(design, np.asarray(np.linalg.pinv(design), np.float64))
        if len(rows) > design.shape[1]
        else None,
    )


def _inverse(design: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what brings values onto a design's coefficients: (D'D)^-1 D', a little damped."""
    normal = design.T @ design
    normal += 1e-9 * np.trace(normal) * np.eye(len(normal))
    return np.asarray(np.linalg.solve(normal, design.T), np.float64)


def _places(picture: LightPicture) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return x of the columns and y of the rows of blocks, fractions of the picture."""
    rows, columns = picture.clipped.shape
    y = (np.arange(rows) + 0.5) * picture.block / picture.shape[0]
    x = (np.arange(columns) + 0.5) * picture.block / picture.shape[1]
    return x, y


def _rest(pictures: Sequence[LightPicture], plan: Plan) -> tuple[Floats | None, int]:
    """Return the tails of blocks that no patch and no `may_clip` covers, and how many may clip."""
    first = pictures[0]
    free = ~blocks_in(
        [*(p.box for p in plan.patches), *(place.box for place in plan.may_clip)], first
    )
    if not np.any(free):
        return None, 0
    tails = np.stack([picture.tail[:, free] for picture in pictures])
    rank = int(plan.limits.blown_area * first.clipped.size)
    kept = max(rank + 1, min(tails.shape[2], _REST_BLOCKS))
    fullest = tails.max(axis=(0, 1))
    hottest = np.argpartition(fullest, len(fullest) - kept)[len(fullest) - kept :]
    return tails[:, :, hottest], rank
