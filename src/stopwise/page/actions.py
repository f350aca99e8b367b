"""What a person does from the page: each action is what a page sends, and does it.

It is said to the watcher through the ledger, or written in the plan, as the commands do.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Protocol

from pydantic import Field, StringConstraints, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as action
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request  # noqa: TC002 - starlette reads it
from starlette.routing import Route

from stopwise.errors import StopwiseError, WrongUse, refusal
from stopwise.lamps.trial import Trial  # noqa: TC001 - what a page sends is read by its types
from stopwise.page.as_json import answered
from stopwise.page.overlay import jpeg
from stopwise.page.pictures import SOLOS_S, SpawnedWork
from stopwise.page.plan_edits import SENT, DrawnEdits, Stale, edited, save_edits
from stopwise.page.views import PatchOnPicture, patches_view
from stopwise.plan import load_plan
from stopwise.plan.draft import open_draft
from stopwise.preparing.marks import MARK, forget_solos, mark_frame
from stopwise.shoot.adopting import ADOPT, Change, Choice, adopted, refuse_spoilt
from stopwise.shoot.awaited_parts import Awaiting, card_box, keep_awaiting, keep_card_box
from stopwise.shoot.dialling import keep_trial
from stopwise.shoot.saying import (
    YES,
    TakeSaid,
    card_patch,
    read_lit,
    read_look,
    read_parts,
    read_take,
)
from stopwise.shoot.standing import (
    moved_words,
    offered_turn,
    stands_now,
    worn_and_lit,
)
from stopwise.shoot.watched_edits import adopt_frame, begin_look, note_mark, undo_last

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.responses import Response

    from stopwise.ledger import Kept, Ledger
    from stopwise.page.live import LivePage
    from stopwise.page.trying import Powers, Trying
    from stopwise.plan.model import Plan
    from stopwise.record import Record

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
FrameNumber = Annotated[int, Field(ge=1, lt=1 << 63)]
"""What the ledger's rows can have."""

_MOST_BYTES, _BODY_S = 262_144, 10.0
"""Most bytes of an action's JSON, far more than 500 drawn patches take, and seconds for them."""

_MOST_DONE = 256
"""Answers that are kept for pages that ask again since theirs didn't reach them."""

_MARK_FAILS = "The frame was not marked: its decoder failed. Mark another."
_READ_FAILS = "The frame could not be measured again: its decoder failed."
_UNDONE = {
    ADOPT: "The adoption is taken back: targets and take are as they were.",
    MARK: "Took the mark back.",
}


@dataclass(frozen=True, slots=True)
class Reply:
    """What is told when an action is done, or why it wasn't.

    Attributes
    ----------
    say
        The answer.
    field
        Of a refusal: the field of the form that it is about; "" for none.
    """

    say: str
    field: str = ""


class Action(Protocol):
    """What a page sends."""

    def done(self, live: LivePage) -> object:
        """Do it, and return what is told."""


@action(frozen=True, slots=True, config=SENT)
class DrawAction:
    """Write all that was drawn."""

    edits: DrawnEdits

    def done(self, live: LivePage) -> Reply:
        """Write it at once, or nothing of it."""
        save_edits(plan_file(live), self.edits)
        live.plan_changed()
        return Reply("Saved what was drawn in the plan.")


@dataclass(frozen=True, slots=True)
class Measured:
    """A frame's patches, measured again with what was drawn."""

    number: int
    patches: tuple[PatchOnPicture, ...]


@action(frozen=True, slots=True, config=SENT)
class MeasureAction:
    """Measure a frame again with what was drawn; nothing is written."""

    number: FrameNumber
    edits: DrawnEdits

    def done(self, live: LivePage) -> Measured:
        """Return its patches."""
        kept = kept_frame(live, self.number)
        frame = Path(live.folder, kept.record.file)
        work = (frame, plan_file(live), self.edits)
        return Measured(self.number, live.again.run(_measured, *work, fails=_READ_FAILS))


def _measured(frame: Path, plan_path: Path, edits: DrawnEdits) -> tuple[PatchOnPicture, ...]:
    from stopwise.measurement import measure
    from stopwise.raw import decode
    from stopwise.record import recorded
    from stopwise.verdict import judge

    plan = edited(open_draft(plan_path), edits).plan
    measurement = measure(decode(frame), plan, look=edits.look)
    return patches_view(
        recorded(frame.name, measurement, judge(measurement, plan, look=edits.look))
    )


@action(frozen=True, slots=True, config=SENT)
class AdoptAction:
    """Make a frame's figures the targets, the old ones kept as comments; a take begins."""

    number: FrameNumber

    def done(self, live: LivePage) -> Reply:
        """Write them."""
        record = _worth_adopting(live, self.number)
        changed = adopt_frame(
            live.ledger,
            record,
            plan_file(live),
            frame=Path(live.folder, record.file),
            choice=Choice(lit=worn_and_lit(live.ledger)[1]),
        )
        live.plan_changed()
        targets = "1 target" if len(changed) == 1 else f"{len(changed)} targets"
        return Reply(f"Adopted {targets} from {record.file}. Undo takes it back.")


def would_adopt(live: LivePage, number: int) -> tuple[Change, ...]:
    """Return the targets that adopting a frame would change.

    Raises
    ------
    WrongUse
        If it shows no light to keep.
    """
    choice = Choice(lit=worn_and_lit(live.ledger)[1])
    return adopted(open_draft(plan_file(live)), _worth_adopting(live, number), choice)[1]


def _worth_adopting(live: LivePage, number: int) -> Record:
    record = kept_frame(live, number).record
    refuse_spoilt(record, instead="Mend it, and adopt the next frame.")
    return record


@action(frozen=True, slots=True, config=SENT)
class MarkAction:
    """Write into the plan which part a frame plays: grey, or clip, or a lamp's solo."""

    number: FrameNumber
    part: Text

    def done(self, live: LivePage) -> Reply:
        """Write it."""
        kept = kept_frame(live, self.number)
        if kept.record.verdict == "unreadable":
            msg = "A frame that can't be read plays no part."
            raise WrongUse(msg)
        work = (Path(live.folder, kept.record.file), self.part, plan_file(live))
        with SpawnedWork(SOLOS_S) as process:
            said = process.run(mark_frame, *work, fails=_MARK_FAILS)
        note_mark(live.ledger, self.part, kept, plan_file(live))
        live.plan_changed()
        return Reply(said)


@action(frozen=True, slots=True, config=SENT)
class UndoAction:
    """Take back the last edit of the plan, and what the watch made of it."""

    def done(self, live: LivePage) -> Reply:
        """Take it back."""
        done = undo_last(live.ledger, plan_file(live))
        live.plan_changed()
        return Reply(_UNDONE.get(done, "Took back the last edit of the plan."))


@action(frozen=True, slots=True, config=SENT)
class TakeAction:
    """Begin a take, and say what was turned: "key -0.5, f/8"; "yes" for the turn asked about."""

    turned: str = ""

    def done(self, live: LivePage) -> Reply:
        """Say it to the watcher."""
        said = self.turned.strip()
        if said.lower() != YES:
            plan = None if live.plan_path is None else load_plan(plan_file(live))
            read_take(said, plan, powers=stands_now(live.ledger, plan))
        elif not offered_turn(live.ledger):
            msg = 'No turn is asked about any more. Write what was turned: "key -0.5".'
            raise WrongUse(msg)
        live.ledger.orders.say("take", said)
        return Reply("A new take begins with the next frame.")


@action(frozen=True, slots=True, config=SENT)
class KeepAction:
    """Keep a trial by a name."""

    trial: Trial
    name: Text

    def done(self, live: LivePage) -> Reply:
        """Keep it."""
        keep_trial(live.ledger, tried_by(live).kept(self.name, self.trial))
        return Reply(f"Kept as {self.name}.")


@action(frozen=True, slots=True, config=SENT)
class SetAction:
    """Say that the light is set as it was tried, and keep the trial where it has a name."""

    trial: Trial
    name: str = ""

    def done(self, live: LivePage) -> Reply:
        """Say it to the watcher: lamps that were moved, lamps that are off, a take."""
        trial, plan = self.trial, load_plan(plan_file(live))
        kept = tried_by(live).kept(self.name.strip() or "set", trial)  # refuses what can't be
        if self.name.strip():
            keep_trial(live.ledger, kept)
        orders, told = live.ledger.orders, "A new take begins with the next frame."
        if trial.handled:
            forget_solos(trial.handled, plan_file(live), stands_now(live.ledger, plan))
            live.plan_changed()
            orders.say("moved", list(trial.handled))
            told = f"{told} {moved_words(trial.handled)}"
        if trial.off:
            lit = [one.name for one in plan.lights if one.name not in trial.off]
            orders.say("lit", lit)
        orders.say("take", TakeSaid(trial.turns, trial.camera).words)
        return Reply(told)


@action(frozen=True, slots=True, config=SENT)
class LitAction:
    """Say which lamps are meant to be lit; None for all of them."""

    lamps: tuple[str, ...] | None

    def done(self, live: LivePage) -> Reply:
        """Say it to the watcher."""
        plan = load_plan(plan_file(live))
        meant = None if self.lamps is None else read_lit(", ".join(self.lamps), plan)
        live.ledger.orders.say("lit", None if meant is None else list(meant))
        words = "All lamps are meant to be lit." if meant is None else f"Lit: {', '.join(meant)}."
        return Reply(words)


@action(frozen=True, slots=True, config=SENT)
class LookAction:
    """Say which look is worn from the next frame on; None for the plan's own; or make one."""

    look: Text | None
    new: Text | None = None

    def done(self, live: LivePage) -> Reply:
        """Say it to the watcher."""
        if self.new:
            return Reply(begin_look(live.ledger, plan_file(live), self.new).words)
        plan = load_plan(plan_file(live))
        worn = None if self.look is None else read_look(self.look, plan)
        live.ledger.orders.say("look", worn)
        return Reply(f"From the next frame on: {worn or 'the plan without a look'}.")


@action(frozen=True, slots=True, config=SENT)
class ExpectAction:
    """Say which parts the next frames play, in order; none to await nothing any more."""

    parts: tuple[str, ...]

    def done(self, live: LivePage) -> Reply:
        """Say it to the watcher."""
        if not self.parts:
            if live.ledger.orders.open("expect"):
                live.ledger.orders.undo("expect")
            keep_awaiting(live.ledger, Awaiting())
            return Reply("Nothing is awaited any more.")
        plan = load_plan(plan_file(live))
        meant = read_parts(", ".join(self.parts), plan)
        if "grey" in meant:
            _keep_card(live.ledger, plan)
        live.ledger.orders.say("expect", list(meant))
        return Reply(f"Expected next: {', '.join(meant)}.")


def _keep_card(ledger: Ledger, plan: Plan) -> None:
    """Keep where the plan says that the grey card is held: it is never guessed."""
    box = card_patch(plan)
    if box is not None:
        keep_card_box(ledger, box)
    elif card_box(ledger) is None:
        msg = "Where is the grey card held? Draw a patch called grey card there, and ask again."
        raise WrongUse(msg)


@action(frozen=True, slots=True, config=SENT)
class DialAction:
    """Work out powers that meet the plan, from the solos."""

    def done(self, live: LivePage) -> Powers:
        """Return them; the page then asks for the picture."""
        if live.trying is None:
            msg = "Powers can't be worked out here: the plan needs a solo of each lamp."
            raise WrongUse(msg)
        powers, picture = live.trying.solved()
        live.predicted = None if picture is None else jpeg(picture.image)
        return powers


@action(frozen=True, slots=True, config=SENT)
class FixedAction:
    """Let the band go of a lamp that was out."""

    def done(self, live: LivePage) -> Reply:
        """Let it go."""
        live.fixed()
        return Reply("Fixed.")


def tried_by(live: LivePage) -> Trying:
    """Return what tries light.

    Raises
    ------
    WrongUse
        If there is nothing to try.
    """
    if live.trying is None:
        msg = "Light can't be tried here: the plan needs a solo of each lamp."
        raise WrongUse(msg)
    return live.trying


def plan_file(live: LivePage) -> Path:
    """Return the plan file.

    Raises
    ------
    WrongUse
        If the watch has no plan.
    """
    if live.plan_path is None:
        msg = "This watch has no plan. Start it with --plan."
        raise WrongUse(msg)
    return live.plan_path


def kept_frame(live: LivePage, number: int) -> Kept:
    """Return a frame.

    Raises
    ------
    WrongUse
        If there is none of that number.
    """
    kept = live.ledger.frames.by_number(number)
    if kept is None:
        msg = "There is no such frame."
        raise WrongUse(msg)
    return kept


ACTIONS: dict[str, type[Action]] = {
    "draw": DrawAction,
    "measure": MeasureAction,
    "adopt": AdoptAction,
    "mark": MarkAction,
    "undo": UndoAction,
    "take": TakeAction,
    "keep": KeepAction,
    "set": SetAction,
    "lit": LitAction,
    "look": LookAction,
    "expect": ExpectAction,
    "dial": DialAction,
    "fixed": FixedAction,
}
"""What pages may have done, each at `/do/` and its name."""

_FIELDS = {"take": "turned", "expect": "parts", "lit": "lamp", "mark": "part", "look": "look"}
"""The field of its form that an action's refusal is about."""


class DoneBefore:
    """Answers that were given, so that a page that asks again has nothing done twice."""

    def __init__(self) -> None:
        self._answers: OrderedDict[str, asyncio.Future[Response]] = OrderedDict()

    async def of(self, once: str, act: Callable[[], asyncio.Future[Response]]) -> Response:
        """Return the answer that was given under a name, or is being worked out, or do it now."""
        if not once:
            return await act()
        if once not in self._answers:
            self._answers[once] = act()
            while len(self._answers) > _MOST_DONE:
                self._answers.popitem(last=False)
        return await asyncio.shield(self._answers[once])


def action_routes(live: LivePage) -> list[Route]:
    """Return a route for each action, which takes only what its types allow."""
    before = DoneBefore()
    return [
        Route(f"/do/{name}", partial(_answer, live, name, before), methods=["POST"])
        for name in ACTIONS
    ]


async def _answer(live: LivePage, name: str, before: DoneBefore, request: Request) -> Response:
    try:
        async with asyncio.timeout(_BODY_S):
            body = await _body(request)
    except TimeoutError:
        return answered(Reply("The action didn't come whole in time. Try again."), 408)
    except WrongUse as error:
        return answered(Reply(str(error)), 422)
    once = request.headers.get("x-once", "")[:64]
    return await before.of(
        f"{name} {once}" if once else "",
        lambda: asyncio.ensure_future(run_in_threadpool(_acted, live, name, body)),
    )


def _acted(live: LivePage, name: str, body: bytes) -> Response:
    """Do an action, and say what came of it: 400 nonsense, 409 changed meanwhile, 422 refused."""
    try:
        action = TypeAdapter(ACTIONS[name]).validate_json(body or b"{}")
        return answered(action.done(live))
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        return answered(Reply(f"{where or 'The action'}: {first['msg']}.", where), 400)
    except StopwiseError as error:
        code = 409 if isinstance(error, Stale) else 422
        return answered(Reply(str(error), _FIELDS.get(name, "")), code)
    except OSError as error:
        return answered(Reply(f"That can't be written: {refusal(error)}."), 500)


async def _body(request: Request) -> bytes:
    held = b""
    async for part in request.stream():
        held += part
        if len(held) > _MOST_BYTES:
            msg = "That is more than an action can hold."
            raise WrongUse(msg)
    return held
