"""A frame that is awaited: marked in the plan where it fits its part, refused with the reason."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from stopwise.errors import StopwiseError
from stopwise.findings import Reason, Verdict
from stopwise.plan import load_plan
from stopwise.plan.draft import open_draft
from stopwise.plan.model import SINGLE_ROLES, FramePart
from stopwise.preparing.grey import Card, set_grey
from stopwise.preparing.marks import name_beside, part_asked

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.frame import Box
    from stopwise.pipeline.awaited import Answer
    from stopwise.plan.places import Path as KeyPath
    from stopwise.record import Record
    from stopwise.shoot.awaiting import Awaiting, Came


@dataclass(frozen=True, slots=True)
class Played:
    """What became of an awaited frame.

    Attributes
    ----------
    record
        Its record: measured, and why.
    awaiting
        What is awaited now.
    words
        What is to be told, a sentence or two each.
    part
        The part that it plays now; None where it was refused.
    """

    record: Record
    awaiting: Awaiting
    words: tuple[str, ...]
    part: str | None = None


def play(
    record: Record,
    answer: Answer,
    awaiting: Awaiting,
    *,
    frame: Path,
    plan: Path,
    card: Box | None = None,
) -> Played:
    """Mark a frame as the part that is awaited, or refuse it and ask again.

    Parameters
    ----------
    record, answer
        The frame's record, and whether it can play its part.
    awaiting
        What is awaited; the frame is held to be its first part.
    frame, plan
        The files.
    card
        Where the grey card is held.
    """
    part, name = _part(plan, answer.part), record.file
    if answer.refused is not None:
        return _refused(record, awaiting, part, answer.refused.words)
    camera: dict[str, Any] | None = None
    found: tuple[str, ...] = ()
    try:
        if part.role == "grey":
            camera, found = _camera(plan), _grey(frame, plan, card)
        before = _mark(frame, part, plan)
    except StopwiseError as error:
        return _refused(record, awaiting, part, str(error))
    now = awaiting.with_frame(name, before, camera)
    for note in answer.spoilt:
        now = now.asked_again(note.lamp)
    words = [f"{name} is {_called(part)}. {_next(now)}", *found]
    words += [note.words for note in (*answer.warnings, *answer.spoilt)]
    own = _measured(record, Reason("own_frame", (part.words,)))
    return Played(own, now, tuple(words), part.asked)


def take_back(plan: Path, came: Came) -> None:
    """Write into a plan what it held for a part before a frame came: its name, and mid-grey.

    Raises
    ------
    PlanError, WrongUse, PathMissing
        If the plan is wrong, laid out so that it can't be written, or not there.
    """
    draft = open_draft(plan)
    part, camera = part_asked(draft.plan, came.part), draft.plan.camera
    before: dict[KeyPath, Any] = {part.path: came.before}
    before |= {("camera", key): value for key, value in (came.camera or {}).items()}
    now: dict[KeyPath, Any] = {("camera", key): getattr(camera, key) for key in _OF_GREY}
    now[part.path] = draft.plan.frames.of(part)
    for path, value in before.items():
        if value is not None and value != now[path]:
            draft = draft.set(path, value)
        elif value is None and now[path] is not None:
            draft = draft.drop(path)
    draft.save()


def _camera(plan: Path) -> dict[str, Any]:
    """Return what the plan's camera holds of mid-grey."""
    camera = open_draft(plan).plan.camera
    return {key: getattr(camera, key) for key in _OF_GREY}


def _refused(record: Record, awaiting: Awaiting, part: FramePart, why: str) -> Played:
    own = _measured(record, Reason("refused", (_called(part),), why))
    words = f"{record.file} isn't {_called(part)}. {why} Still {awaiting.words()}."
    return Played(own, replace(awaiting), (words,))


def _measured(record: Record, reason: Reason) -> Record:
    return replace(record.with_verdict(Verdict("measured", reason=reason)), in_run=False)


def _grey(frame: Path, plan: Path, card: Box | None) -> tuple[str, ...]:
    if card is None:
        return ("Mid-grey is not set: where the card is held isn't known. Say expect grey --box.",)
    return set_grey(frame, plan, Card(card))[-1:]


def _mark(frame: Path, part: FramePart, plan: Path) -> str | None:
    draft = open_draft(plan)
    before = draft.plan.frames.of(part)
    draft.set(part.path, name_beside(frame, draft.file)).save()
    return before


def _part(plan: Path, asked: str) -> FramePart:
    """Return the part that is asked for; by its word alone where the plan can't be read now."""
    try:
        found = load_plan(plan).part(asked)
    except StopwiseError:
        found = None
    single = (FramePart(role) for role in SINGLE_ROLES if role == asked)
    return found or next(single, FramePart("solo", asked))


def _next(awaiting: Awaiting) -> str:
    words = awaiting.words()
    return f"{words[:1].upper()}{words[1:]}."


def _called(part: FramePart) -> str:
    return _NAMES.get(part.role, f"the {part.lamp} {part.role}")


_OF_GREY = ("mid_grey", "mid_grey_model", "mid_grey_iso")
_NAMES = {
    "grey": "the grey card",
    "ambient": "the ambient frame",
    "plate": "the clean plate",
    "reference": "the reference",
}
