"""A made shoot in a folder: solos, ambient, reference and frames whose turns are known."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

from lightmodel import dngfile
from lightmodel.frames import Settings
from lightmodel.shoots import Shoot
from lightmodel.view import View

SAMPLES = Path(__file__).parents[2] / "sample_frames"
SOLOS = {
    "key": "F0004.dng",
    "fill": "F0005.dng",
    "hair": "F0006.dng",
    "paper left": "F0007.dng",
    "paper right": "F0008.dng",
}
VIEW = View(width=480, height=360)


class MadeShoot:
    """The sample plan's set at a small size, its own frames written beside the plan."""

    def __init__(self, folder: Path, *, solos: bool = True, shoot: Shoot | None = None) -> None:
        self.folder = folder
        self.shoot = shoot or Shoot(view=VIEW)
        self.plan = Path(shutil.copy(SAMPLES / "plan.toml", folder))
        if solos:
            self._write("F0002.dng", self.shoot.ambient())
            for lamp, name in SOLOS.items():
                self._write(name, self.shoot.solo(lamp))
        self._write("F0011.dng", self.shoot.frame())

    @property
    def reference(self) -> Path:
        """The frame with every lamp as in its solo."""
        return self.folder / "F0011.dng"

    def frame(self, name: str, turns: dict[str, float] | None = None, **changes: Any) -> Path:
        """Write a frame whose lamps are turned so, all others as in their solos."""
        lit = dict.fromkeys(self.shoot.names, 0.0) | (turns or {})
        return self._write(name, self.shoot.frame(lit, **changes))

    def _write(self, name: str, shot: Any) -> Path:
        path = self.folder / name
        dngfile.write(path, shot.exposed.mosaic, shot.recipe, shot.sensor)
        return path


def settings(**changes: Any) -> Settings:
    """Return camera settings that differ from the plan's."""
    return replace(Settings(), **changes)
