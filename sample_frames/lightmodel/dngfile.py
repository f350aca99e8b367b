"""Write one exposed frame as the raw file of our invented camera."""

from __future__ import annotations

from datetime import datetime, timedelta
from fractions import Fraction
from typing import TYPE_CHECKING

from lightmodel.colour import NEUTRAL, XYZ_TO_CAMERA
from lightmodel.dng import DngExif, DngSpec, write_dng

if TYPE_CHECKING:
    from pathlib import Path

    from lightmodel.frames import Recipe
    from lightmodel.sensor import Mosaic, Sensor

FIRST_FRAME = datetime(2026, 3, 2, 10, 0, 0)  # noqa: DTZ001 - Exif times are local, without a zone
LENS = "LF 85 mm f/2"


def write(path: Path, mosaic: Mosaic, recipe: Recipe, sensor: Sensor) -> None:
    """Write a frame losslessly compressed, and cut it where its recipe says so."""
    black = [[sensor.black[colour] for colour in row] for row in sensor.pattern]
    spec = DngSpec(
        black=black,
        white=int(sensor.white),
        bits=sensor.bits,
        orientation=recipe.view.orientation,
        color_matrix=XYZ_TO_CAMERA,
        as_shot_neutral=tuple(float(round(part, 6)) for part in NEUTRAL),
        exif=DngExif(
            iso=recipe.settings.iso,
            f_number=recipe.settings.f_number,
            shutter_s=Fraction(1, recipe.settings.shutter),
            taken=FIRST_FRAME + timedelta(seconds=recipe.seconds),
            lens=LENS,
        ),
    )
    write_dng(path, mosaic, spec=spec)
    if recipe.cut is not None:
        whole = path.read_bytes()
        path.write_bytes(whole[: int(len(whole) * recipe.cut)])
