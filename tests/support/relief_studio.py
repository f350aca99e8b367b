"""A second light model, which shares no code and no number with the sample frames' own.

A bust is a relief in front of a curved sweep, seen by a pinhole. Lamps are discs whose beam falls
with a power of the cosine, so that their shadows have half-shades; skin, satin and hair shine. The
sensor is of another layout, depth and noise. Lengths in centimetres: x to the right, y up, z to the
camera.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.frame import Camera, Exposure, Frame, NamedLevels

if TYPE_CHECKING:
    from collections.abc import Mapping

ROWS, COLUMNS = 216, 300
_CAMERA_CM, WIDE_CM = 310.0, 190.0
_SWEEP_CM = -95.0
_MARCHED = 24
_DISC = ((0.8, 0.0), (-0.4, 0.7), (-0.4, -0.7))
_WELL_E, _READ_E, _PRNU, _BASE_ISO, _F_NUMBER = 31_000.0, 6.5, 0.006, 200.0, 8.0
_BLACK, _WHITE = 257, 8_160
_XYZ_TO_CAMERA = ((0.83, -0.24, -0.09), (-0.43, 1.21, 0.24), (-0.06, 0.17, 0.62))
_NEUTRAL = (0.46, 1.0, 0.71)


@dataclass(frozen=True)
class Disc:
    """A lamp: where it hangs, what it points at, its radius, how narrow its beam is, its tint."""

    name: str
    role: str
    at: tuple[float, float, float]
    aim: tuple[float, float, float]
    radius: float
    power_of_cosine: float
    strength: float
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)


LAMPS = (
    Disc("octa", "key", (105, 88, 120), (2, 16, 6), 9.0, 60.0, 2.6, (1.03, 1.0, 0.96)),
    Disc("strip", "fill", (-140, 20, 95), (-4, 10, 4), 14.0, 18.0, 0.5),
    Disc("rim", "rim", (-62, 120, -52), (-3, 36, 0), 4.0, 90.0, 1.5, (0.98, 1.0, 1.04)),
    Disc("wall west", "background", (-128, 30, -34), (-52, 10, _SWEEP_CM), 7.0, 5.0, 0.75),
    Disc("wall east", "background", (133, 26, -30), (55, 8, _SWEEP_CM), 7.0, 5.0, 0.75),
)
# box, material, what it is led by
PATCHES: dict[str, tuple[tuple[float, float, float, float], str | None, tuple[str, ...]]] = {
    "near cheek": ((0.513, 0.335, 0.545, 0.395), "skin", ("octa", "strip")),
    "far cheek": ((0.46, 0.36, 0.483, 0.42), "skin", ("strip",)),
    "chin": ((0.5, 0.425, 0.535, 0.455), "skin", ("octa", "strip")),
    "crown": ((0.415, 0.2, 0.45, 0.27), "hair", ("rim",)),
    "satin": ((0.53, 0.68, 0.6, 0.76), "white cloth", ("octa", "strip")),
    "tile": ((0.8, 0.76, 0.84, 0.81), None, ("octa",)),
}
PAPER = ((0.04, 0.06, 0.27, 0.4), (0.73, 0.06, 0.96, 0.4))
_ALBEDO = np.array([0.29, 0.12, 0.72, 0.33, 0.19])
_SHINE = np.array([0.05, 0.10, 0.12, 0.0, 0.0])
_COLOUR = np.array([(1.2, 0.97, 0.8), (1.1, 1.0, 0.9), (0.99, 1, 1.03), (1, 1, 1), (1, 1, 1)])
_SKIN, _HAIR, _SATIN, _SWEEP, _TILE = range(5)


def _bump(x: Any, y: Any, at: tuple[float, float], half: tuple[float, float], high: float) -> Any:
    return high * np.exp(-(np.abs((x - at[0]) / half[0]) ** 3) - np.abs((y - at[1]) / half[1]) ** 3)


@dataclass(frozen=True)
class Relief:
    """The bust, its head moved aside by `right` and turned by `yaw` degrees."""

    right: float = 0.0
    yaw: float = 0.0

    def parts(self, x: Any, y: Any) -> tuple[Any, Any, Any]:
        """Return how far head, hair and body stand out at x, y, z to the camera."""
        x = x - self.right
        turned = 0.16 * self.yaw * np.exp(-(((y - 18.0) / 16.0) ** 2))
        nose = _bump(x - turned, y, (0.0, 15.0), (1.9, 4.2), 2.6)
        lean = np.sin(np.radians(self.yaw)) * x * 0.7
        lean = lean * _bump(x, y, (0.0, 17.0), (13.0, 18.0), 1.0)  # the head alone, no paper
        head = _bump(x, y, (0.0, 17.0), (10.5, 15.0), 19.0) + nose + lean - 4.0
        hair = _bump(x, y, (0.0, 25.0), (12.5, 12.5), 16.0) + lean - 3.5
        body = _bump(x, y, (0.0, -48.0), (36.0, 42.0), 20.0) - 7.0
        return head, hair, body

    def height(self, x: Any, y: Any) -> Any:
        """Return how far the relief stands out; far behind where there is none."""
        high = np.maximum.reduce(self.parts(x, y))
        return np.where(high > -3.0, high, _SWEEP_CM)


@dataclass
class ReliefStudio:
    """One set of it, its lamps jogged by the seed; frames are told by each lamp's stops."""

    seed: int
    relief: Relief = Relief()
    hair: float = 1.0
    """How light his hair is against the usual."""
    lamps: tuple[Disc, ...] = field(init=False)
    _fields: dict[Relief, dict[str, Any]] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        rng = np.random.default_rng(77_000 + self.seed)
        self.lamps = tuple(
            Disc(
                one.name,
                one.role,
                tuple(np.asarray(one.at) + rng.normal(0.0, 6.0, 3)),
                tuple(np.asarray(one.aim) + rng.normal(0.0, 1.5, 3)),
                one.radius,
                one.power_of_cosine * float(rng.uniform(0.8, 1.25)),
                one.strength * float(2.0 ** rng.uniform(-0.3, 0.3)),
                one.tint,
            )
            for one in LAMPS
        )
        self._noise = np.random.default_rng(88_000 + self.seed)
        self._gain = 1.0 + _PRNU * self._noise.standard_normal((ROWS, COLUMNS))

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(lamp.name for lamp in self.lamps)

    def with_lamp(self, lamp: Disc) -> ReliefStudio:
        """Return the same set and camera with one lamp as it is given."""
        other = ReliefStudio(self.seed, self.relief, self.hair)
        other.lamps = tuple(lamp if one.name == lamp.name else one for one in self.lamps)
        other.exposure, other._noise = self.exposure, self._noise
        return other

    def frame(
        self,
        stops: Mapping[str, float],
        *,
        quiet: bool = False,
        iso: float = _BASE_ISO,
        f_number: float = _F_NUMBER,
        lift: float = 0.0,
    ) -> Frame:
        """Return a frame of the lamps that fire, each by its stops from its own strength.

        At a higher ISO the light is turned down alike: the same levels come of fewer electrons;
        `lift` brings all levels up, stops.
        """
        lit = self.fields
        light = 0.0007 + sum(2.0 ** stops[name] * lit[name] for name in stops)
        if isinstance(light, float):
            light = np.full((ROWS, COLUMNS, 3), light)
        if self.hair != 1.0:
            is_hair = _Seen(self.relief).stuff == _HAIR
            light = np.where(is_hair[..., None], light * self.hair, light)
        raw = light * self.exposure * 2.0**lift * np.asarray(_NEUTRAL)
        mosaic = np.empty((ROWS, COLUMNS))
        pattern = np.array([[1, 2], [0, 3]], np.uint8)  # GB over RG
        for row in range(2):
            for column in range(2):
                channel = (0, 1, 2, 1)[pattern[row, column]]
                mosaic[row::2, column::2] = raw[row::2, column::2, channel]
        well = _WELL_E * _BASE_ISO / iso
        electrons = mosaic * well
        if not quiet:
            shot = self._noise.poisson(electrons * self._gain).astype(float)
            electrons = shot + self._noise.normal(0.0, _READ_E, electrons.shape)
        full = _WHITE - _BLACK
        levels = np.clip(np.round(electrons / well * full) + _BLACK, 0, _WHITE)
        return Frame(
            path=Path("relief.raw"),
            mosaic=levels.astype(np.uint16),
            pattern=pattern,
            colours=("R", "G", "B", "G2"),
            levels=NamedLevels((float(_BLACK),) * 4, (float(_WHITE),) * 4, "white", float(_WHITE)),
            orientation=1,
            daylight=tuple(1.0 / part for part in _NEUTRAL),
            as_shot=tuple(1.0 / part for part in _NEUTRAL),
            xyz_to_camera=np.asarray(_XYZ_TO_CAMERA),
            camera=Camera("Relief", "R-2", None),
            exposure=Exposure(iso, f_number, 1.0 / 125.0, None),
            bits=13,
        )

    @cached_property
    def exposure(self) -> float:
        """What brings the near cheek, all lamps at their strength, to 0.28 of white."""
        whole = sum(ReliefStudio.fields.fget(self).values())  # type: ignore[attr-defined]
        x0, y0, x1, y1 = PATCHES["near cheek"][0]
        rows = slice(int(y0 * ROWS), int(y1 * ROWS))
        cheek = whole[rows, int(x0 * COLUMNS) : int(x1 * COLUMNS), 1]
        return 0.28 / float(np.median(cheek))

    @property
    def fields(self) -> dict[str, Any]:
        """Light of each lamp alone, (rows, columns, 3), for the relief as it stands."""
        if self.relief not in self._fields:
            seen = _Seen(self.relief)
            at_mark = {one: lit for one, lit in self._fields.items() if one == Relief()}
            lit = {one.name: seen.lit_by(one) for one in self.lamps}
            self._fields = {**at_mark, self.relief: lit}
        return self._fields[self.relief]


class _Seen:
    """What the pinhole sees of a relief: places, normals, stuff."""

    def __init__(self, relief: Relief) -> None:
        self.relief = relief
        across = (np.arange(COLUMNS) + 0.5) / COLUMNS - 0.5
        down = 0.5 - (np.arange(ROWS) + 0.5) / ROWS
        flat_x, flat_y = np.meshgrid(across * WIDE_CM, down * WIDE_CM * ROWS / COLUMNS)
        z = np.zeros_like(flat_x)
        for _ in range(12):
            nearer = 1.0 - z / _CAMERA_CM
            z = 0.5 * z + 0.5 * relief.height(flat_x * nearer, flat_y * nearer)
        on_bust = relief.height(flat_x, flat_y) > _SWEEP_CM / 2.0
        z = np.where(on_bust, np.where(z > _SWEEP_CM / 2.0, z, 0.0), _SWEEP_CM)
        nearer = 1.0 - z / _CAMERA_CM
        x, y = flat_x * nearer, flat_y * nearer
        below = np.maximum(-y - 20.0, 0.0)
        z = np.where(on_bust, relief.height(x, y), _SWEEP_CM + 0.004 * below**2)
        self.points = np.stack([x, y, z], axis=-1)
        step = 0.4
        slope_x = (relief.height(x + step, y) - relief.height(x - step, y)) / (2.0 * step)
        slope_y = (relief.height(x, y + step) - relief.height(x, y - step)) / (2.0 * step)
        curve = np.where(on_bust, np.clip(slope_y, -6, 6), -0.008 * below)
        slope_x = np.where(on_bust, np.clip(slope_x, -6, 6), 0.0)
        normal = np.stack([-slope_x, -curve, np.ones_like(x)], axis=-1)
        self.normals = normal / np.linalg.norm(normal, axis=-1, keepdims=True)
        head, hair, body = relief.parts(x, y)
        stuff = np.where(body >= np.maximum(head, hair), _SATIN, _SKIN)
        stuff = np.where((hair > head) | (y > 31.0), np.where(body > hair, stuff, _HAIR), stuff)
        stuff = np.where(on_bust, stuff, _SWEEP)
        x0, y0, x1, y1 = PATCHES["tile"][0]
        rows, columns = np.indices(x.shape)
        tile = (columns >= (x0 - 0.01) * COLUMNS) & (columns < (x1 + 0.01) * COLUMNS)
        tile &= (rows >= (y0 - 0.01) * ROWS) & (rows < (y1 + 0.01) * ROWS)
        self.stuff = np.where(tile, _TILE, stuff)
        self.points[tile] = np.stack([x[tile] * 0.9, y[tile] * 0.9, np.full(tile.sum(), -9.0)], -1)
        self.normals[tile] = (0.35, 0.2, 0.915)
        rng = np.random.default_rng(5)
        weave = 1.0 + 0.05 * np.sin(0.9 * columns) * np.sin(1.1 * rows)
        strands = 1.0 + 0.35 * np.sin(2.1 * columns + 3.0 * np.sin(rows / 9.0))
        pores = 1.0 + 0.03 * rng.standard_normal(x.shape)
        plain = np.ones_like(x)
        self.grain = np.choose(self.stuff, [pores, strands, weave, plain, plain])

    def lit_by(self, lamp: Disc) -> Any:
        at, aim = np.asarray(lamp.at, float), np.asarray(lamp.aim, float)
        axis = (aim - at) / np.linalg.norm(aim - at)
        side = np.cross(axis, (0.0, 1.0, 0.0))
        side /= np.linalg.norm(side)
        up = np.cross(side, axis)
        total = sum(
            self._from(at + lamp.radius * (a * side + b * up), axis, lamp) for a, b in _DISC
        )
        return lamp.strength * total[..., None] / len(_DISC) * self._tinted(lamp)

    def _tinted(self, lamp: Disc) -> Any:
        return _COLOUR[self.stuff] * self.grain[..., None] * np.asarray(lamp.tint)

    def _from(self, at: Any, axis: Any, lamp: Disc) -> Any:
        way = at - self.points
        far = np.linalg.norm(way, axis=-1)
        way = way / far[..., None]
        cosine = np.maximum(np.sum(way * self.normals, axis=-1), 0.0)
        beam = np.maximum(-(way @ axis), 0.0) ** lamp.power_of_cosine
        eye = np.array([0.0, 0.0, _CAMERA_CM]) - self.points
        half = way + eye / np.linalg.norm(eye, axis=-1, keepdims=True)
        half /= np.linalg.norm(half, axis=-1, keepdims=True)
        shine = np.maximum(np.sum(half * self.normals, axis=-1), 0.0) ** 28.0
        gives = _ALBEDO[self.stuff] * cosine + _SHINE[self.stuff] * shine * (cosine > 0.0)
        light = 1e4 * gives * beam / far**2
        lit = light > 1e-7
        seen = np.ones(lit.sum())
        start, going = self.points[lit] + 0.5 * self.normals[lit], way[lit]
        for part in np.linspace(0.01, 0.45, _MARCHED):
            here = start + (part * far[lit])[:, None] * going
            high = self.relief.height(here[:, 0], here[:, 1])
            # behind the bust's back nothing throws a shadow: it is some 20 cm deep
            inside = (high > _SWEEP_CM / 2.0) & (here[:, 2] < high) & (here[:, 2] > -22.0)
            seen[inside] = 0.0
        light[lit] *= seen
        return light
