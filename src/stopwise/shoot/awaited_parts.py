"""Frames that are awaited: asked for in order, marked where they fit, refused with the reason."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

from stopwise.errors import StopwiseError
from stopwise.findings import Reason, Verdict
from stopwise.plan import load_plan
from stopwise.plan.draft import open_draft
from stopwise.plan.model import SINGLE_ROLES, ClipPlan, FramePart
from stopwise.preparing.grey import Card, set_grey
from stopwise.preparing.marks import (
    clip_words,
    mark_solo,
    name_beside,
    part_asked,
    with_clip,
    with_powers,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from stopwise.frame import Box
    from stopwise.ledger import Ledger
    from stopwise.pipeline.brief import Answer
    from stopwise.plan.draft import Draft
    from stopwise.plan.model import Plan
    from stopwise.plan.places import Path as KeyPath
    from stopwise.record import Record


_SETTING = "awaiting"
_CARD = "card box"


@dataclass(frozen=True, slots=True)
class GreyBefore:
    """What a plan's camera held of mid-grey, key by key, before a grey card set it."""

    mid_grey: float | None
    mid_grey_model: str | None
    mid_grey_iso: float | None


@dataclass(frozen=True, slots=True)
class Came:
    """A frame that was marked: its part, and what the plan named for that part before.

    `grey`, `clip` and `power` are what the plan held of mid-grey, of where photosites stop and of
    the lamp's power, where the frame changed it.
    """

    part: str
    file: str
    before: str | dict[str, str] | None
    grey: GreyBefore | None = None
    clip: ClipPlan | None = None
    power: float | None = None


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

    def with_frame(self, came: Came) -> Awaiting:
        """Return what is awaited once a frame has played the first part."""
        return Awaiting(self.left[1:], (*self.came, came))

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
    kept = ledger.settings.get(_SETTING) or {}
    came = tuple(
        Came(
            part,
            file,
            before,
            None if grey is None else GreyBefore(**grey),
            ClipPlan.model_validate(more[0]) if more and more[0] else None,
            more[1] if len(more) > 1 else None,
        )
        for part, file, before, grey, *more in kept.get("came", ())
    )
    return Awaiting(tuple(kept.get("left", ())), came)


def awaited_words(ledger: Ledger) -> list[str]:
    """Return what is awaited in a few words; [] where nothing is."""
    awaiting = awaiting_now(ledger)
    return [awaiting.words()] if awaiting.left else []


def keep_awaiting(ledger: Ledger, awaiting: Awaiting) -> None:
    """Keep what is awaited."""
    came = [
        [
            one.part,
            one.file,
            one.before,
            None if one.grey is None else asdict(one.grey),
            None if one.clip is None else one.clip.model_dump(exclude_none=True),
            one.power,
        ]
        for one in awaiting.came
    ]
    ledger.settings.set(_SETTING, {"left": list(awaiting.left), "came": came})


def card_box(ledger: Ledger) -> tuple[float, float, float, float] | None:
    """Return where the grey card is held, as it was said last."""
    kept = ledger.settings.get(_CARD)
    return None if kept is None else (kept[0], kept[1], kept[2], kept[3])


def keep_card_box(ledger: Ledger, box: Sequence[float]) -> None:
    """Keep where the grey card is held."""
    ledger.settings.set(_CARD, list(box))


@dataclass(frozen=True, slots=True)
class OnSet:
    """What is known of the set when an awaited frame lands.

    Attributes
    ----------
    card
        Where the grey card is held; None where nobody said so.
    stands
        Where dials stand, stops below full, as far as that isn't the plan's power: a lamp's power
        becomes what its solo was shot at.
    """

    card: Box | None
    stands: Mapping[str, float]


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
    on_set: OnSet,
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
    on_set
        What is known of the set.
    """
    part, name = _part(plan, answer.part), record.file
    if answer.refused is not None:
        return _refused(record, awaiting, part, answer.refused.words)
    grey: GreyBefore | None = None
    found: tuple[str, ...] = ()
    try:
        held = open_draft(plan).plan
        if part.role == "grey":
            grey, found = _grey_of(held), _set_grey(frame, plan, on_set.card)
        light = held.light(part.lamp) if part.role == "solo" and part.lamp else None
        power = None if light is None else on_set.stands.get(light.name)
        _mark(frame, part, plan, answer.clip, power)
    except StopwiseError as error:
        return _refused(record, awaiting, part, str(error))
    clip = None if answer.clip is None else held.camera.clip
    was = None if light is None or power is None else light.power
    now = awaiting.with_frame(Came(awaiting.left[0], name, _named(held, part), grey, clip, was))
    for note in answer.spoilt:
        now = now.asked_again(note.lamp)
    if answer.clip is not None:
        found = (clip_words(answer.clip, plan.name),)
    words = [f"{name} is {_called(part)}. {_next(now)}", *found]
    words += [note.words for note in (*answer.warnings, *answer.spoilt)]
    value = None if record.reason is None else record.reason.value
    if part.role == "grey":
        value = load_plan(plan).camera.mid_grey
    of = (part.words,)
    own = _measured(record, Reason("own_frame", of, role=part.role, lamp=part.lamp, value=value))
    return Played(own, now, tuple(words), part.asked)


def take_back(plan: Path, came: Came) -> None:
    """Write into a plan what it held for a part before a frame came, and what that changed.

    Raises
    ------
    PlanError, WrongUse, PathMissing
        If the plan is wrong, laid out so that it can't be written, or not there.
    """
    draft = open_draft(plan)
    part = part_asked(draft.plan, came.part)
    draft = _put_back(draft, part.path, came.before, _named(draft.plan, part))
    if came.grey is not None:
        for key, before in asdict(came.grey).items():
            draft = _put_back(draft, ("camera", key), before, getattr(draft.plan.camera, key))
    if part.role == "clip":
        draft = with_clip(draft, came.clip)
    if came.power is not None and part.lamp is not None:
        draft = with_powers(draft, {part.lamp: came.power})
    draft.save()


def _named(plan: Plan, part: FramePart) -> str | dict[str, str] | None:
    """Return what a plan holds for a part."""
    frame = plan.frames.of(part)
    return None if frame is None else frame.value


def _put_back(draft: Draft, path: KeyPath, before: object, now: object) -> Draft:
    if before == now:
        return draft
    return draft.drop(path) if before is None else draft.set(path, before)


def _grey_of(plan: Plan) -> GreyBefore:
    camera = plan.camera
    return GreyBefore(camera.mid_grey, camera.mid_grey_model, camera.mid_grey_iso)


def _refused(record: Record, awaiting: Awaiting, part: FramePart, why: str) -> Played:
    own = _measured(record, Reason("refused", (_called(part),), why))
    words = f"{record.file} isn't {_called(part)}. {why} Still {awaiting.words()}."
    return Played(own, replace(awaiting), (words,))


def _measured(record: Record, reason: Reason) -> Record:
    return replace(record.with_verdict(Verdict("measured", reason=reason)), in_run=False)


def _set_grey(frame: Path, plan: Path, card: Box | None) -> tuple[str, ...]:
    if card is None:
        return ("Mid-grey is not set: where the card is held isn't known. Say expect grey --box.",)
    return set_grey(frame, plan, Card(card))[-1:]


def _mark(
    frame: Path, part: FramePart, plan: Path, clip: ClipPlan | None, power: float | None
) -> None:
    if part.role == "solo" and part.lamp is not None:
        mark_solo(frame, part.lamp, plan, power=power)
        return
    draft = open_draft(plan)
    if clip is not None:
        draft = with_clip(draft, clip)
    draft.set(part.path, name_beside(frame, draft.file)).save()


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


_NAMES = {
    "grey": "the grey card",
    "ambient": "the ambient frame",
    "plate": "the clean plate",
    "reference": "the reference",
    "clip": "the frame shot over",
}
