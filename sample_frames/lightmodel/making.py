"""Make the sample frames: every raw file, the plan and the truth, from nothing but the recipes."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from lightmodel import dngfile, expected, truth
from lightmodel.colour import MULTIPLIERS, WEIGHTS
from lightmodel.follow import moved_box
from lightmodel.frames import LEVEL, RECIPES, Darkroom, expose
from lightmodel.planfile import plan_text
from lightmodel.render import MID_GREY, surface
from lightmodel.scene import Scene
from lightmodel.sensor import Sensor
from lightmodel.sitter import Pose
from lightmodel.targets import BACKDROP, HAIR, LIT, LOOKS, SHADOW

if TYPE_CHECKING:
    from pathlib import Path

    from lightmodel.frames import Exposed, Recipe
    from lightmodel.render import Fields, Surface
    from lightmodel.targets import Targets
    from lightmodel.truth import Light

_DIGITS = 6


class Maker:
    """Makes frames one after the other, keeping what they share."""

    def __init__(self, sensor: Sensor | None = None) -> None:
        self.sensor = sensor or Sensor()
        self._darkroom = Darkroom()
        self._still: Surface | None = None

    def make(self, recipe: Recipe) -> tuple[Exposed, dict[str, Any]]:
        """Return one frame's exposure and what is true of it."""
        fields = self._darkroom.fields(recipe)
        exposed = expose(recipe, fields, self.sensor)
        told = _told(recipe)
        if recipe.cut is None:
            told |= self._figures(recipe, fields, exposed)
        return exposed, told

    def _figures(self, recipe: Recipe, fields: Fields, exposed: Exposed) -> dict[str, Any]:
        light = truth.light_of(exposed, fields.material, self.sensor, recipe.view)
        targets = LOOKS[recipe.look]
        clipping = truth.clipping(light)
        outside = (*targets.may_clip, *(patch.box for patch in targets.patches))
        clipping["largest_outside"] = truth.largest_outside(light, outside)
        told: dict[str, Any] = {
            "clipping": clipping,
            "backdrop": truth.backdrop(light, targets.backdrop or BACKDROP.boxes),
        }
        if recipe.scene.pose is None:
            return told | _card(light, recipe)
        told["patches"] = self._patches(light, recipe, targets)
        zones = {name: figures["zone"] for name, figures in told["patches"].items()}
        told["ratio_stops"] = zones[LIT] - zones[SHADOW]
        told["hair_over_backdrop_stops"] = zones[HAIR] - told["backdrop"]["zone"]
        told |= _verdict(told | _told(recipe), recipe, targets)
        if recipe.look is not None and recipe.view == LEVEL:
            told["without_look"] = self._without_look(light, told, recipe)
        return told

    def _without_look(self, light: Light, told: dict[str, Any], recipe: Recipe) -> dict[str, Any]:
        """Return the verdict that falls when nobody says that the look has changed."""
        own = LOOKS[None]
        return _verdict(
            told | _told(recipe) | {"patches": self._patches(light, recipe, own)}, recipe, own
        )

    def _patches(self, light: Light, recipe: Recipe, targets: Targets) -> dict[str, Any]:
        pose = recipe.scene.pose or Pose()
        found: dict[str, Any] = {}
        for patch in targets.patches:
            box = patch.box if pose == Pose() else moved_box(patch, recipe.view, self.still, pose)
            found[patch.name] = {"box": list(box)} | truth.patch(light, patch, box)
            if box != patch.box:
                found[patch.name]["unmoved"] = truth.patch(light, patch, patch.box)
        return found

    @property
    def still(self) -> Surface:
        """What each photosite sees of the sitter as the plan has him."""
        if self._still is None:
            self._still = surface(Scene(), LEVEL)
        return self._still


def make_all(folder: Path) -> dict[str, Any]:
    """Write every frame, `plan.toml` and `truth.json` into a folder; return the truth."""
    maker = Maker()
    frames = {}
    for recipe in RECIPES:
        exposed, told = maker.make(recipe)
        dngfile.write(folder / f"{recipe.name}.dng", exposed.mosaic, recipe, maker.sensor)
        frames[f"{recipe.name}.dng"] = told
    whole = header(maker.sensor) | {"frames": frames}
    (folder / "plan.toml").write_text(plan_text(), encoding="utf-8", newline="\n")
    text = json.dumps(rounded(whole), indent=1, ensure_ascii=False)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")
    return whole


def header(sensor: Sensor) -> dict[str, Any]:
    """Return what is true of every frame."""
    return {
        "schema": 1,
        "plan": "plan.toml",
        "mid_grey": float(MID_GREY),
        "black": list(sensor.black),
        "white": sensor.white,
        "multipliers": [float(part) for part in MULTIPLIERS],
        "luminance_weights": [float(part) for part in WEIGHTS],
        "electrons_per_level": sensor.electrons_per_level,
        "read_noise_e": sensor.read_noise_e,
    }


def rounded(value: Any) -> Any:
    """Return a JSON value with its floats cut to what matters."""
    if isinstance(value, dict):
        return {key: rounded(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(part) for part in value]
    return round(float(value), _DIGITS) if isinstance(value, float | np.floating) else value


def _told(recipe: Recipe) -> dict[str, Any]:
    pose = recipe.scene.pose
    return {
        "shows": recipe.shows,
        "role": recipe.role,
        "look": recipe.look,
        "taken": (dngfile.FIRST_FRAME + timedelta(seconds=recipe.seconds)).isoformat(),
        "settings": asdict(recipe.settings),
        "orientation": recipe.view.orientation,
        "lamps": {lamp.name: _lamp(recipe, lamp.name) for lamp in recipe.lamps},
        "sitter": None if pose is None else asdict(pose),
        "shutter": asdict(recipe.shutter),
        "verdict": "unreadable" if recipe.cut else None,
        "cause": recipe.cause,
        "failing": [],
        "close": [],
    }


def _lamp(recipe: Recipe, name: str) -> dict[str, Any]:
    stops = recipe.turns.get(name)
    return {"stops": stops, "state": "out" if stops is None else "fired"}


def _card(light: Light, recipe: Recipe) -> dict[str, Any]:
    if recipe.scene.card is None:
        return {}
    rows, columns = truth.window(CARD_BOX, light.luminance.shape)
    level = float(np.median(light.luminance[rows, columns]))
    return {"card": {"box": list(CARD_BOX), "level": level, "zone": truth.zone(level)}}


def _verdict(told: dict[str, Any], recipe: Recipe, targets: Targets) -> dict[str, Any]:
    if recipe.role not in {None, "reference"}:
        return {}
    found = expected.checks(told, targets, recipe.settings)
    failing = [check.to_json() for check in found if check.fails]
    close = [check.to_json() for check in found if check.close]
    verdict = "off plan" if failing else "on plan"
    return {"verdict": verdict, "failing": failing, "close": close}


CARD_BOX = (0.48, 0.34, 0.52, 0.42)
"""Where the grey card is read."""
