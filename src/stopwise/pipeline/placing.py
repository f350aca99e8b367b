"""Where the sitter stands now, as the patches say that were found again."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from stopwise.lamps.fieldcells import Hint

if TYPE_CHECKING:
    from stopwise.measurement.measurement import Box, Measurement
    from stopwise.plan.now import PlanNow


def place_of(measurement: Measurement, targets: PlanNow) -> Hint | None:
    """Return how far the sitter is from where the plan's boxes have him, fractions of the picture.

    Parameters
    ----------
    measurement
        With the patches that were followed.
    targets
        With the boxes that they were drawn in.

    Returns
    -------
    Hint or None
        The median over the patches that were found; None where none was.
    """
    moves = [
        _move(patch.box, reading.box)
        for patch in targets.measured
        if patch.follow
        and (reading := measurement.patches.get(patch.name)) is not None
        and reading.score is not None
        and reading.zone is not None
    ]
    if not moves:
        return None
    return Hint(float(median(dx for dx, _ in moves)), float(median(dy for _, dy in moves)))


def _move(then: Box, now: Box) -> tuple[float, float]:
    dx = (now[0] + now[2] - then[0] - then[2]) / 2.0
    dy = (now[1] + now[3] - then[1] - then[3]) / 2.0
    return dx, dy
