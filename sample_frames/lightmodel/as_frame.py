"""Made exposures as decoded frames, for tests that want no file between light and measuring.

The one module of the light model that knows the package.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from lightmodel.colour import MULTIPLIERS, NEUTRAL, XYZ_TO_CAMERA
from lightmodel.dngfile import FIRST_FRAME, LENS
from stopwise.frame import Camera, Exposure, Frame, NamedLevels

if TYPE_CHECKING:
    from lightmodel.frames import Exposed, Recipe
    from lightmodel.sensor import Sensor
    from lightmodel.shoots import Shot


def as_frame(shot: Shot) -> Frame:
    """Return a shot as the decoder would."""
    return frame_of(shot.exposed, shot.recipe, shot.sensor)


def frame_of(exposed: Exposed, recipe: Recipe, sensor: Sensor) -> Frame:
    """Return one exposure of a Bayer sensor as the decoder would."""
    white = float(sensor.white)
    balance = tuple(float(part) for part in MULTIPLIERS)
    taken = FIRST_FRAME + timedelta(seconds=recipe.seconds)
    return Frame(
        path=Path(f"{recipe.name}.dng"),
        mosaic=exposed.mosaic,
        pattern=np.asarray(sensor.pattern, np.uint8),
        colours=("R", "G", "B", "G2"),
        levels=NamedLevels(sensor.black, (white,) * 4, "white", white),
        orientation=recipe.view.orientation,
        daylight=(balance[0], balance[1], balance[2]),
        as_shot=(1.0 / NEUTRAL[0], 1.0, 1.0 / NEUTRAL[2]),
        xyz_to_camera=XYZ_TO_CAMERA,
        camera=Camera("Lumenfold", "LF-1", LENS),
        exposure=Exposure(
            iso=float(recipe.settings.iso),
            f_number=recipe.settings.f_number,
            shutter_s=1.0 / recipe.settings.shutter,
            taken=taken.isoformat(),
        ),
        bits=sensor.bits,
    )
