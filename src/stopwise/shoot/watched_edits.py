"""Edits of a plan that its watch goes by: a frame adopted or marked, and either taken back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from stopwise.errors import WrongUse
from stopwise.frame import CameraKey
from stopwise.plan import load_plan
from stopwise.plan.draft import open_draft, undo_edit
from stopwise.plan.kinds import OPEN
from stopwise.plan.model import SINGLE_ROLES
from stopwise.plan.now import plan_now, stays_with_the_set
from stopwise.preparing.marks import MARK, name_beside
from stopwise.shoot.adopting import ADOPT, adopted, with_reference
from stopwise.shoot.look_frames import (
    forget_solo,
    keep_adopted,
    keep_solo,
    put_references_back,
    reference_of,
    references_now,
    solo_looks,
)
from stopwise.shoot.standing import worn_and_lit

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from stopwise.frame import Box, Held
    from stopwise.ledger import Kept, Ledger
    from stopwise.plan.model import ClipPlan, Patch, Plan
    from stopwise.record import Record
    from stopwise.shoot.adopting import Change, Choice

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


_LAST_MARK = "last mark"


def adopt_frame(
    ledger: Ledger,
    record: Record,
    plan: Path,
    *,
    frame: Path,
    choice: Choice | None = None,
) -> tuple[Change, ...]:
    """Make a frame's figures the targets, and tell the watch, which begins a take.

    Parameters
    ----------
    ledger
        The watch's; one in memory where no watch goes by the plan.
    record
        The frame's record; its `look` says whose targets change.
    plan, frame
        The files.
    choice
        What of it is adopted; None for all.

    Returns
    -------
    tuple of Change
        What was written.

    Raises
    ------
    WrongUse
        If nothing in it differs from its target, or the plan was changed meanwhile.
    PlanError, PathMissing
        If the plan is wrong or isn't there.
    """
    look = record.look
    draft, changes = adopted(open_draft(plan), record, choice)
    if not changes:
        msg = f"Nothing that is seen in {frame.name} differs from its target."
        raise WrongUse(msg)
    if reference_of(ledger, look) is None:
        draft = with_reference(draft, record, name_beside(frame, draft.file))
    draft.save(what=ADOPT)
    body = {"file": frame.name, "look": look, "lamps": record.to_json()["lamps"]}
    ledger.orders.say("adopt", {**body, "before": references_now(ledger, look)})
    keep_adopted(ledger, look, frame)
    return changes


def begin_look(ledger: Ledger, plan: Path, name: str) -> NewLook:
    """Make a look of the boxes that hold now, and have the watch wear it from the next frame on.

    A look for a turned camera is chosen by itself and isn't worn.

    Raises
    ------
    WrongUse, PlanError, PathMissing
        See :func:`make_look`.
    """
    worn, _ = worn_and_lit(ledger)
    newest = next(iter(ledger.frames.all(last=1)), None)
    made = make_look(plan, name, worn=worn, last=None if newest is None else newest.record)
    if made.held is None:
        ledger.orders.say("look", made.name)
    return made


def note_mark(ledger: Ledger, part: str, kept: Kept | None, plan: Path) -> None:
    """Keep that a frame plays a part now; a solo with the look in which it was shot.

    Of a frame that was shot over the ledger keeps where the body's photosites stop.

    Parameters
    ----------
    ledger
        The watch's.
    part
        grey, ambient, plate, reference, clip, or the name of a lamp: its solo.
    kept
        The frame as the ledger has it; None where the watch hasn't seen it, and then nobody
        knows its look: it counts as the plan's own.
    plan
        The plan file, as marked.
    """
    looks = solo_looks(ledger)
    before = [looks[part]] if part in looks else []
    ledger.settings.set(_LAST_MARK, {"part": part, "before": before})
    if part not in SINGLE_ROLES:
        keep_solo(ledger, part, None if kept is None else kept.record.look)
    if part == "clip" and kept is not None:
        teach_clip(ledger, kept.record, kept.sha256, load_plan(plan).camera.clip)


def teach_clip(ledger: Ledger, record: Record, sha256: str, clip: ClipPlan | None) -> None:
    """Keep in the ledger where a body's photosites stop, as a frame shot over showed it."""
    camera, exposure = record.camera, record.exposure
    if clip is None or camera is None:
        return
    iso = 0.0 if exposure is None or exposure.iso is None else exposure.iso
    body = (camera.make or "", camera.model or "", iso, clip.white)
    ledger.levels.teach(
        sha256, {CameraKey(*body, name): level for name, level in clip.level.items()}
    )


def undo_last(ledger: Ledger, plan: Path, *, what: str = "") -> str:
    """Take back the last edit of the plan, and what the watch made of it.

    Parameters
    ----------
    ledger
        The watch's; one in memory where no watch goes by the plan.
    plan
        The plan file.
    what
        How that edit must be called; "" for whichever it was.

    Returns
    -------
    str
        How the edit was called.

    Raises
    ------
    WrongUse
        If there is nothing to undo, or the plan was changed by hand since.
    """
    done = undo_edit(plan, what=what)
    if done == ADOPT:
        _undo_adoption(ledger)
    elif done == MARK:
        _undo_mark(ledger)
    return done


def _undo_adoption(ledger: Ledger) -> None:
    """Put the look's frames back, and have a watch that began a take for it go on with the last."""
    order = ledger.orders.undo("adopt")
    if order is None:
        return
    put_references_back(ledger, order.body.get("look"), order.body.get("before") or {})
    if order.done_ns is not None:
        ledger.orders.say("unadopt", order.body["file"])


def _undo_mark(ledger: Ledger) -> None:
    last = ledger.settings.get(_LAST_MARK)
    if not last:
        return
    part = last["part"]
    if part == "clip":
        ledger.levels.unteach()
    if part not in SINGLE_ROLES and last["before"]:
        keep_solo(ledger, part, last["before"][0])
    elif part not in SINGLE_ROLES:
        forget_solo(ledger, part)
    ledger.settings.set(_LAST_MARK, None)
