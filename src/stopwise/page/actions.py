"""What a person does from the page: each action reads its JSON, acts, and answers in words.

It is said to the watcher through the ledger, or written in the plan, as the commands do.
"""

from __future__ import annotations

import asyncio
import json
import math
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import StringConstraints, ValidationError, validate_call
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request  # noqa: TC002 - starlette reads it
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from stopwise.errors import StopwiseError, WrongUse
from stopwise.page.overlay import jpeg
from stopwise.page.pictures import SpawnedWork
from stopwise.page.plan_edits import (
    PatchRef,
    Stale,
    delete_patch,
    save_backdrop,
    save_patch,
)
from stopwise.plan import load_plan
from stopwise.preparing.marks import MARK, mark_frame
from stopwise.report.lamp_words import dial_words
from stopwise.shoot.adopting import ADOPT, Choice, refuse_spoilt
from stopwise.shoot.awaited_parts import card_box, keep_card_box
from stopwise.shoot.saying import YES, card_patch, read_lit, read_look, read_parts, read_turned
from stopwise.shoot.standing import Standing, offered_turn, powers_now
from stopwise.shoot.watched_edits import adopt_frame, begin_look, note_mark, undo_last

if TYPE_CHECKING:
    from collections.abc import Callable

    from stopwise.ledger import Kept, Ledger
    from stopwise.page.live import Dialler, LivePage
    from stopwise.plan.model import Plan
    from stopwise.report.drawable import Drawable

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Answer = str | dict[str, Any]

_MOST_DIGITS = 18
"""Of a whole number: what the ledger's rows can have."""

_MOST_BYTES = 65_536
_BODY_S = 10.0
"""Most bytes of an action's JSON, far more than a patch takes, and seconds for them to come."""

_DIAL_S = 120.0
"""Seconds that dialling may take, which decodes every solo that isn't kept."""

_MARK_FAILS = "The frame was not marked: its decoder failed. Mark another."
_DIAL_FAILS = "The powers could not be worked out: a solo's decoder failed. Mark it again."
_UNDONE = {
    ADOPT: "The adoption is taken back: targets and take are as they were.",
    MARK: "Took the mark back.",
}


class Actions:
    """Actions on one watch; what a page sends are an action's arguments by name.

    Parameters
    ----------
    live
        Its page: ledger, folder and plan.
    """

    def __init__(self, live: LivePage) -> None:
        self._live = live
        self._ledger = live.ledger

    @property
    def plan_file(self) -> Path:
        """The plan file.

        Raises
        ------
        WrongUse
            If the watch has no plan.
        """
        if self._live.plan_path is None:
            msg = "This watch has no plan. Start it with --plan."
            raise WrongUse(msg)
        return self._live.plan_path

    def patch(
        self,
        name: Text,
        values: dict[str, Any],
        was: dict[str, Any] | None,
        look: Text | None = None,
    ) -> str:
        """Add a patch, or change what differs in it."""
        save_patch(self.plan_file, PatchRef(name, look), values, was=was)
        self._live.plan_changed()
        return f"Saved {name} in the plan."

    def delete_patch(self, name: Text, look: Text | None = None) -> str:
        """Take a patch out of the plan."""
        delete_patch(self.plan_file, PatchRef(name, look))
        self._live.plan_changed()
        return f"Took {name} out of the plan. Undo puts it back."

    def backdrop(self, boxes: list[Any], was: list[Any]) -> str:
        """Write the boxes in which the backdrop is seen."""
        save_backdrop(self.plan_file, boxes, was=was)
        self._live.plan_changed()
        return "Saved the backdrop's boxes in the plan."

    def adopt(self, number: int) -> str:
        """Make a frame's figures the targets, the old ones kept as comments; a take begins."""
        record = self._frame(number).record
        refuse_spoilt(record)
        changed = adopt_frame(
            self._ledger,
            record,
            self.plan_file,
            frame=Path(self._live.folder, record.file),
            choice=Choice(lit=Standing(self._ledger, lambda _: None).lit),
        )
        self._live.plan_changed()
        targets = "1 target" if len(changed) == 1 else f"{len(changed)} targets"
        return f"Adopted {targets} from {record.file}. Undo takes it back."

    def mark(self, number: int, part: Text) -> str:
        """Write into the plan that a frame is grey, ambient, plate, reference or a lamp's solo."""
        kept = self._frame(number)
        if kept.record.verdict == "unreadable":
            msg = "A frame that can't be read plays no part."
            raise WrongUse(msg)
        frame = Path(self._live.folder, kept.record.file)
        with SpawnedWork(_DIAL_S) as process:
            said = process.run(mark_frame, frame, part, self.plan_file, fails=_MARK_FAILS)
        note_mark(self._ledger, part, kept)
        self._live.plan_changed()
        return said

    def undo(self) -> str:
        """Take back the last edit of the plan, and what the watch made of it."""
        done = undo_last(self._ledger, self.plan_file)
        self._live.plan_changed()
        return _UNDONE.get(done, "Took back the last edit of the plan.")

    def take(self, turned: str = "") -> str:
        """Begin a take, and say what was turned: "key -0.5"; "yes" for the turn asked about."""
        said = turned.strip()
        if said.lower() != YES:
            plan = None if self._live.plan_path is None else load_plan(self.plan_file)
            read_turned(said, plan, powers=powers_now(self._ledger, plan))
        elif not offered_turn(self._ledger):
            msg = 'No turn is asked about any more. Say what was turned: "key -0.5".'
            raise WrongUse(msg)
        self._ledger.orders.say("take", said)
        return "A new take begins with the next frame."

    def lit(self, lamps: list[str] | None) -> str:
        """Say which lamps are meant to be lit; None for all of them."""
        meant = None if lamps is None else read_lit(", ".join(lamps), load_plan(self.plan_file))
        self._ledger.orders.say("lit", None if meant is None else list(meant))
        return "All lamps are meant to be lit." if meant is None else f"Lit: {', '.join(meant)}."

    def look(self, look: Text | None, new: Text | None = None) -> str:
        """Say which look is worn from the next frame on; None for the plan's own; or make one."""
        if new:
            return begin_look(self._ledger, self.plan_file, new).words
        worn = None if look is None else read_look(look, load_plan(self.plan_file))
        self._ledger.orders.say("look", worn)
        return f"From the next frame on: {worn or 'the plan without a look'}."

    def expect(self, parts: list[str]) -> str:
        """Say which parts the next frames play, in order."""
        plan = load_plan(self.plan_file)
        meant = read_parts(", ".join(parts), plan)
        if "grey" in meant:
            self._keep_card(plan)
        self._ledger.orders.say("expect", list(meant))
        return f"Expected next: {', '.join(meant)}."

    def dial(self) -> dict[str, Any]:
        """Work out powers that meet the plan, from the solos."""
        if self._live.dial is None:
            msg = "Powers can't be worked out here: the plan needs a solo of each lamp."
            raise WrongUse(msg)
        answer, picture = self._live.dial()
        self._live.predicted = None if picture is None else jpeg(picture.image)
        plan = self._live.plan()
        return {
            "say": "Worked out from the solos.",
            "lamps": [
                {"name": name, "words": dial_words(plan.light(name) if plan else None, **lamp)}
                for name, lamp in answer["lamps"].items()
            ],
            "patches": answer["predicted"]["patches"],
            "unmet": [unmet["say"] for unmet in answer["unmet"]],
            "notes": answer.get("notes", []),
            "has_picture": picture is not None,
        }

    def fixed(self) -> str:
        """Let the headline go of a lamp that was out."""
        self._live.fixed()
        return "Fixed."

    def _frame(self, number: int) -> Kept:
        kept = self._ledger.frames.by_number(number)
        if kept is None:
            msg = "There is no such frame."
            raise WrongUse(msg)
        return kept

    def _keep_card(self, plan: Plan) -> None:
        """Keep where the plan says that the grey card is held: it is never guessed."""
        box = card_patch(plan)
        if box is not None:
            keep_card_box(self._ledger, box)
        elif card_box(self._ledger) is None:
            msg = "Where is the grey card held? Draw a patch called grey card there, and ask again."
            raise WrongUse(msg)


ACTIONS = (
    "patch", "delete_patch", "backdrop", "adopt", "mark", "undo", "take", "lit", "look", "expect",
    "dial", "fixed",
)  # fmt: skip
"""What pages may have done, each at `/do/` and its name."""


def action_routes(live: LivePage) -> list[Route]:
    """Return a route for each action, which takes only what its types allow."""
    checked = validate_call(config={"strict": True})
    actions = Actions(live)
    return [
        Route(f"/do/{name}", partial(_answer, checked(getattr(actions, name))), methods=["POST"])
        for name in ACTIONS
    ]


async def _answer(act: Callable[..., Answer], request: Request) -> Response:
    """Act off the loop, and say in words what came of it."""
    try:
        async with asyncio.timeout(_BODY_S):
            body = await _body(request)
        said = await run_in_threadpool(lambda: act(**body))
    except TimeoutError:
        return JSONResponse({"say": "The action didn't come whole in time. Try again."}, 408)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        return JSONResponse({"say": f"{where}: {first['msg']}."}, 422)
    except StopwiseError as error:
        return JSONResponse({"say": str(error)}, _code_of(error))
    except OSError as error:
        return JSONResponse({"say": f"That can't be written: {error.strerror}."}, 500)
    return JSONResponse({"say": said} if isinstance(said, str) else said)


def _code_of(error: StopwiseError) -> int:
    """Return the HTTP status of a refusal: 400 nonsense, 409 changed meanwhile, else 422."""
    return 400 if isinstance(error, NoAction) else 409 if isinstance(error, Stale) else 422


async def _body(request: Request) -> dict[str, Any]:
    held = b""
    async for part in request.stream():
        held += part
        if len(held) > _MOST_BYTES:
            msg = "That is more than an action can hold."
            raise WrongUse(msg)
    return _object_of(held)


class NoAction(WrongUse):
    """What was sent is no action that a page sends."""


def _object_of(body: bytes) -> dict[str, Any]:
    """Return an action's JSON: an object, its figures finite and its text whole Unicode."""
    try:
        read = json.loads(
            body or b"{}", parse_int=_whole, parse_float=_finite, parse_constant=_finite
        )
        json.dumps(read, ensure_ascii=False).encode()
    except (ValueError, RecursionError):
        read = None
    if not isinstance(read, dict):
        msg = "An action is a JSON object with plain figures and text."
        raise NoAction(msg)
    return read


def _whole(digits: str) -> int:
    if len(digits) > _MOST_DIGITS:
        raise ValueError(digits)
    return int(digits)


def _finite(figure: str) -> float:
    if not math.isfinite(value := float(figure)):
        raise ValueError(figure)
    return value


def page_dialler(plan_path: Path, ledger: Ledger, look: Callable[[], str | None]) -> Dialler:
    """Return what works out powers when the page asks: the way of the command `dial`.

    Solos may have to be decoded for it, so it is done in a process of its own.

    Parameters
    ----------
    plan_path
        The plan.
    ledger
        Where reduced solos are kept, and takes say what was turned.
    look
        Returns the look that is worn.
    """
    place = None if ledger.in_memory else ledger.place

    def dial() -> tuple[dict[str, Any], Drawable]:
        with SpawnedWork(_DIAL_S) as process:
            return process.run(_dialled, plan_path, place, look(), fails=_DIAL_FAILS)

    return dial


def _dialled(
    plan_path: Path, place: str | None, look: str | None
) -> tuple[dict[str, Any], Drawable]:
    """Return the answer with its picture."""
    from stopwise.ledger import Ledger
    from stopwise.preparing.dialling import dial_plan
    from stopwise.report.dial_slip import light_drawable

    with ExitStack() as opened:
        ledger = None if place is None else opened.enter_context(Ledger(place))
        done = dial_plan(plan_path, look=look, ledger=ledger)
    picture = light_drawable(done.answer.picture, mid_grey=done.plan.camera.mid_grey)
    return {**done.answer.to_json(), "notes": list(done.sentences)}, picture
