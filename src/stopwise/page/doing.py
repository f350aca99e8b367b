"""What pages may do: each route reads its JSON, acts, and answers with one sentence."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from stopwise.errors import StopwiseError, WrongUse
from stopwise.page import edits
from stopwise.page.edits import Stale, Which
from stopwise.page.pictures import jpeg
from stopwise.report.lamp_words import dial_words

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.requests import Request

    from stopwise.ledger import Kept
    from stopwise.page.desk import Desk

_MOST_BYTES = 65_536
_BODY_S = 10.0


class TooSlow(WrongUse):
    """A request's body did not come in time."""


def _acting(
    act: Callable[[Desk, dict[str, Any]], str | dict[str, Any]],
) -> Callable[[Request], Any]:
    """Return a route that does `act` off the loop, and says in words what came of it."""

    async def route(request: Request) -> Response:
        desk: Desk = request.app.state.desk
        try:
            said = await run_in_threadpool(act, desk, await _body(request))
        except Stale as error:
            return JSONResponse({"say": str(error)}, 409)
        except TooSlow as error:
            return JSONResponse({"say": str(error)}, 408)
        except StopwiseError as error:
            return JSONResponse({"say": str(error)}, 422)
        except OSError as error:
            return JSONResponse({"say": f"That can't be written: {error.strerror}."}, 500)
        return JSONResponse({"say": said} if isinstance(said, str) else said)

    return route


async def _body(request: Request) -> dict[str, Any]:
    try:
        async with asyncio.timeout(_BODY_S):
            held = await _held(request)
    except TimeoutError:
        msg = "The action didn't come whole in time. Try again."
        raise TooSlow(msg) from None
    try:
        body = json.loads(held or b"{}")
    except ValueError:
        body = None
    if not isinstance(body, dict):
        msg = "An action is a JSON object."
        raise WrongUse(msg)
    return body


async def _held(request: Request) -> bytes:
    held = b""
    async for part in request.stream():
        held += part
        if len(held) > _MOST_BYTES:
            msg = "That is more than an action can hold."
            raise WrongUse(msg)
    return held


def _text(body: dict[str, Any], key: str) -> str:
    value = body.get(key)
    if not isinstance(value, str) or not value.strip():
        msg = f"Say which {key}."
        raise WrongUse(msg)
    return value.strip()


def _texts(body: dict[str, Any], key: str) -> list[str]:
    values = body.get(key)
    if not isinstance(values, list) or not all(isinstance(value, str) for value in values):
        msg = f"Say which {key}."
        raise WrongUse(msg)
    return values


def _frame(desk: Desk, body: dict[str, Any]) -> Kept:
    number = body.get("number")
    kept = desk.ledger.frames.by_number(number) if isinstance(number, int) else None
    if kept is None:
        msg = "There is no such frame."
        raise WrongUse(msg)
    return kept


def _which(name: str, body: dict[str, Any]) -> Which:
    return Which(name, None if body.get("look") is None else _text(body, "look"))


def _save_patch(desk: Desk, body: dict[str, Any]) -> str:
    name, values, was = _text(body, "name"), body.get("values"), body.get("was")
    if not isinstance(values, dict) or not isinstance(was, dict | None):
        msg = "A patch's values are a JSON object."
        raise WrongUse(msg)
    edits.save_patch(desk.actions.plan_file, _which(name, body), values, was=was)
    desk.plan_changed()
    return f"Saved {name} in the plan."


def _delete_patch(desk: Desk, body: dict[str, Any]) -> str:
    name = _text(body, "name")
    edits.delete_patch(desk.actions.plan_file, _which(name, body))
    desk.plan_changed()
    return f"Took {name} out of the plan. Undo puts it back."


def _save_backdrop(desk: Desk, body: dict[str, Any]) -> str:
    boxes, was = body.get("boxes"), body.get("was")
    if not isinstance(boxes, list) or not isinstance(was, list):
        msg = "The backdrop's boxes are a list."
        raise WrongUse(msg)
    edits.save_backdrop(desk.actions.plan_file, boxes, was=was)
    desk.plan_changed()
    return "Saved the backdrop's boxes in the plan."


def _undo(desk: Desk, _: dict[str, Any]) -> str:
    said = desk.actions.undo()
    desk.plan_changed()
    return said


def _adopt(desk: Desk, body: dict[str, Any]) -> str:
    said = desk.actions.adopt(_frame(desk, body).record)
    desk.plan_changed()
    return said


def _mark(desk: Desk, body: dict[str, Any]) -> str:
    said = desk.actions.mark(_frame(desk, body), _text(body, "part"))
    desk.plan_changed()
    return said


def _take(desk: Desk, body: dict[str, Any]) -> str:
    said = body.get("turned", "")
    if not isinstance(said, str):
        msg = 'Say what was turned: "key -0.5".'
        raise WrongUse(msg)
    return desk.actions.begin_take(said.strip())


def _lit(desk: Desk, body: dict[str, Any]) -> str:
    return desk.actions.lit(None if body.get("lamps") is None else _texts(body, "lamps"))


def _look(desk: Desk, body: dict[str, Any]) -> str:
    return desk.actions.look(None if body.get("look") is None else _text(body, "look"))


def _expect(desk: Desk, body: dict[str, Any]) -> str:
    return desk.actions.expect(_texts(body, "parts"))


def _dial(desk: Desk, _: dict[str, Any]) -> dict[str, Any]:
    if desk.dial is None:
        msg = "Powers can't be worked out here: the plan needs a solo of each lamp."
        raise WrongUse(msg)
    answer, picture = desk.dial()
    desk.predicted = None if picture is None else jpeg(picture.image)
    plan = desk.plan()
    said = [
        {"name": name, "words": dial_words(plan.light(name) if plan else None, **lamp)}
        for name, lamp in answer["lamps"].items()
    ]
    return {
        "say": "Worked out from the solos.",
        "lamps": said,
        "patches": answer["predicted"]["patches"],
        "unmet": [target["say"] for target in answer["unmet"]],
        "notes": answer.get("notes", []),
        "has_picture": picture is not None,
    }


def _acknowledge(desk: Desk, _: dict[str, Any]) -> str:
    desk.acknowledge()
    return "Fixed."


routes = [
    Route(path, _acting(act), methods=["POST"])
    for path, act in (
        ("/do/patch", _save_patch),
        ("/do/patch/delete", _delete_patch),
        ("/do/backdrop", _save_backdrop),
        ("/do/undo", _undo),
        ("/do/adopt", _adopt),
        ("/do/mark", _mark),
        ("/do/take", _take),
        ("/do/lit", _lit),
        ("/do/look", _look),
        ("/do/expect", _expect),
        ("/do/dial", _dial),
        ("/do/acknowledge", _acknowledge),
    )
]
"""Every action, as the page calls it."""
