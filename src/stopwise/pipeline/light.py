"""A frame's cells as the lamps room wants them: linear light by colour, on blocks and patches."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.balance import srgb_matrix
from stopwise.lamps.reduced import reduce_light
from stopwise.measurement import Known, read
from stopwise.pipeline.brief import levels_of
from stopwise.raw import decode

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from stopwise.cells import Cells
    from stopwise.frame import Box, Frame
    from stopwise.lamps.reduced import LightPicture
    from stopwise.measurement.patches import Ground
    from stopwise.pipeline.brief import LevelTable
    from stopwise.plan.now import PlanNow


def light_of(
    frame: Frame,
    ground: Ground,
    *,
    boxes: Mapping[str, Box],
    tails: bool = False,
) -> LightPicture:
    """Return a frame's light, reduced.

    Parameters
    ----------
    frame, ground
        The frame, its cells, and where its photosites stop.
    boxes
        Patches whose own cells are kept, by name.
    tails
        Whether clipping is to be predicted from it.
    """
    cells, channels = ground.cells, ground.cells.channels
    none = np.zeros(cells.shape, dtype=bool)
    picture = reduce_light(
        _Balanced(cells),
        ceiling=cells.ceiling(ground.levels.saturation),
        weights=cells.weights if len(channels) > 1 else (1.0,),
        clipped=none if ground.clipped is None else ground.clipped.any,
        boxes=boxes,
        tails=tails,
    )
    matrix = srgb_matrix(frame.xyz_to_camera, cells.multipliers) if len(channels) > 1 else None
    return replace(
        picture,
        camera=frame.camera,
        exposure=frame.exposure,
        to_srgb=None if matrix is None else tuple(map(tuple, matrix.tolist())),
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Balanced:
    """The balanced signals of a frame's channels, made part by part as they are asked for."""

    cells: Cells

    @property
    def shape(self) -> tuple[int, int, int]:
        return (len(self.cells.channels), *self.cells.shape)

    def __getitem__(self, part: tuple[slice, slice, slice]) -> NDArray[np.float32]:
        channels, rows, columns = part
        names = self.cells.channels[channels]
        return np.stack([self.cells.signal(name, (rows, columns)) for name in names])


def read_light(
    path: Path, targets: PlanNow, *, look: str | None = None, learned: LevelTable | None = None
) -> LightPicture:
    """Decode one frame and return its light, with all that predicting clipping needs.

    Parameters
    ----------
    path
        The raw file.
    targets
        What holds now: its patches' own cells are kept.
    look
        Name of the look that is worn.
    learned
        Where cameras' photosites stop, as the ledger has learned.

    Raises
    ------
    PathMissing, Unreadable
        If it isn't there, or gives no pixels.
    """
    frame = decode(path)
    known = Known(learned=levels_of(frame, learned or {}))
    reading = read(frame, targets.plan, look=look, known=known)
    return light_of(
        frame,
        reading.ground,
        boxes={patch.name: patch.box for patch in targets.measured},
        tails=True,
    )
