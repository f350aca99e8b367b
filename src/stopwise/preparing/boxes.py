"""Boxes against a frame: which cover two materials, and where they fall."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.cells import cells_of
from stopwise.measurement.split import two_materials
from stopwise.plan.doubts import Doubt
from stopwise.raw import decode
from stopwise.raw.bounds import in_bounds

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from stopwise.cells import Cells
    from stopwise.frame import Box
    from stopwise.plan.model import Plan
    from stopwise.plan.places import Path as KeyPath

_MIXED = {"hair", "metal"}
"""Materials that are of two tones by nature."""


def doubts_in(frame: Path) -> Callable[[Plan], Iterable[Doubt]]:
    """Return a check of a plan's boxes against a frame.

    Raises
    ------
    Unreadable, PathMissing
        When it is called, if the frame gives no trustworthy pixels or isn't there.
    """

    def doubts(plan: Plan) -> tuple[Doubt, ...]:
        cells = cells_of(in_bounds(decode, frame), balance=plan.camera.balance)
        return tuple(box_doubts(plan, cells, frame.name))

    return doubts


def box_doubts(plan: Plan, cells: Cells, name: str) -> Iterator[Doubt]:
    """Find boxes that cover two materials in a frame called `name`."""
    for path, box, told in _boxes(plan):
        found = two_materials(cells, box)
        if found:
            seen = {"by": found.by, "stops": found.stops, "smaller": found.smaller}
            yield Doubt(path, "two_materials", {"box": told, "frame": name, **seen})


def _boxes(plan: Plan) -> Iterator[tuple[KeyPath, Box, str]]:
    for index, patch in enumerate(plan.patches):
        if patch.material not in _MIXED:
            yield ("patch", index, "box"), patch.box, patch.name
    for index, box in enumerate(plan.backdrop.boxes if plan.backdrop else ()):
        yield ("backdrop", "boxes", index), box, f"box {index + 1} of the backdrop"
