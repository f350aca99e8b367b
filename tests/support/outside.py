"""Frames of material that we did not make: photographs that packages carry, on published sensors.

Photographs are undone to linear light by the sRGB curve (IEC 61966-2-1), cut out, lit anew by sums
of smooth patterns, and exposed on sensors drawn from the ranges that data sheets after EMVA 1288
print. Pictures and seeds stand in two halves: one for building, one for proving.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter, zoom

from stopwise import decode, measure
from stopwise.frame import Exposure, Frame, NamedLevels
from stopwise.measurement.clipping import find_doubt, read_clipping
from stopwise.measurement.paper import find_parts
from stopwise.measurement.reading import ground_of, read
from stopwise.plan.model import BackdropPlan, Plan
from support.light_frames import COLOURS
from support.real_files import real_mosaic, sample_photograph

Array = NDArray[np.float32]

SHAPE = (720, 1080)
"""Photosites down and across a frame."""

BUILDING = ("skimage:astronaut", "skimage:coffee", "skimage:brick", "skimage:grass",
            "skimage:ihc", "skimage:camera", "fetched:china.jpg")  # fmt: skip
PROVING = ("matplotlib:*.jpg", "skimage:chelsea", "skimage:rocket", "skimage:motorcycle_left",
           "skimage:gravel", "skimage:coins", "fetched:flower.jpg")  # fmt: skip
"""Photographs that limits may be set on, and those that prove them: other pictures throughout."""

FIRST_PROVING = 10_000
"""Seeds from here on prove; those before it build."""


def linear(coded: NDArray[Any]) -> Array:
    """Undo the sRGB curve: coded values 0 to 1, any shape, to linear light (IEC 61966-2-1)."""
    plain = coded / 12.92
    curved = ((np.maximum(coded, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.where(coded <= 0.04045, plain, curved).astype(np.float32)


@cache
def _coded(name: str) -> NDArray[np.uint8]:
    """Return a photograph, uint8 (h, w, 3)."""
    package, pattern = name.split(":")
    if package == "fetched":
        path = sample_photograph(pattern)
    else:
        spec = find_spec(package)
        assert spec is not None
        assert spec.origin is not None
        inside = {"skimage": "data", "matplotlib": "mpl-data/sample_data"}[package]
        pattern = pattern if "." in pattern else f"{pattern}.png"
        folder = Path(spec.origin).parent / inside
        path = next(iter([*folder.glob(pattern), *folder.glob(pattern.replace("png", "jpg"))]))
    return np.asarray(Image.open(path).convert("RGB"))


def photograph(name: str, *, rng: np.random.Generator) -> Array:
    """Return linear light of a photograph (h, w, 3), its 8-bit steps filled evenly."""
    coded = _coded(name).astype(np.float32)
    return linear(np.clip((coded + rng.random(coded.shape, np.float32)) / 256.0, 0.0, 1.0))


def cut_out(picture: Array, shape: tuple[int, int], *, rng: np.random.Generator) -> Array:
    """Return a part of a picture, turned or mirrored, brought to a shape by cubic splines."""
    if rng.random() < 0.5:
        picture = picture[:, ::-1]
    if rng.random() < 0.25:
        picture = np.swapaxes(picture, 0, 1)
    share = rng.uniform(0.45, 1.0)
    tall, wide = (int(share * side) for side in picture.shape[:2])
    top, left = (int(rng.integers(0, side - part + 1))
                 for side, part in zip(picture.shape[:2], (tall, wide), strict=True))  # fmt: skip
    part = picture[top : top + tall, left : left + wide]
    return resized(part, shape)


def resized(picture: Array, shape: tuple[int, int]) -> Array:
    """Return a picture (h, w, 3) at another shape, by cubic splines, nowhere below 0."""
    factors = (shape[0] / picture.shape[0], shape[1] / picture.shape[1])
    colours = np.moveaxis(picture, -1, 0)  # alone: a spline across them does four times the work
    planes = [zoom(colour, factors, order=3, mode="nearest") for colour in colours]
    return np.maximum(np.stack(planes, axis=-1), 0.0)


def before_paper(picture: Array, *, rng: np.random.Generator, is_bare: bool = False) -> Array:
    """Return a picture (h, w, 3) cut out along an ellipse and set before plain, nearly white paper.

    The paper reflects 60 to 90 % in every colour and keeps a grain of its own of 0.1 to 0.5 %;
    bare, it stands alone.
    """
    rows, columns = picture.shape[:2]
    y, x = np.ogrid[: 1 : rows * 1j, : 1 : columns * 1j]
    middle, reach = rng.uniform(0.35, 0.65), rng.uniform(0.15, 0.4)
    off = np.hypot((x - middle) / reach, (y - 0.7) / rng.uniform(0.3, 0.7))
    held = gaussian_filter((off < 1.0).astype(np.float32), 1.0)[..., None]
    grain = gaussian_filter(rng.standard_normal((rows, columns)), 1.5)
    grain *= rng.uniform(0.001, 0.005) / grain.std()
    paper = rng.uniform(0.6, 0.9) * (1.0 + grain[..., None].astype(np.float32))
    paper = np.broadcast_to(paper, picture.shape).astype(np.float32)
    return paper if is_bare else held * picture + (1.0 - held) * paper


def pattern_of_light(shape: tuple[int, int], *, rng: np.random.Generator) -> Array:
    """Return one lamp's light (h, w), greatest 1: a spot or a fall-off, smooth all over."""
    y, x = np.ogrid[: 1 : shape[0] * 1j, : 1.5 : shape[1] * 1j]
    cx, cy = rng.uniform(-0.3, 1.8), rng.uniform(-0.3, 1.3)
    if rng.random() < 0.5:
        reach = rng.uniform(0.25, 1.2)
        light = np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2.0 * reach**2)) + 0.02
    else:  # inverse squares from a lamp that stands so far off the plane (Lambert: times cosine)
        off = rng.uniform(0.5, 2.0)
        light = (off / np.sqrt((x - cx) ** 2 + (y - cy) ** 2 + off**2)) ** 3
    return (light / light.max()).astype(np.float32)


def lit_anew(picture: Array, *, rng: np.random.Generator) -> Array:
    """Return a picture under two to four lamps of known outputs and slight tints, (h, w, 3)."""
    total = np.zeros_like(picture)
    for _ in range(int(rng.integers(2, 5))):
        output = 2.0 ** -rng.uniform(0.0, 4.0)
        tint = 2.0 ** rng.normal(0.0, 0.06, 3).astype(np.float32)
        total += output * pattern_of_light(picture.shape[:2], rng=rng)[..., None] * tint
    return picture * total


@dataclass(frozen=True)
class DrawnSensor:
    """A sensor drawn from published ranges (EMVA 1288's terms); electrons unless said otherwise.

    Attributes
    ----------
    full
        Electrons of a photosite that reads the named white.
    read, dsnu
        Temporal dark noise, and the spread of dark signal from photosite to photosite.
    prnu
        Spread of the response from photosite to photosite, a share.
    bits, black, white
        Depth, and raw levels that the file names.
    stops
        Where each colour stops, a share of the range from black to white.
    spread
        Of those stops from photosite to photosite, a share of them (one sigma).
    hot
        Share of photosites that stand anywhere, whatever the light.
    """

    kind: str
    iso: float | None
    full: float
    read: float
    dsnu: float
    prnu: float
    bits: int
    black: float
    white: float
    stops: tuple[float, ...]
    spread: float
    hot: float
    multipliers: tuple[float, float, float]

    @property
    def span(self) -> float:
        """Raw levels from black to white."""
        return self.white - self.black

    @property
    def spread_in_noises(self) -> float:
        """The spread of the stops in shot noises at them: from about 0.55 on width tells little."""
        electrons = self.full * max(self.stops)
        return self.spread * electrons / np.sqrt(electrons + self.read**2)


def drawn_sensor(rng: np.random.Generator) -> DrawnSensor:
    """Draw a sensor.

    Ranges: saturation capacity 5 000 to 100 000 electrons, temporal dark noise 1.5 to 10, DSNU 0.3
    to 4, PRNU 0.2 to 1.2 %, 10 to 16 bits (data sheets after EMVA 1288 release 4.0 of 1.1 to 14
    micrometre photosites; from memory). Gain halves the electrons for each stop of ISO.
    """
    kind = str(rng.choice(["rggb", "grbg", "gbrg", "bggr", "x-trans", "mono", "three planes"],
                          p=[0.3, 0.15, 0.15, 0.15, 0.1, 0.08, 0.07]))  # fmt: skip
    stops_over_base = int(rng.choice(6, p=[0.4, 0.2, 0.15, 0.1, 0.1, 0.05]))
    well = float(np.exp(rng.uniform(np.log(5e3), np.log(1e5))))
    bits = int(rng.choice([10, 12, 14, 16], p=[0.05, 0.4, 0.45, 0.1]))
    black = float(rng.choice([0, 1, 2, 4])) * 2.0 ** (bits - 5) / 2.0
    white = 2.0**bits - 1.0
    colours = len(COLOURS[kind][1])
    top = 1.0 if rng.random() < 0.3 else rng.uniform(0.85, 0.995)
    apart = rng.choice([0.0, 0.002, 0.012], p=[0.3, 0.4, 0.3])
    stops = np.minimum(top * (1.0 - np.abs(rng.normal(0.0, apart, colours))), 1.0)
    spread = 0.0 if rng.random() < 0.15 else np.exp(rng.uniform(np.log(5e-4), np.log(1e-2)))
    return DrawnSensor(
        kind=kind,
        iso=None if rng.random() < 0.1 else 100.0 * 2.0**stops_over_base,
        full=max(well / 2.0**stops_over_base, 300.0),
        read=float(rng.uniform(1.5, 10.0)) / 2.0 ** (stops_over_base / 3.0),
        dsnu=float(rng.uniform(0.3, 4.0)) / 2.0 ** (stops_over_base / 3.0),
        prnu=float(rng.uniform(0.002, 0.012)),
        bits=bits,
        black=black,
        white=white,
        stops=tuple(float(stop) for stop in stops),
        spread=float(spread),
        hot=float(rng.choice([0.0, 2e-6, 2e-5])),
        multipliers=(float(rng.uniform(1.3, 2.5)), 1.0, float(rng.uniform(1.2, 2.3))),
    )


@dataclass(frozen=True)
class Exposed:
    """A frame, what was put in, and the truth: which photosites are full, cell by cell."""

    frame: Frame
    sensor: DrawnSensor
    told: str
    any_clipped: float


def expose(light: Array, sensor: DrawnSensor, *, rng: np.random.Generator, told: str) -> Exposed:
    """Expose light (h, w, 3) of camera colours, 1 = the named white of green, on a sensor."""
    pattern, names = COLOURS[sensor.kind]
    tall, wide = pattern.shape[:2]
    repeats = (-(-light.shape[0] // tall), -(-light.shape[1] // wide), *[1] * (pattern.ndim - 2))
    colour = np.tile(pattern, repeats)[: light.shape[0], : light.shape[1]]
    planes = np.stack([_of_colour(light, name, sensor.multipliers) for name in names], axis=-1)
    signal = np.take_along_axis(planes, colour.reshape(*light.shape[:2], -1), axis=2)
    due = sensor.full * np.maximum(signal.reshape(colour.shape).astype(np.float64), 0.0)
    due *= 1.0 + sensor.prnu * rng.standard_normal(due.shape)
    caught = _photons(due, rng) + sensor.dsnu * rng.standard_normal(due.shape)
    caught += sensor.read * rng.standard_normal(due.shape)
    stop = sensor.full * np.asarray(sensor.stops)[colour]
    stop = stop * (1.0 + sensor.spread * rng.standard_normal(due.shape))
    full = caught >= stop
    levels = np.minimum(caught, stop) / sensor.full * sensor.span + sensor.black
    full |= levels >= sensor.white  # what the converter can't count further is full as well
    hot = rng.random(due.shape) < sensor.hot
    levels[hot] = rng.uniform(sensor.black, sensor.white, int(hot.sum()))
    mosaic = np.clip(np.rint(levels), 0, sensor.white).astype(np.uint16)
    frame = Frame(
        path=Path(told),
        mosaic=mosaic,
        pattern=pattern,
        colours=names,
        levels=NamedLevels(
            (sensor.black,) * len(names), (sensor.white,) * len(names), "white", sensor.white
        ),
        daylight=sensor.multipliers if "R" in names else None,
        exposure=Exposure(iso=sensor.iso),
        bits=sensor.bits,
    )
    return Exposed(frame, sensor, told, _any_of_cells(full & ~hot, (tall, wide)))


def _of_colour(light: Array, name: str, multipliers: tuple[float, float, float]) -> Array:
    """Return what one colour of the filter array catches of balanced R, G, B."""
    if name == "M":
        return light @ np.array([0.3, 0.4, 0.3], np.float32)
    at = "RGB".index(name[0])
    return light[..., at] / np.float32(multipliers[at])


def _photons(due: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """Return electrons caught: Poisson where they are few, its normal limit elsewhere."""
    caught = due + np.sqrt(np.maximum(due, 0.0)) * rng.standard_normal(due.shape)
    few = due < 200.0
    caught[few] = rng.poisson(np.maximum(due[few], 0.0))
    return caught


def _any_of_cells(full: NDArray[np.bool_], cell: tuple[int, int]) -> float:
    rows, columns = (side // part for side, part in zip(full.shape, cell, strict=False))
    whole = full[: rows * cell[0], : columns * cell[1]]
    return float(whole.reshape(rows, cell[0], columns, cell[1], -1).any(axis=(1, 3, 4)).mean())


def pictures_of(seed: int) -> tuple[str, ...]:
    """Return the photographs that a seed may draw from."""
    return PROVING if seed >= FIRST_PROVING else BUILDING


def camera_light(seed: int, rng: np.random.Generator) -> tuple[Array, str]:
    """Return a photograph lit anew, (h, w, 3) balanced camera colours, and its name."""
    name = str(rng.choice(pictures_of(seed)))
    picture = cut_out(photograph(name, rng=rng), SHAPE, rng=rng)
    if rng.random() < 0.4:
        picture, name = before_paper(picture, rng=rng), f"{name} before paper"
    picture = lit_anew(picture, rng=rng)
    mixed = np.full((3, 3), rng.uniform(0.0, 0.12), np.float32)
    np.fill_diagonal(mixed, 1.0 - 2.0 * mixed[0, 0])
    return gaussian_filter(picture @ mixed, (rng.uniform(0.3, 1.0),) * 2 + (0.0,)), name


def blown(seed: int) -> Exposed:
    """Return a frame of which 0.5 to 60 % is clipped."""
    rng = np.random.default_rng([seed, 1])
    light, name = camera_light(seed, rng)
    sensor = drawn_sensor(rng)
    share = float(np.exp(rng.uniform(np.log(0.006), np.log(0.6))))
    level = np.quantile(_fullest(light, sensor), 1.0 - share)
    exposed = expose(light / level, sensor, rng=rng, told=f"{seed} {name}")
    return exposed if exposed.any_clipped > 0.005 else blown(seed + 500_000)


def clean(seed: int) -> Exposed:
    """Return a frame of which nothing is clipped: its brightest place lies 0.03 to 1 stop under.

    The margin leaves six noises, so that chance fills no photosite; half of the frames come within
    0.25 stop.
    """
    rng = np.random.default_rng([seed, 2])
    light, name = camera_light(seed, rng)
    sensor = drawn_sensor(rng)
    noise = np.hypot(np.hypot(1.0, sensor.read / np.sqrt(sensor.full)) / np.sqrt(sensor.full),
                     np.hypot(sensor.prnu, sensor.spread))  # fmt: skip
    room = rng.uniform(0.03, 0.25) if rng.random() < 0.5 else rng.uniform(0.25, 1.0)
    room = max(room, np.log2(1.0 + 6.0 * noise))
    return expose(
        light / _fullest(light, sensor).max() * np.float32(2.0**-room),
        sensor,
        rng=rng,
        told=f"{seed} {name}",
    )


def shot_over(seed: int, *, stops: float) -> Exposed:
    """Return a frame with paper in it whose brightest tenth lies so far over what fills first."""
    rng = np.random.default_rng([seed, 7])
    name = str(rng.choice(pictures_of(seed)))
    picture = cut_out(photograph(name, rng=rng), SHAPE, rng=rng)
    light = lit_anew(before_paper(picture, rng=rng), rng=rng)
    sensor = drawn_sensor(rng)
    level = np.quantile(_fullest(light, sensor), 0.9)
    return expose(light / level * np.float32(2.0**stops), sensor, rng=rng, told=f"{seed} {name}")


def _fullest(light: Array, sensor: DrawnSensor) -> Array:
    """Return how full the fullest colour of each place is, 1 where it stops: (h, w)."""
    names = COLOURS[sensor.kind][1]
    return np.max([_of_colour(light, name, sensor.multipliers) / np.float32(stop)
                   for name, stop in zip(names, sensor.stops, strict=True)], axis=0)  # fmt: skip


# --- a real mosaic, stopped anew ------------------------------------------------------------------


def stopped_anew(seed: int, *, blown: bool) -> Exposed:
    """Return a window of the real mosaic with stops of our own put upon its levels.

    Its noise, texture and lossy levels are the camera's; only where photosites stop is drawn, and
    which white is named. Building takes the left half of the picture, proving the right one.
    """
    rng = np.random.default_rng([seed, 3])
    whole = _real()
    high, wide = whole.mosaic.shape
    top = 2 * int(rng.integers(0, (high - SHAPE[0]) // 2))
    left = 2 * int(rng.integers(0, (wide // 2 - SHAPE[1]) // 2))
    left += wide // 2 // 2 * 2 if seed >= FIRST_PROVING else 0
    window = whole.mosaic[top : top + SHAPE[0], left : left + SHAPE[1]].astype(np.float64)
    black = np.asarray(whole.levels.black)[0]
    colour = np.tile(whole.pattern, (SHAPE[0] // 2, SHAPE[1] // 2))
    share = float(np.exp(rng.uniform(np.log(0.006), np.log(0.4))))
    fullest = float(np.quantile(window, 1.0 - share / 2.0) if blown else 1.1 * window.max())
    apart = 1.0 - np.abs(rng.normal(0.0, rng.choice([0.0, 0.003]), 4))
    spread = float(np.exp(rng.uniform(np.log(5e-4), np.log(1e-2))))
    stop = black + (fullest - black) * apart[colour]
    stop = stop + spread * (fullest - black) * rng.standard_normal(stop.shape)
    white = np.rint(black + (fullest - black) / rng.uniform(0.86, 0.99))
    full = window >= stop
    sensor = DrawnSensor(
        "real", whole.exposure.iso, 0.0, 0.0, 0.0, 0.0, 14, black, white, tuple(apart), spread, 0.0,
        (1.0, 1.0, 1.0),
    )  # fmt: skip
    frame = replace(
        whole,
        mosaic=np.rint(np.minimum(window, stop)).astype(np.uint16),
        levels=NamedLevels(whole.levels.black, (float(white),) * 4, "white", float(white)),
        masked=None,
    )
    return Exposed(frame, sensor, f"{seed} real mosaic", _any_of_cells(full, (2, 2)))


@cache
def _real() -> Frame:
    return decode(real_mosaic())


# --- what is told of them -------------------------------------------------------------------------

FINE, OVER = 0.1, 0.02
"""A frame is called fine where less than this share of what is clipped is told, and nothing is
said to be in doubt; and over-counted where so much of the frame is told too much."""

NEAR = 0.02
"""What is told lies near the truth within this share of the frame."""


@dataclass(frozen=True)
class Told:
    """What is told of a frame beside its truth: `answer` is the row of the table it counts in."""

    exposed: Exposed
    any_clipped: float
    may_be: tuple[float, float] | None

    @property
    def is_open(self) -> bool:
        """Whether more than 0.2 % of the frame is in doubt."""
        return self.may_be is not None and self.may_be[1] - self.may_be[0] > 0.002

    @property
    def answer(self) -> str:
        """The answer: near, under, over, fine (called fine though blown), may be, clean."""
        true, told = self.exposed.any_clipped, self.any_clipped
        if told > true + (OVER if true else 0.002):
            return "over"
        if self.is_open:
            return "may be"
        if true == 0.0:
            return "clean"
        if told < FINE * true:
            return "fine"
        return "near" if abs(told - true) <= NEAR else "under"


def told_of(exposed: Exposed) -> Told:
    """Return what clipping is told of a frame, as `measure` tells it."""
    ground = ground_of(exposed.frame)
    doubt = find_doubt(ground.cells, ground.levels, {}, surely=ground.clipped)
    clipping = read_clipping(ground.cells, ground.levels, ground.clipped, doubt=doubt)
    return Told(exposed, clipping.any, clipping.may_be)


# --- stated uncertainties beside the truth --------------------------------------------------------

Figure = Literal["zone", "ratio", "left-right"]


@dataclass(frozen=True)
class Misread:
    """A figure's error and its stated standard uncertainty, stops."""

    figure: Figure
    error: float
    stated: float

    @property
    def is_inside(self) -> bool:
        """Whether the error lies within one stated uncertainty."""
        return abs(self.error) <= self.stated


def noiseless(sensor: DrawnSensor) -> DrawnSensor:
    """Return the same filter array without noise, spread, rounding or stop: what is true of it."""
    return replace(
        sensor, full=1e12, read=0.0, dsnu=0.0, prnu=0.0, bits=16, black=0.0, white=65535.0,
        stops=(1.0,) * len(sensor.stops), spread=0.0, hot=0.0,
    )  # fmt: skip


def misread(seed: int) -> list[Misread]:
    """Return how far figures of a photograph lit anew lie off the same without noise.

    Eight boxes of 3 to 10 % of the width at random places, a ratio of each two, and left-right of a
    paper that the picture stands before.
    """
    rng = np.random.default_rng([seed, 8])
    light, _ = camera_light(seed, rng)
    sensor = drawn_sensor(rng)
    light = light / _fullest(light, sensor).max() * np.float32(2.0 ** -rng.uniform(0.3, 2.5))
    boxes = []
    for _ in range(8):
        wide = rng.uniform(0.03, 0.1)
        x, y = rng.uniform(0.0, 1.0 - wide), rng.uniform(0.0, 1.0 - wide)
        boxes.append([x, y, x + wide, y + wide])
    patches = [{"name": f"patch {n}", "box": box} for n, box in enumerate(boxes)]
    ratios = [{"lit": f"patch {n}", "shadow": f"patch {n + 1}", "stops": 1.0} for n in (0, 2, 4, 6)]
    plan = Plan.model_validate({"schema": 1, "patch": patches, "ratio": ratios})
    seen, true = (
        measure(expose(light, one, rng=rng, told="").frame, plan)
        for one in (sensor, noiseless(sensor))
    )
    found = []
    for name, reading in seen.patches.items():
        zone, stated = true.patches[name].zone, reading.uncertainty
        if reading.zone is not None and zone is not None and stated is not None:
            found.append(Misread("zone", reading.zone - zone, stated))
    for ratio, exact in zip(seen.ratios, true.ratios, strict=True):
        if ratio.stops is not None and exact.stops is not None and ratio.uncertainty is not None:
            found.append(Misread("ratio", ratio.stops - exact.stops, ratio.uncertainty))
    return [*found, *_misread_paper(seed)]


def _misread_paper(seed: int) -> list[Misread]:
    """Return left-right's error: what is true is the bare paper where this frame shows paper."""
    plan, scene = Plan.model_validate(BESIDE), paper_scene(seed)
    rng = np.random.default_rng([seed, 9])
    seen = read(expose(scene.before, scene.sensor, rng=rng, told="").frame, plan)
    bare = read(expose(scene.bare, noiseless(scene.sensor), rng=rng, told="").frame, plan).grid
    backdrop = seen.measurement.backdrop
    if backdrop is None or backdrop.left_right is None:
        return []
    boxes = BackdropPlan.model_validate(BESIDE["backdrop"]).boxes
    paper = seen.grid.inside(boxes) & seen.grid.seen & find_parts(seen.grid, boxes).paper
    paper &= paper[:, ::-1]
    left, right = (bare.log2_y[paper & side[None, :]] for side in (bare.x < 0.5, bare.x > 0.5))
    error = backdrop.left_right - float(np.median(left) - np.median(right))
    return [Misread("left-right", error, backdrop.uncertainty["left_right"])]


# --- a portrait, lit from one side ----------------------------------------------------------------

PORTRAITS = {"building": "skimage:astronaut", "proving": "matplotlib:*.jpg"}
"""The two portraits that packages carry: one to build on, one to prove with."""


@dataclass(frozen=True)
class LitPortrait:
    """A frame of a portrait lit from one side, and how far its light is from its shadow, stops."""

    frame: Frame
    stops: float


def lit_portrait(seed: int) -> LitPortrait:
    """Return a portrait under a key from one side and an even fill, 1 to 3.5 stops apart.

    The edge between the two runs through the face, 0.5 to 8 % of the width wide, tilted and bent.
    """
    rng = np.random.default_rng([seed, 4])
    name = PORTRAITS["proving" if seed >= FIRST_PROVING else "building"]
    picture = photograph(name, rng=rng)
    tall, wide = picture.shape[:2]
    # the head fills the middle of the upper half of both pictures
    left, right = rng.uniform(0.0, 0.25), rng.uniform(0.7, 1.0)
    bottom = rng.uniform(0.6, 1.0)
    part = picture[: int(bottom * tall), int(left * wide) : int(right * wide)]
    picture = resized(part, (480, 480))
    y, x = np.ogrid[-0.5 : 0.5 : 480 * 1j, -0.5 : 0.5 : 480 * 1j]
    edge = rng.uniform(-0.08, 0.08) + rng.uniform(-0.3, 0.3) * y + rng.uniform(-0.5, 0.5) * y**2
    side = 1.0 if rng.random() < 0.5 else -1.0
    lit = 1.0 / (1.0 + np.exp(-side * (x - edge) / rng.uniform(0.005 / 4, 0.08 / 4)))
    stops = float(rng.uniform(1.0, 3.5))
    light = 2.0**-stops + (1.0 - 2.0**-stops) * lit
    light = picture * light[..., None].astype(np.float32)
    sensor = replace(
        drawn_sensor(rng), kind="three planes", iso=100.0, full=40_000.0, read=4.0, bits=14,
        black=512.0, white=16383.0, stops=(1.0, 1.0, 1.0), spread=0.0, hot=0.0,
    )  # fmt: skip
    exposed = expose(light / np.quantile(light, 0.999) * 0.8, sensor, rng=rng, told=f"{seed}")
    return LitPortrait(exposed.frame, stops)


# --- paper beside a sitter ------------------------------------------------------------------------


BESIDE = {"schema": 1, "backdrop": {"boxes": [[0.02, 0.1, 0.3, 0.6], [0.7, 0.1, 0.98, 0.6]]}}
"""A plan that looks at the paper to either side of a sitter."""


@dataclass(frozen=True)
class PaperScene:
    """Light of a picture before paper and of the bare paper, (h, w, 3) each, and a sensor."""

    before: Array
    bare: Array
    sensor: DrawnSensor


def paper_scene(seed: int) -> PaperScene:
    """Return a cut-out picture before evenly lit paper, and the same paper bare.

    Paper falls off by 0.2 to 1 stop; the picture stands in the boxes' way as a sitter does.
    """
    rng = np.random.default_rng([seed, 5])
    shape = (480, 720)
    picture = cut_out(photograph(str(rng.choice(pictures_of(seed))), rng=rng), shape, rng=rng)
    before = before_paper(picture * rng.uniform(0.2, 1.0), rng=np.random.default_rng([seed, 6]))
    bare = before_paper(picture, rng=np.random.default_rng([seed, 6]), is_bare=True)
    y, x = np.ogrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    fall = rng.uniform(0.2, 1.0) * ((x - rng.uniform(-0.5, 0.5)) ** 2 + 0.5 * y**2)
    light = (0.4 * 2.0**-fall)[..., None].astype(np.float32)
    sensor = replace(
        drawn_sensor(rng), kind="three planes", iso=100.0, full=40_000.0, read=4.0, bits=14,
        black=512.0, white=16383.0, stops=(1.0, 1.0, 1.0), spread=0.0, hot=0.0,
    )  # fmt: skip
    return PaperScene(before * light, bare * light, sensor)


def beside_paper(seed: int) -> tuple[Frame, Frame]:
    """Return a frame of a picture before paper, and one of the same bare paper."""
    scene = paper_scene(seed)
    rng = np.random.default_rng([seed, 10])
    before, bare = (
        expose(light, scene.sensor, rng=rng, told=f"{seed}").frame
        for light in (scene.before, scene.bare)
    )
    return before, bare
