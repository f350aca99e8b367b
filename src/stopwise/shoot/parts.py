"""A frame that is awaited: marked in the plan where it fits its part, refused with the reason."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from stopwise.errors import StopwiseError
from stopwise.findings import Reason, Verdict
from stopwise.plan.draft import open_draft
from stopwise.plan.model import FramePart
from stopwise.preparing.grey import Card, set_grey
from stopwise.preparing.marks import mark_path, marked, name_beside

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.frame import Box
    from stopwise.pipeline.awaited import Answer
    from stopwise.plan.model import Plan
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
    part = answer.part
    name = record.file
    if answer.refused is not None:
        return _refused(record, awaiting, part, answer.refused.words)
    camera: dict[str, Any] | None = None
    found: tuple[str, ...] = ()
    try:
        if part == "grey":
            camera, found = _camera(plan), _grey(frame, plan, card)
        before = _mark(frame, part, plan)
    except StopwiseError as error:
        return _refused(record, awaiting, part, str(error))
    now = awaiting.with_frame(name, before, camera)
    for note in answer.spoilt:
        now = now.asked_again(note.lamp)
    words = [f"{name} is {_called(part)}. {_next(now)}", *found]
    words += [note.words for note in (*answer.warnings, *answer.spoilt)]
    own = _measured(record, Reason("own_frame", (_role(part),)))
    return Played(own, now, tuple(words), part)


def take_back(plan: Path, came: Came) -> None:
    """Write into a plan what it held for a part before a frame came: its name, and mid-grey.

    Raises
    ------
    PlanError, WrongUse, PathMissing
        If the plan is wrong, laid out so that it can't be written, or not there.
    """
    draft = open_draft(plan)
    before = {mark_path(draft.plan, came.part): came.before}
    before |= {("camera", key): value for key, value in (came.camera or {}).items()}
    now = {path: _held(draft.plan, path) for path in before}
    for path, value in before.items():
        if value is not None and value != now[path]:
            draft = draft.set(path, value)
        elif value is None and now[path] is not None:
            draft = draft.drop(path)
    draft.save()


def _held(plan: Plan, path: KeyPath) -> object:
    return getattr(plan.camera, str(path[1])) if path[0] == "camera" else marked(plan, path)


def _camera(plan: Path) -> dict[str, Any]:
    """Return what the plan's camera holds of mid-grey."""
    camera = open_draft(plan).plan.camera
    return {key: getattr(camera, key) for key in _OF_GREY}


def _refused(record: Record, awaiting: Awaiting, part: str, why: str) -> Played:
    own = _measured(record, Reason("refused", (_called(part),), why))
    words = f"{record.file} isn't {_called(part)}. {why} Still {awaiting.words()}."
    return Played(own, replace(awaiting), (words,))


def _measured(record: Record, reason: Reason) -> Record:
    return replace(record.with_verdict(Verdict("measured", reason=reason)), in_run=False)


def _grey(frame: Path, plan: Path, card: Box | None) -> tuple[str, ...]:
    if card is None:
        return ("Mid-grey is not set: where the card is held isn't known. Say expect grey --box.",)
    return set_grey(frame, plan, Card(card))[-1:]


def _mark(frame: Path, part: str, plan: Path) -> str | None:
    draft = open_draft(plan)
    path = mark_path(draft.plan, part)
    before = marked(draft.plan, path)
    draft.set(path, name_beside(frame, draft.file)).save()
    return before


def _next(awaiting: Awaiting) -> str:
    words = awaiting.words()
    return f"{words[:1].upper()}{words[1:]}."


def _role(part: str) -> str:
    if part in _NAMES:
        return part
    lamp = part.removesuffix(FramePart("white card", "").asked)
    return f"solo of {part}" if lamp == part else f"white card of {lamp}"


def _called(part: str) -> str:
    is_white_card = part.endswith(FramePart("white card", "").asked)
    return _NAMES.get(part, f"the {part}" if is_white_card else f"the {part} solo")


_OF_GREY = ("mid_grey", "mid_grey_model", "mid_grey_iso")
_NAMES = {
    "grey": "the grey card",
    "ambient": "the ambient frame",
    "plate": "the clean plate",
    "reference": "the reference",
}
