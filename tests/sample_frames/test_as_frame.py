"""Made shots as decoded frames: what the decoder reads from the file of the same shot."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from lightmodel import dngfile
from lightmodel.as_frame import as_frame
from lightmodel.shoots import Shoot
from lightmodel.view import View
from stopwise.raw import decode

if TYPE_CHECKING:
    from pathlib import Path

SMALL = View(width=320, height=240, orientation=6)


def test_a_shot_as_a_frame_is_what_the_decoder_reads_from_its_file(tmp_path: Path) -> None:
    shot = Shoot(view=SMALL).frame()
    path = tmp_path / "shot.dng"
    dngfile.write(path, shot.exposed.mosaic, shot.recipe, shot.sensor)
    read, made = decode(path), as_frame(shot)
    assert np.array_equal(read.mosaic, made.mosaic)
    assert np.array_equal(read.pattern, made.pattern)
    assert (read.colours, read.orientation, read.size) == (
        made.colours,
        made.orientation,
        made.size,
    )
    assert read.levels.black == pytest.approx(made.levels.black)
    assert read.levels.anchor == pytest.approx(made.levels.anchor)
    assert read.daylight == pytest.approx(made.daylight, rel=1e-3)
    assert read.xyz_to_camera is not None
    assert made.xyz_to_camera is not None
    scale = read.xyz_to_camera[1, 1] / made.xyz_to_camera[1, 1]
    assert np.abs(read.xyz_to_camera - scale * made.xyz_to_camera).max() < 2e-3
    assert read.camera == made.camera
    assert read.exposure.shutter_s == pytest.approx(made.exposure.shutter_s)
