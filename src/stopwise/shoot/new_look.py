"""A look that is made on set: the boxes of what is worn, their zones open until one is adopted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from stopwise.errors import WrongUse
from stopwise.plan.draft import open_draft
from stopwise.plan.kinds import OPEN
from stopwise.plan.now import plan_now, stays_with_the_set

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from stopwise.frame import Box, Held
    from stopwise.plan.model import Patch, Plan
    from stopwise.record import Record

LOOK = "look"
"""How the edit is called, so that it can be undone as such."""

_KEPT = ("name", "box", "material", "follow", "still", "must_see", "lit_by")
"""Keys of a patch that a new look takes over; its tolerances are its material's again."""

_LEAST_LEFT = 0.5
"""Share of a box that must lie in the picture of a turned camera, so that it still shows the thing
that it was drawn on: over half of it."""


@dataclass(frozen=True, slots=True)
class NewLook:
    """A look that was written into the plan.

    Attributes
    ----------
    name
        Its name.
    patches
        Names of its patches, whose zones are open.
    held
        How the camera must be held for it, where that isn't as for the plan's own boxes.
    """

    name: str
    patches: tuple[str, ...]
    held: Held | None = None

    @property
    def words(self) -> str:
        """What was made, and what comes next."""
        copied = f"Look {self.name} has {', '.join(self.patches)}, zones open"
        if self.held is None:
            return f"{copied}: shoot, then adopt."
        return f"{copied}, for the camera {self.held}: look where its boxes lie, then adopt."


def make_look(plan: Path, name: str, *, worn: str | None = None, last: Record | None) -> NewLook:
    """Write a new look into a plan: the boxes of the worn one, with zones that are open.

    Parameters
    ----------
    plan
        The plan file.
    name
        The new look's name.
    worn
        The look that is worn; None, or one that the plan has no more, for its own patches.
    last
        The newest frame. Where the plan had no boxes for how the camera was held for it, the look
        is made for that: the boxes lie where the camera, turned about its lens, puts them.

    Raises
    ------
    WrongUse
        If there is such a look already, or nothing to copy.
    PlanError, PathMissing
        If the plan is wrong, becomes wrong by the name, or isn't there.
    """
    draft = open_draft(plan)
    worn = worn if draft.plan.look(worn) is not None else None
    names = {one.name.casefold(): one.name for one in draft.plan.looks}
    if name.casefold() in names:
        msg = f'There is a look "{names[name.casefold()]}" already. Wear it without --new.'
        raise WrongUse(msg)
    is_turned = last is not None and last.reason is not None and last.reason.code == "no_boxes"
    held = cast("Held", last.reason.of[0]) if last and last.reason and is_turned else None
    size = last.size if last is not None and held is not None else None
    boxes = _boxes(draft.plan, worn, size)
    if not boxes:
        msg = "There is no box of the sitter to copy. Draw patches first: plan patch, or the page."
        raise WrongUse(msg)
    of = {"of": worn} if worn is not None and held is not None else {}
    orientation = {"orientation": held} if held is not None else {}
    draft = draft.add(("look",), {"name": name, **of, **orientation})
    number = len(draft.plan.looks) - 1
    for patch, box in boxes:
        kept = {key: getattr(patch, key) for key in _KEPT}
        stated = {key: value for key, value in kept.items() if value not in (None, False, ())}
        draft = draft.add(("look", number, "patch"), stated | {"box": list(box), "zone": OPEN})
    paper = draft.plan.backdrop
    if paper is not None and size is not None:
        places = [list(place) for one in paper.boxes if (place := turned_box(one, size))]
        if places:
            draft = draft.set(("look", number, "backdrop", "boxes"), places)
    draft.save(what=LOOK)
    return NewLook(name, tuple(patch.name for patch, _ in boxes), held)


def _boxes(plan: Plan, worn: str | None, size: tuple[int, int] | None) -> list[tuple[Patch, Box]]:
    """Return the patches to copy with their boxes: all of a turned picture, else the sitter's."""
    patches: Iterable[Patch] = plan_now(plan, look=worn).measured
    if size is None:
        return [(patch, patch.box) for patch in patches if not stays_with_the_set(patch)]
    turned = ((patch, turned_box(patch.box, size)) for patch in patches)
    return [(patch, box) for patch, box in turned if box is not None]


def turned_box(box: Box, size: tuple[int, int]) -> Box | None:
    """Return where a box lies once the camera was turned by a right angle about its lens.

    Parameters
    ----------
    box
        In the picture of before, fractions.
    size
        Width and height of the picture now, photosites; before they were the other way round.

    Returns
    -------
    Box or None
        The scene keeps its size in photosites and its place about the middle. Cut at the picture's
        edges; None where half of it or more lies beyond them.
    """
    width, height = size
    across, down = height / width, width / height
    x0, y0, x1, y1 = (
        0.5 + (edge - 0.5) * factor for edge, factor in zip(box, (across, down) * 2, strict=True)
    )
    left, top, right, bottom = (round(min(max(edge, 0.0), 1.0), 4) for edge in (x0, y0, x1, y1))
    inside = max(right - left, 0.0) * max(bottom - top, 0.0)
    if inside <= _LEAST_LEFT * (x1 - x0) * (y1 - y0):
        return None
    return (left, top, right, bottom)
