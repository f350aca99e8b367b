"""The light of one of the plan's own frames, with all that predicting clipping needs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.measurement import Known, read
from stopwise.pipeline.brief import levels_of
from stopwise.raw import decode

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.grid import LightGrid
    from stopwise.pipeline.brief import LevelTable
    from stopwise.plan.now import PlanNow


def read_light(
    path: Path, targets: PlanNow, *, look: str | None = None, learned: LevelTable | None = None
) -> LightGrid:
    """Decode one frame and return its light, with the cells of the patches that hold now.

    Parameters
    ----------
    path
        The raw file.
    targets
        What holds now.
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
    return read(frame, targets.plan, look=look, known=known, tails=True).grid
