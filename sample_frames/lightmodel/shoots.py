"""Made shoots: sets of random lamps, their solos, and frames whose turns and moves are known.

Each is rendered by the light model at a modest size, so that statistics over hundreds of frames
stay cheap. The boxes of `lightmodel.targets` fit every shoot, since the camera stands where it does
for the sample frames.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from lightmodel import studio, truth
from lightmodel.follow import moved_box
from lightmodel.frames import Darkroom, Exposed, Recipe, expose
from lightmodel.lamps import Lamp, placed
from lightmodel.scene import Scene
from lightmodel.sensor import Sensor
from lightmodel.sitter import Pose
from lightmodel.targets import BACKDROP, WHITE
from lightmodel.view import View

if TYPE_CHECKING:
    from collections.abc import Mapping

    from lightmodel.targets import Patch

SMALL = View(width=320, height=240)
_SCENES_KEPT = 3


@dataclass(frozen=True, eq=False, slots=True)
class Shot:
    """One exposure of a shoot and what is true of it.

    Attributes
    ----------
    recipe
        Turns, pose, settings, shutter and view that it was made with.
    exposed
        Mosaic, what the sensor was due, and which photosites clipped.
    sensor
        Levels and noise.
    material
        What each photosite sees, upright.
    """

    recipe: Recipe
    exposed: Exposed
    sensor: Sensor
    material: np.ndarray[Any, np.dtype[np.uint8]]

    @property
    def turns(self) -> Mapping[str, float]:
        """Stops that each lamp that fired was turned from its solo."""
        return self.recipe.turns

    @property
    def light(self) -> truth.Light:
        """The frame without noise, cell by cell."""
        return truth.light_of(self.exposed, self.material, self.sensor, self.recipe.view)


@dataclass
class Shoot:
    """A set of lamps and a sitter, ready to be shot.

    Attributes
    ----------
    lamps
        The set.
    view, sensor
        The camera.
    seed
        Of the noise; each shot takes the next.
    """

    lamps: tuple[Lamp, ...] = studio.LAMPS
    view: View = SMALL
    sensor: Sensor = field(default_factory=Sensor)
    seed: int = 0
    _darkroom: Darkroom = field(default_factory=lambda: Darkroom(_SCENES_KEPT), repr=False)

    @property
    def names(self) -> tuple[str, ...]:
        """The lamps' names."""
        return tuple(lamp.name for lamp in self.lamps)

    def solo(self, lamp: str, **changes: Any) -> Shot:
        """Return a frame with one lamp lit, at the power of the plan."""
        return self.frame({lamp: 0.0}, **changes)

    def ambient(self, **changes: Any) -> Shot:
        """Return a frame with no lamp lit."""
        return self.frame({}, **changes)

    def plate(self, **changes: Any) -> Shot:
        """Return the set under all lamps without the sitter."""
        return self.frame(scene=Scene(pose=None), **changes)

    def frame(self, turns: Mapping[str, float] | None = None, **changes: Any) -> Shot:
        """Return one frame.

        Parameters
        ----------
        turns
            The lamps that fire, each with its stops from its solo; all at 0 when None.
        changes
            Any other field of `Recipe`: scene (with its pose), settings, shutter, ...
        """
        self.seed += 1
        lit = dict.fromkeys(self.names, 0.0) if turns is None else dict(turns)
        recipe = replace(
            Recipe(f"F{self.seed:04d}", "A made frame.", lit, view=self.view, lamps=self.lamps),
            **changes,
        )
        fields = self._darkroom.fields(recipe)
        return Shot(recipe, expose(recipe, fields, self.sensor), self.sensor, fields.material)

    def moved(self, right_m: float = 0.0, up_m: float = 0.0, head_turn_deg: float = 0.0) -> Scene:
        """Return the scene with the sitter moved, for `frame(scene=...)`."""
        return Scene(pose=Pose(right=right_m, up=up_m, head_turn_deg=head_turn_deg))

    def patches(self, shot: Shot, patches: tuple[Patch, ...] = WHITE.patches) -> dict[str, Any]:
        """Return the true figures of patches that follow the sitter, with their boxes."""
        light, pose = shot.light, shot.recipe.scene.pose or Pose()
        still = self._darkroom.surface(Scene(), self.view)
        boxes = {patch.name: moved_box(patch, self.view, still, pose) for patch in patches}
        return {
            patch.name: {"box": boxes[patch.name]} | truth.patch(light, patch, boxes[patch.name])
            for patch in patches
        }

    def backdrop(self, shot: Shot) -> dict[str, float]:
        """Return how the paper truly lies."""
        return truth.backdrop(shot.light, BACKDROP.boxes)


def made_shoot(seed: int, *, view: View = SMALL, sensor: Sensor | None = None) -> Shoot:
    """Return a shoot whose lamps stand, spread and shine a little differently for each seed.

    Lamps move by up to 8 degrees round and up and 10 % in distance, their readings by 0.4 stop,
    their cones by 8 %; always the same for one seed.
    """
    rng = np.random.default_rng(seed)
    lamps = tuple(_jogged(lamp, rng) for lamp in studio.LAMPS)
    return Shoot(lamps, view, sensor or Sensor(), seed * 1000)


def hidden_turns(shoot: Shoot, seed: int, *, limit_stops: float = 2.0) -> dict[str, float]:
    """Return random turns for every lamp of a shoot, within plus or minus a limit."""
    rng = np.random.default_rng(seed)
    return {name: float(rng.uniform(-limit_stops, limit_stops)) for name in shoot.names}


def _jogged(lamp: Lamp, rng: np.random.Generator) -> Lamp:
    x, y, z = (place - at for place, at in zip(lamp.position, lamp.aim, strict=True))
    distance = lamp.throw_m * float(rng.uniform(0.9, 1.1))
    round_ = float(np.degrees(np.arctan2(x, z)) + rng.uniform(-8.0, 8.0))
    up = float(np.degrees(np.arctan2(y, np.hypot(x, z))) + rng.uniform(-8.0, 8.0))
    meter = lamp.meter * float(2.0 ** rng.uniform(-0.2, 0.2))
    half_angle = lamp.beam.half_angle_deg * float(rng.uniform(0.92, 1.08))
    beam = replace(lamp.beam, half_angle_deg=half_angle)
    return replace(lamp, position=placed(lamp.aim, round_, up, distance), meter=meter, beam=beam)
