"""Edits of a plan that its watch goes by: a frame adopted or marked, and either taken back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.errors import WrongUse
from stopwise.frame import CameraKey
from stopwise.plan import load_plan
from stopwise.plan.draft import open_draft, undo_edit
from stopwise.plan.model import SINGLE_ROLES
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
from stopwise.shoot.new_look import make_look
from stopwise.shoot.standing import worn_and_lit

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.ledger import Kept, Ledger
    from stopwise.plan.model import ClipPlan
    from stopwise.record import Record
    from stopwise.shoot.adopting import Change, Choice
    from stopwise.shoot.new_look import NewLook

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
