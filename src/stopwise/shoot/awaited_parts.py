"""Frames that are awaited: asked for in order, marked where they fit, refused with the reason."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from stopwise.errors import StopwiseError, WrongUse
from stopwise.findings import Reason, Verdict
from stopwise.plan import load_plan
from stopwise.plan.draft import open_draft, undo_edit
from stopwise.plan.model import SINGLE_ROLES, FramePart
from stopwise.preparing.grey import Card, set_grey
from stopwise.preparing.marks import MARK, name_beside, part_asked
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

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from stopwise.frame import Box
    from stopwise.ledger import Kept, Ledger
    from stopwise.pipeline.awaited import Answer
    from stopwise.plan.places import Path as KeyPath
    from stopwise.record import Record
    from stopwise.shoot.adopting import Change, Choice


_SETTING = "awaiting"
_CARD = "card box"


@dataclass(frozen=True, slots=True)
class Came:
    """A frame that was marked: its part, and what the plan named for that part before.

    `camera` is what the plan's camera held before, where the frame changed it: mid-grey, with its
    body and ISO.
    """

    part: str
    file: str
    before: str | None
    camera: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class Awaiting:
    """Parts that the next frames play.

    Attributes
    ----------
    left
        What is awaited, in order.
    came
        What has come since, in order; the last can be taken back.
    """

    left: tuple[str, ...] = ()
    came: tuple[Came, ...] = ()

    @property
    def part(self) -> str | None:
        """What the next frame is meant to be."""
        return self.left[0] if self.left else None

    def with_frame(
        self, file: str, before: str | None, camera: dict[str, Any] | None = None
    ) -> Awaiting:
        """Return what is awaited once a frame has played the first part."""
        return Awaiting(self.left[1:], (*self.came, Came(self.left[0], file, before, camera)))

    def asked_again(self, part: str) -> Awaiting:
        """Return what is awaited once a part that had come proved wrong."""
        return replace(self, left=(*self.left, part))

    def undone(self) -> Awaiting:
        """Return what is awaited once the last frame that came is taken back."""
        return Awaiting((self.came[-1].part, *self.left), self.came[:-1])

    def words(self) -> str:
        """Return what is awaited in a few words: "next: key, then fill, hair"."""
        if not self.left:
            return "nothing more is awaited"
        then = f", then {', '.join(self.left[1:])}" if len(self.left) > 1 else ""
        return f"next: {self.left[0]}{then}"


def awaiting_now(ledger: Ledger) -> Awaiting:
    """Return what is awaited, as the ledger has it."""
    kept: dict[str, Any] = ledger.settings.get(_SETTING) or {}
    came = tuple(Came(*one) for one in kept.get("came", ()))
    return Awaiting(tuple(kept.get("left", ())), came)


def awaited_words(ledger: Ledger) -> list[str]:
    """Return what is awaited in a few words; [] where nothing is."""
    awaiting = awaiting_now(ledger)
    return [awaiting.words()] if awaiting.left else []


def keep_awaiting(ledger: Ledger, awaiting: Awaiting) -> None:
    """Keep what is awaited."""
    came = [[one.part, one.file, one.before, one.camera] for one in awaiting.came]
    ledger.settings.set(_SETTING, {"left": list(awaiting.left), "came": came})


def card_box(ledger: Ledger) -> tuple[float, float, float, float] | None:
    """Return where the grey card is held, as it was said last."""
    kept = ledger.settings.get(_CARD)
    return None if kept is None else (kept[0], kept[1], kept[2], kept[3])


def keep_card_box(ledger: Ledger, box: Sequence[float]) -> None:
    """Keep where the grey card is held."""
    ledger.settings.set(_CARD, list(box))


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


def note_mark(ledger: Ledger, part: str, kept: Kept | None) -> None:
    """Keep that a frame plays a part now; a solo with the look in which it was shot.

    Parameters
    ----------
    ledger
        The watch's.
    part
        grey, ambient, plate, reference, or the name of a lamp: its solo.
    kept
        The frame as the ledger has it; None where the watch hasn't seen it, and then nobody
        knows its look: it counts as the plan's own.
    """
    looks = solo_looks(ledger)
    before = [looks[part]] if part in looks else []
    ledger.settings.set(_LAST_MARK, {"part": part, "before": before, "is_known": kept is not None})
    if kept is not None:
        ledger.marks.set(part, kept.frame)
    if part not in SINGLE_ROLES:
        keep_solo(ledger, part, None if kept is None else kept.record.look)


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
    if last["is_known"]:
        ledger.marks.undo(part)
    if part not in SINGLE_ROLES and last["before"]:
        keep_solo(ledger, part, last["before"][0])
    elif part not in SINGLE_ROLES:
        forget_solo(ledger, part)
    ledger.settings.set(_LAST_MARK, None)
