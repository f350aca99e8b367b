"""The measuring room's figures, each over any number of made cases: what it promises, counted.

The suite runs a few cases of each; `tests/bench/bench_figures.py` runs them all and prints them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.cells import cells_of
from stopwise.frame import window
from stopwise.measurement.follow import LEAST_SCORE, find_patches
from stopwise.measurement.levels import find_levels, thresholds
from stopwise.measurement.noise import sensor_noise
from stopwise.measurement.patches import read_patch
from stopwise.stops import MID_GREY_OF_SATURATION
from support.grids import grid_of
from support.light_frames import COLOURS, Sensor, expose, ground_of
from support.sitter_scene import BOXES, Lamps, Pose, Scene, moved, render

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from stopwise.frame import Box
    from stopwise.measurement.figures import Levels

ASPECT = 1.5
ONES = (1.0, 1.0, 1.0)


# --- zones and their uncertainty ------------------------------------------------------------------


@dataclass(frozen=True)
class ZoneCase:
    """One box: how far its zone lies off the truth, and what uncertainty it states, stops."""

    kind: str
    off: float
    uncertainty: float


def scenes(shape: tuple[int, int] = (480, 720)) -> dict[str, NDArray[np.float64]]:
    """Return even light, light that falls off over paper, a face's round shading, cloth, folds."""
    rng = np.random.default_rng(11)
    rows, columns = np.meshgrid(
        np.linspace(-1, 1, shape[0]), np.linspace(-1, 1, shape[1]), indexing="ij"
    )
    paper = 0.1 * 2.0 ** (-1.5 * columns - 0.7 * rows)
    round_one = 0.25 * np.exp2(-3.0 * np.hypot(rows - 0.2, columns + 0.3))
    weave = rng.normal(0.0, 0.12, (shape[0] // 2, shape[1] // 2)).repeat(2, 0).repeat(2, 1)
    folds = 0.3 * np.sin(9.0 * columns + 4.0 * rows)
    return {
        "even": np.full(shape, 0.02),
        "paper": paper,
        "face": round_one,
        "cloth": round_one * np.exp2(weave),
        "folds": paper * np.exp2(folds),
    }


def true_zone(
    light: NDArray[np.float64], box: Box, shape: tuple[int, int], read_at: float = 50.0
) -> float:
    """Return the zone of a box's light before noise; `shape` is that of the cell picture."""
    side = light.shape[0] // shape[0]
    whole = light[: shape[0] * side, : shape[1] * side]
    means = whole.reshape(shape[0], side, shape[1], side).mean(axis=(1, 3))
    level = float(np.percentile(means[window(box, shape)], read_at))
    return 5.0 + math.log2(level / MID_GREY_OF_SATURATION)


def zone_cases(
    count: int, *, kinds: tuple[str, ...] = tuple(COLOURS), read_at: float = 50.0, seed: int = 0
) -> Iterator[ZoneCase]:
    """Yield boxes at random in noisy frames of each kind of mosaic, scene and gain in turn."""
    rng = np.random.default_rng(seed)
    grounds = [(kind, light, gain) for kind in kinds for light in scenes().values()
               for gain in (0.25, 3.0)]  # fmt: skip
    for number in range(count):
        kind, light, gain = grounds[number % len(grounds)]
        frame, _ = expose(light, Sensor(kind, gain=gain), rng=rng)
        ground = ground_of(frame)
        x, y = rng.uniform(0.0, 0.85, 2)
        box = (x, y, x + rng.uniform(0.03, 0.15), y + rng.uniform(0.03, 0.15))
        reading = read_patch(ground, box, read_at=read_at)
        assert reading.zone is not None
        assert reading.uncertainty is not None
        off = reading.zone - true_zone(light, box, ground.cells.shape, read_at)
        yield ZoneCase(kind, off, reading.uncertainty)


# --- clipping -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ClipCase:
    """One frame: photosites counted as clipped, those that truly are, and how it was told."""

    counted: int
    true: int
    photosites: int
    levels: Levels
    told: str

    @property
    def off(self) -> float:
        """How far the count lies off the truth, as a share of it."""
        return self.counted / self.true - 1.0


def clip_case(
    light: NDArray[np.float64], sensor: Sensor, rng: np.random.Generator, told: str
) -> ClipCase:
    """Expose light and count what is clipped, and what truly is."""
    frame, full = expose(light, sensor, rng=rng)
    cells = cells_of(frame)
    levels = find_levels(cells, noise=sensor_noise(cells), iso=100.0)
    count = sum(
        int(histogram[limit:].sum())
        for histogram, limit in zip(cells.histograms, thresholds(levels), strict=True)
    )
    return ClipCase(count, int(full.sum()), full.size, levels, told)


def blown_scene(rng: np.random.Generator, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return a dim ground with a blown disc, glow, ramp or cloth, of a size drawn at random."""
    rows, columns = np.indices(shape)
    ground = np.linspace(0.03, 0.3, shape[1])[None] + np.zeros(shape)
    far = np.hypot(rows - shape[0] * rng.uniform(0.3, 0.7), columns - shape[1] * 0.6)
    size = rng.uniform(0.1, 0.25) * shape[0]
    what = rng.integers(4)
    if what == 0:
        return np.where(far < size, 2.5, ground)
    if what == 1:
        return ground + 3.0 * np.exp(-((far / size) ** 2))
    if what == 2:
        return np.linspace(0.0, 1.2, shape[1])[None] + np.zeros(shape)
    weave = np.exp(rng.normal(0.0, 0.25, (shape[0] // 2, shape[1] // 2))).repeat(2, 0).repeat(2, 1)
    return np.where(far < 2.0 * size, 0.8 * weave, ground)


def soft_clip_cases(count: int, *, seed: int = 0) -> Iterator[ClipCase]:
    """Yield frames whose photosites stop 1.7 to 14 % under white, up to 0.4 of shot noise apart."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        under, spread = rng.uniform(0.017, 0.14), rng.uniform(0.0, 0.4)
        level = 512.0 + (16383.0 - 512.0) * (1.0 - under)
        sensor = Sensor(ceiling=level, spread=spread, hot=1e-5, multipliers=ONES)
        light = blown_scene(rng, (1440, 1920))
        yield clip_case(light, sensor, rng, f"{under:.3f} under, {spread:.2f} wide")


def unclipped_scene(rng: np.random.Generator, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return even or textured light, a wall, a slope or a plateau, none of it over 0.97."""
    level, texture = rng.uniform(0.1, 0.97), rng.choice([0.0, 0.005, 0.02, 0.1, 0.3])
    sizes = ((2,), (4,), (8,), (2, 4, 8))[rng.integers(4)]
    weave = np.zeros(shape)
    for size in sizes:
        one = rng.normal(0.0, texture, (-(-shape[0] // size), -(-shape[1] // size)))
        weave += one.repeat(size, 0).repeat(size, 1)[: shape[0], : shape[1]]
    light = level * np.exp(weave / math.sqrt(len(sizes)))
    what = rng.integers(4)
    if what == 1:
        edge = rng.integers(50, shape[1] - 40)
        light = np.where(np.indices(shape)[1] > edge, light, np.linspace(0.03, 0.3, shape[1])[None])
    elif what == 2:
        light = light * np.linspace(0.2, 1.0, shape[1])[None]
    elif what == 3:
        light = np.minimum(light, rng.uniform(0.5, 0.97))
    return np.minimum(light, 0.97)


def unclipped_cases(count: int, *, seed: int = 0) -> Iterator[ClipCase]:
    """Yield frames in which no photosite is full: six noises of room under white, every mosaic."""
    kinds, gains = ("rggb", "x-trans", "mono", "three planes"), (0.06, 0.25, 1.0, 4.0)
    for number in range(count):
        rng = np.random.default_rng((seed, number))
        kind, gain = kinds[number % 4], gains[rng.integers(4)]
        span = 16383.0 - 512.0
        light = unclipped_scene(rng, (480, 640))
        light = np.minimum(light, 1.0 - 6.0 * math.sqrt(gain * span) / span)
        sensor = Sensor(kind, gain=gain, multipliers=ONES)
        yield clip_case(light, sensor, rng, f"case {number}, {kind}, gain {gain}")


# --- patches that follow --------------------------------------------------------------------------


@dataclass(frozen=True)
class FollowCase:
    """One patch after one move: how far off it was placed, in frame widths, and with what score."""

    patch: str
    off: float
    score: float

    @property
    def seen(self) -> bool:
        """Whether its score passes."""
        return self.score >= LEAST_SCORE


def drawn_pose(rng: np.random.Generator) -> Pose:
    """Return a move of up to a quarter of the frame each way, up to 10 degrees and 5 % nearer."""
    return Pose(
        dx=rng.uniform(-0.25, 0.25),
        dy=rng.uniform(-0.25, 0.25) / ASPECT,
        tilt=rng.uniform(-10.0, 10.0),
        scale=rng.uniform(0.95, 1.05),
    )


def all_by(stops: float) -> Lamps:
    """Return every lamp turned alike."""
    return Lamps(stops, stops, stops, stops, stops)


def follow_cases(count: int, *, seed: int = 7) -> Iterator[tuple[FollowCase, ...]]:
    """Yield for each of so many moves every patch that is still wholly in the frame."""
    rng = np.random.default_rng(seed)
    reference = grid_of(render(Scene()))
    for number in range(count):
        pose, lamps = drawn_pose(rng), all_by(rng.uniform(-1.5, 1.5))
        frame = grid_of(render(Scene(pose=pose, lamps=lamps, seed=number + 2)))
        places = find_patches(reference, frame, list(BOXES.values()))
        yield tuple(
            FollowCase(name, _off(place.box, box, pose), place.score)
            for (name, box), place in zip(BOXES.items(), places, strict=True)
            if _whole(box, pose)
        )


def _centre(box: Box) -> tuple[float, float]:
    return (box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0


def _off(found: Box, box: Box, pose: Pose) -> float:
    (x, y), (true_x, true_y) = _centre(found), moved(_centre(box), pose)
    return math.hypot(x - true_x, (y - true_y) / ASPECT)


def _whole(box: Box, pose: Pose) -> bool:
    """Tell whether all corners of a patch lie in the frame after a pose."""
    corners = [moved((x, y), pose) for x in (box[0], box[2]) for y in (box[1], box[3])]
    return all(0.0 <= part <= 1.0 for corner in corners for part in corner)


def gone_scores(count: int, *, seed: int = 9) -> Iterator[float]:
    """Yield the greatest score of any patch in frames that the sitter has left."""
    rng = np.random.default_rng(seed)
    reference = grid_of(render(Scene()))
    for number in range(count):
        lamps = Lamps(*rng.uniform(-1.5, 1.5, 5))
        frame = grid_of(render(Scene(Pose(gone=True), lamps, seed=number + 2)))
        yield max(place.score for place in find_patches(reference, frame, list(BOXES.values())))
