"""Made sets as the lamps room reads them: solos, frames and a plan of one small studio."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from stopwise.frame import Camera, Exposure
from stopwise.grid import LightGrid, combine
from stopwise.lamps.solos import LampSet, lamp_set
from stopwise.lamps.unmixing import Shift
from stopwise.plan.model import Plan
from stopwise.reduction import Asked, reduce
from stopwise.stops import MID_GREY_OF_SATURATION
from support.grids import Signals
from support.made_set import HEIGHT, LAMPS, WIDTH, Lamp, Sitter, with_noise
from support.made_set import field as field_of

SHAPE = (160, 240)
WEIGHTS = (0.2, 0.75, 0.05)
BOXES = {
    "lit cheek": (0.52, 0.28, 0.545, 0.36),
    "shadow cheek": (0.465, 0.28, 0.485, 0.36),
    "jacket": (0.52, 0.52, 0.56, 0.58),
    "hair": (0.47, 0.17, 0.53, 0.21),
    "chip": (0.07, 0.82, 0.13, 0.88),
}
MATERIALS = {
    "lit cheek": "skin",
    "shadow cheek": "skin",
    "jacket": "white cloth",
    "hair": "hair",
}
PAPER = ((0.02, 0.05, 0.35, 0.6), (0.65, 0.05, 0.98, 0.6))
EXPOSURE = Exposure(iso=100.0, f_number=11.0, shutter_s=1 / 160)
AMBIENT_LIGHT = 0.0015


@dataclass
class LitSet:
    """One studio: its lamps, its solos, and frames of it with known turns."""

    lamps: tuple[Lamp, ...] = LAMPS
    seed: int = 1
    noise: bool = True
    fullest: float = 0.45
    rng: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng(self.seed)

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(lamp.name for lamp in self.lamps)

    @cached_property
    def scale(self) -> float:
        full = sum(field_of(lamp, Sitter(), SHAPE) for lamp in self.lamps)
        return self.fullest / float(np.percentile(full, 99.0))

    def light(self, turns=None, sitter=None, *, out=(), lamps=None) -> np.ndarray:
        """Return linear RGB (3, h, w) under turned lamps and a little ambient, no noise."""
        turns = turns or {}
        total = np.full((3, *SHAPE), AMBIENT_LIGHT)
        for lamp in lamps or self.lamps:
            if lamp.name not in out:
                gain = self.scale * 2.0 ** turns.get(lamp.name, 0.0)
                total = total + gain * field_of(lamp, sitter or Sitter(), SHAPE)
        return total

    def picture(self, light: np.ndarray, *, exposure: Exposure = EXPOSURE) -> LightGrid:
        """Record light as a reduced picture, with the sensor's noise and its end."""
        levels = with_noise(light, self.rng) if self.noise else np.minimum(light, 1.0)
        made = reduced(levels, boxes=BOXES)
        return replace(made, camera=Camera("Made", "M-1", None), exposure=exposure)

    def frame(self, turns=None, sitter=None, *, out=(), lamps=None) -> LightGrid:
        return self.picture(self.light(turns, sitter, out=out, lamps=lamps))

    def solo(self, name: str, turn: float = 0.0) -> LightGrid:
        others = tuple(other for other in self.names if other != name)
        return self.frame({name: turn}, out=others)

    @cached_property
    def ambient(self) -> LightGrid:
        return self.frame(out=self.names)

    @cached_property
    def solos(self) -> dict[str, LightGrid]:
        return {name: self.solo(name) for name in self.names}

    @cached_property
    def lamp_set(self) -> LampSet:
        return lamp_set(self.solos, self.ambient)


def reduced(light: np.ndarray, *, ceiling: float = 1.0, boxes=None) -> LightGrid:
    """Reduce linear light (3, h, w), cells that reach the ceiling clipped, as a frame is."""
    signals = np.asarray(light, np.float32)
    return reduce(
        Signals(signals),
        weights=WEIGHTS,
        ceiling=(ceiling,) * 3,
        clipped=np.any(signals >= ceiling * (1.0 - 1e-6), axis=0),
        asked=Asked(boxes=boxes or {}, tails=True),
    )


def on_sheet(lamp: Lamp, *, z: float = 0.05) -> np.ndarray:
    """Return what a lamp lays on a white card at the face, square to the camera."""
    rows, columns = SHAPE
    x = ((np.arange(columns) + 0.5) / columns - 0.5) * WIDTH
    y = (0.5 - (np.arange(rows) + 0.5) / rows) * HEIGHT
    points = np.stack([*np.meshgrid(x, y), np.full(SHAPE, z)], axis=-1)
    way = np.asarray(lamp.at) - points
    far = np.linalg.norm(way, axis=-1)
    axis = np.asarray(lamp.to) - np.asarray(lamp.at)
    cosine = -(way / far[..., None]) @ (axis / np.linalg.norm(axis))
    angle = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    off = np.clip((angle - lamp.half_angle) / (lamp.edge / 4.4), -60.0, 60.0)
    return way[..., 2] / far**3 / (1.0 + np.exp(off))


def shift_of(sitter: Sitter) -> Shift:
    """Return where a moved sitter is, in fractions of the picture."""
    return Shift(sitter.dx / WIDTH, -sitter.dy / HEIGHT)


def zones_of(picture: LightGrid) -> dict[str, float]:
    """Return the patches' zones, read as the plan's materials say."""
    found = {}
    for name in BOXES:
        read_at = 90.0 if MATERIALS.get(name) == "hair" else 50.0
        y = level_of(picture, name, read_at=read_at)
        found[name] = 5.0 + y - np.log2(MID_GREY_OF_SATURATION)
    return found


def level_of(picture: LightGrid, name: str, *, read_at: float = 50.0) -> float:
    """Return log2 of a percentile of a patch's Y, anchor = 1."""
    return float(np.log2(np.percentile(picture.box_luminance(name), read_at)))


def plan_for(picture: LightGrid, names, **changes) -> Plan:
    """Return a plan whose targets are what a picture shows."""
    zones = zones_of(picture)
    paper = np.log2(np.concatenate([_paper(picture, box) for box in PAPER]))
    left, right = (np.median(np.log2(_paper(picture, box))) for box in PAPER)
    tables = {
        "schema": 1,
        "light": [{"name": n, "power": -4.0, "range": [-8.0, 0.0], "step": 0.1} for n in names],
        "patch": [
            {
                "name": name,
                "box": box,
                "zone": round(float(zones[name]), 2),
                "material": MATERIALS.get(name),
                "headroom": 0.1,
            }
            for name, box in BOXES.items()
        ],
        "ratio": [
            {
                "lit": "lit cheek",
                "shadow": "shadow cheek",
                "stops": round(float(zones["lit cheek"] - zones["shadow cheek"]), 2),
            }
        ],
        "backdrop": {
            "boxes": PAPER,
            "zone": round(float(5.0 + np.median(paper) - np.log2(MID_GREY_OF_SATURATION)), 2),
            "left_right": round(float(left - right), 2),
        },
    }
    tables.update(changes)
    return Plan.model_validate(tables)


def _paper(picture: LightGrid, box) -> np.ndarray:
    rows, columns = picture.clipped.shape
    x0, y0, x1, y1 = box
    part = picture.luminance[
        round(y0 * rows) : round(y1 * rows), round(x0 * columns) : round(x1 * columns)
    ]
    return part.ravel()


def doubled(picture: LightGrid, times: float) -> LightGrid:
    """Return light times a factor, as a pack gives that sends a lone head more energy."""
    return combine([picture], [times])
