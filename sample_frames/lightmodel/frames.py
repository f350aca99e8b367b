"""The sample frames: what each shows, and how it is made from scene, lamps, sensor and shutter."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any, ClassVar, Literal, Protocol

import numpy as np
from scipy import ndimage

from lightmodel import studio
from lightmodel.geometry import direction
from lightmodel.render import Fields, Surface, ambient_field, lamp_field, surface
from lightmodel.scene import BLACK, Card, Scene
from lightmodel.sitter import Pose
from lightmodel.view import View

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from lightmodel.lamps import Lamp
    from lightmodel.sensor import Mosaic, Sensor, Signals

Role = Literal["grey", "ambient", "plate", "reference"] | str | None

Cause = Literal["lamp", "trigger", "sitter", "camera", "file"] | None

LEVEL = View()
UPRIGHT = View(orientation=6)
ON = dict.fromkeys((lamp.name for lamp in studio.LAMPS), 0.0)
"""Every lamp at plan power."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the camera was set to."""

    iso: int = 100
    f_number: float = 11.0
    shutter: int = 160
    """Its reciprocal: 160 for 1/160 s."""

    @property
    def flash_gain(self) -> float:
        """How much flash counts against the plan's f/11 at ISO 100."""
        return self.iso / 100.0 * (11.0 / self.f_number) ** 2

    @property
    def ambient_gain(self) -> float:
        """How much steady light counts against f/11, 1/160 at ISO 100."""
        return self.flash_gain * 160.0 / self.shutter


@dataclass(frozen=True, slots=True)
class Shutter:
    """What the shutter does to flash.

    Attributes
    ----------
    covered
        Share of the sensor's height that the second curtain hides already, from its last row up.
    tail_stops
        Slope of a slow flash along the curtain's travel: first row against the last.
    """

    covered: float = 0.0
    tail_stops: float = 0.0

    def share(self, rows: int) -> NDArray[np.float32]:
        """Return the share of the flash that each sensor row gets, (rows,)."""
        place = (np.arange(rows, dtype=np.float32) + 0.5) / rows
        edge = np.clip((1.0 - self.covered - place) / 0.012 + 0.5, 0.0, 1.0)
        share = np.exp2(np.float32(self.tail_stops) * (np.float32(0.5) - place))
        return (share * edge if self.covered else share).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Recipe:
    """How one sample frame is made.

    Attributes
    ----------
    name, shows
        File stem, and what it was made to show, in one sentence.
    turns
        The lamps that fire, each with the stops it is turned from plan power.
    role
        grey, ambient, plate, reference or a lamp's name (its solo); None for a frame of the shoot.
    look
        The plan's look that its targets come from; None for the plan's own.
    seconds
        After the first frame.
    lamps
        Every lamp of the set, as it stands for this frame.
    cut
        Share of the file that is kept; None for a whole one.
    cause
        What made it fail: lamp, trigger, sitter, camera; None where nothing went wrong.
    """

    name: str
    shows: str
    turns: Mapping[str, float] = field(default_factory=lambda: dict(ON))
    role: Role = None
    look: str | None = None
    seconds: float = 0.0
    scene: Scene = field(default_factory=Scene)
    view: View = LEVEL
    settings: Settings = field(default_factory=Settings)
    shutter: Shutter = field(default_factory=Shutter)
    lamps: tuple[Lamp, ...] = studio.LAMPS
    cut: float | None = None
    cause: Cause = None

    @property
    def seed(self) -> int:
        """Of its noise."""
        return int(self.name[1:])


@dataclass(frozen=True, eq=False, slots=True)
class Exposed:
    """One exposure: what the sensor was due, what it wrote, and what was too much for it."""

    due: Signals
    mosaic: Mosaic
    clipped: NDArray[np.bool_]


class Kept(Protocol):
    """Keeps rendered arrays from one process to the next: see `Darkroom.kept`."""

    def get(self, key: str) -> Mapping[str, NDArray[Any]] | None:
        """Return the arrays kept under a key, or None."""

    def put(self, key: str, arrays: Mapping[str, NDArray[Any]]) -> None:
        """Keep arrays under a key."""


class Darkroom:
    """Keeps rendered light, so that frames of one scene are not rendered twice.

    Parameters
    ----------
    keep
        How many scenes to keep in memory: at 1440 x 1080 each takes about 150 MB.

    Attributes
    ----------
    kept
        Where what was rendered is kept beyond this one; None keeps nothing. A class attribute.
    """

    kept: ClassVar[Kept | None] = None

    def __init__(self, keep: int = 1) -> None:
        self._keep = keep
        self._scenes: dict[tuple[Scene, View], dict[object, Mapping[str, NDArray[Any]]]] = {}

    def fields(self, recipe: Recipe) -> Fields:
        """Return the light of every lamp that fires in a frame, and the ambient light."""
        scene, view = recipe.scene, recipe.view

        def lit(lamp: Lamp) -> Mapping[str, NDArray[np.float32]]:
            return {"light": lamp_field(scene, view, self.surface(scene, view), lamp)}

        def room() -> Mapping[str, NDArray[Any]]:
            seen = self.surface(scene, view)
            ambient = ambient_field(view, seen, studio.AMBIENT)
            return {"ambient": ambient, "material": seen.material.reshape(view.shape)}

        found = self._part(scene, view, "room", room)
        lamps = {
            lamp.name: self._part(scene, view, lamp, partial(lit, lamp))["light"]
            for lamp in recipe.lamps
            if lamp.name in recipe.turns
        }
        return Fields(lamps, found["ambient"], found["material"])

    def surface(self, scene: Scene, view: View) -> Surface:
        """Return what each photosite sees."""

        def seen() -> Mapping[str, NDArray[Any]]:
            found = surface(scene, view)
            return {part.name: getattr(found, part.name) for part in dataclasses.fields(found)}

        return Surface(**self._part(scene, view, "surface", seen))

    def _part(
        self,
        scene: Scene,
        view: View,
        part: object,
        render: Callable[[], Mapping[str, NDArray[Any]]],
    ) -> Mapping[str, NDArray[Any]]:
        """Return a part of a scene from memory, from what is kept, or rendered.

        Of surfaces, which are large, only that of the still set is kept beyond this darkroom.
        """
        parts = self._scenes.get((scene, view))
        if parts is None:
            while len(self._scenes) >= self._keep:
                del self._scenes[next(iter(self._scenes))]
            parts = self._scenes[scene, view] = {}
        if part not in parts:
            kept = None if part == "surface" and scene != Scene() else self.kept
            key = repr((scene, view, part))
            found = None if kept is None else kept.get(key)
            if found is None:
                found = render()
                if kept is not None:
                    kept.put(key, found)
            parts[part] = found
        return parts[part]


def light_on_sensor(recipe: Recipe, fields: Fields) -> NDArray[np.float32]:
    """Return flash through the shutter plus ambient light, as it falls on the sensor.

    Returns
    -------
    ndarray
        Linear RGB, 1.0 at the named white, (height, width, 3) as the sensor lies.
    """
    settings = recipe.settings
    flash = recipe.view.as_sensor_lies(fields.flash(recipe.turns)) * np.float32(settings.flash_gain)
    flash = flash * recipe.shutter.share(flash.shape[0])[:, None, None]
    steady = recipe.view.as_sensor_lies(fields.ambient) * np.float32(settings.ambient_gain)
    return flash + steady


def expose(recipe: Recipe, fields: Fields, sensor: Sensor) -> Exposed:
    """Expose a frame: light, noise, ceiling."""
    due = sensor.signals(light_on_sensor(recipe, fields))
    return Exposed(due, *sensor.expose(due, np.random.default_rng(recipe.seed)))


def enlarged(light: NDArray[np.float32], shape: tuple[int, int]) -> NDArray[np.float32]:
    """Return light (rows, columns, 3) on more photosites: for benches of many megapixels."""
    factors = (shape[0] / light.shape[0], shape[1] / light.shape[1], 1.0)
    return ndimage.zoom(light, factors, order=1, mode="nearest", grid_mode=True)


def _solo(number: int, lamp: str, seconds: float) -> Recipe:
    return Recipe(
        f"F{number:04d}", f"The {lamp} lamp alone.", {lamp: 0.0}, role=lamp, seconds=seconds
    )


def _turned(**stops: float) -> dict[str, float]:
    return ON | {name.replace("_", " "): turn for name, turn in stops.items()}


def _without(lamp: str) -> dict[str, float]:
    return {name: stops for name, stops in ON.items() if name != lamp}


_CARD = Card(centre=(0.0, -0.08, 0.05), facing=direction(60.0, 35.0))
_HOT = (replace(studio.KEY, hot=studio.HOT), *studio.LAMPS[1:])
_AMBIENT_ON_CARD = studio.AMBIENT * (0.55 + 0.45 * _CARD.facing[1])
_CARD_TURN = float(np.log2((1.0 - _AMBIENT_ON_CARD) / (studio.KEY.meter / 11.0) ** 2))
"""Brings the card to f/11 by the meter, which reads ambient light and flash together."""

RECIPES = (
    Recipe(
        "F0001",
        "A grey card that faces the key, the key turned down to meter f/11: it sets mid-grey.",
        {"key": _CARD_TURN},
        role="grey",
        scene=Scene(pose=None, card=_CARD, chip_facing=None),
    ),
    Recipe("F0002", "Ambient light only: what the room adds.", {}, role="ambient", seconds=150),
    Recipe(
        "F0003",
        "A clean plate: the bare paper under its two lamps, nobody in front of it.",
        {"paper left": 0.0, "paper right": 0.0},
        role="plate",
        seconds=210,
        scene=Scene(pose=None),
    ),
    _solo(4, "key", 400),
    _solo(5, "fill", 460),
    _solo(6, "hair", 515),
    _solo(7, "paper left", 570),
    _solo(8, "paper right", 622),
    Recipe(
        "F0009",
        "The first frame under all lamps: the key is hot and blows the cheek and the jacket.",
        _turned(key=studio.KEY_HOT_TURN),
        seconds=760,
        cause="lamp",
    ),
    Recipe(
        "F0010",
        "The key turned down by 0.7 too much.",
        _turned(key=-0.7),
        seconds=800,
        cause="lamp",
    ),
    Recipe("F0011", "On plan.", role="reference", seconds=845),
    Recipe("F0012", "The hair lamp did not fire.", _without("hair"), seconds=849, cause="lamp"),
    Recipe(
        "F0013",
        "The right paper lamp 0.5 over.",
        _turned(paper_right=0.5),
        seconds=905,
        cause="lamp",
    ),
    Recipe("F0014", "No lamp fired: the trigger failed.", {}, seconds=930, cause="trigger"),
    Recipe(
        "F0015",
        "A hot centre on the cheek: its median is on plan, its brightest part nearly clips.",
        _turned(key=studio.HOT_TURN),
        seconds=990,
        lamps=_HOT,
        cause="lamp",
    ),
    Recipe(
        "F0016",
        "The sitter has moved a hand's breadth; the patches follow him.",
        seconds=1034,
        scene=Scene(pose=Pose(right=-0.08)),
    ),
    Recipe(
        "F0017",
        "The head has turned 10 degrees to the key: the cheek is over, no lamp is to blame.",
        seconds=1041,
        scene=Scene(pose=Pose(head_turn_deg=10.0)),
        cause="sitter",
    ),
    Recipe(
        "F0018",
        "The second look, in black, under the same lamps.",
        look="in black",
        seconds=1500,
        scene=Scene(wardrobe=BLACK),
    ),
    Recipe(
        "F0019",
        "The camera turned upright, the light untouched.",
        look="upright",
        seconds=1710,
        view=UPRIGHT,
    ),
    Recipe(
        "F0020",
        "The shutter knocked to 1/250: its second curtain's edge lies across the frame.",
        seconds=1790,
        settings=Settings(shutter=250),
        shutter=Shutter(covered=0.15),
        cause="camera",
    ),
    Recipe(
        "F0021",
        "On plan, but the file was cut short on its way.",
        seconds=1812,
        cut=0.4,
        cause="file",
    ),
)
