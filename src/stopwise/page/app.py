"""The page's application: every route in one list, each a small function on the desk."""

from __future__ import annotations

import asyncio
import hashlib
import json
from contextlib import asynccontextmanager
from dataclasses import fields
from functools import cache
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, FileSystemLoader
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.templating import Jinja2Templates

from stopwise.page import difference, doing
from stopwise.page.desk import RUN_LENGTH
from stopwise.page.edits import plan_view
from stopwise.page.gate import Gate
from stopwise.page.news import last_number
from stopwise.page.views import plan_floor
from stopwise.report.look import DARK, LIGHT
from stopwise.shoot.saying import turned_text
from stopwise.shoot.standing import offered_turn
from stopwise.wording import shown

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator

    from starlette.requests import Request

    from stopwise.ledger import Kept
    from stopwise.page.desk import Desk
    from stopwise.page.gate import Rules
    from stopwise.page.news import Event
    from stopwise.page.pictures import Showing, Shown

_HERE = Path(__file__).parent
_A_PIECE = 200
_KINDS = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
_MOST_BACK = 500
"""Missed frames that are sent again one by one; a page that missed more loads anew."""

_templates = Jinja2Templates(
    env=Environment(loader=FileSystemLoader(_HERE / "templates"), autoescape=True)
)


def make_app(desk: Desk, rules: Rules) -> Starlette:
    """Return the application.

    Parameters
    ----------
    desk
        What the pages are served from.
    rules
        Who may come in, and whether anything may be changed.
    """

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        desk.news.open()
        yield
        desk.news.close()

    app = Starlette(
        routes=[
            Route("/", page),
            Route("/quiet", quiet),
            Route("/frames", frames),
            Route("/events", events),
            Route("/views", views),
            Route("/find", find),
            Route("/view/{number:int}", view),
            Route("/picture/{number:int}", picture),
            Route("/overlay/{number:int}", overlay),
            Route("/difference/{before:int}/{after:int}", compared),
            Route("/predicted", predicted),
            Route("/plan", plan),
            Route("/theme.css", theme),
            *doing.routes,
            Route("/static/{name}", static),
        ],
        middleware=[Middleware(Gate, rules)],
        lifespan=lifespan,
    )
    app.state.desk = desk
    return app


def desk_of(request: Request) -> Desk:
    """Return the desk that a request is served from."""
    desk: Desk = request.app.state.desk
    return desk


async def static(request: Request) -> Response:
    """Answer with one of the page's own files, which are few, small and held in memory."""
    held = _static().get(request.path_params["name"])
    if held is None:
        return _gone()
    body, kind, tag = held
    headers = {"etag": tag, "cache-control": "no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(body, media_type=kind, headers=headers)


@cache
def _static() -> dict[str, tuple[bytes, str, str]]:
    """Return body, type and tag of each file by its name."""
    held = {}
    for file in sorted((_HERE / "static").iterdir()):
        body = file.read_bytes()
        tag = f'"{hashlib.sha256(body).hexdigest()[:16]}"'
        held[file.name] = (body, _KINDS[file.suffix], tag)
    return held


async def page(request: Request) -> Response:
    """Answer with the page."""
    context = {"may_edit": desk_of(request).may_edit}
    return _templates.TemplateResponse(request, "page.html", context)


async def quiet(request: Request) -> Response:
    """Answer with the client's view: picture, frame number, one dot."""
    return _templates.TemplateResponse(request, "quiet.html")


async def frames(request: Request) -> Response:
    """Answer with the records as JSON, newest last; `?last=N` for only so many."""
    last = last_number(request.query_params.get("last"))
    kept = await run_in_threadpool(desk_of(request).ledger.frames.all, last=last)
    return StreamingResponse(_as_array(kept), media_type="application/json")


def _as_array(kept: Iterator[Kept]) -> Iterator[str]:
    """Yield a JSON array in pieces of many records; run off the loop, as all plain iterators."""
    yield "["
    comma = ""
    while piece := [json.dumps(one.record, allow_nan=False) for one in islice(kept, _A_PIECE)]:
        yield comma + ",".join(piece)
        comma = ","
    yield "]"


async def events(request: Request) -> Response:
    """Answer with the live stream; what was missed since the last event comes first."""
    seen = last_number(request.headers.get("last-event-id") or request.query_params.get("after"))
    return StreamingResponse(
        _stream(desk_of(request), seen),
        media_type="text/event-stream",
        headers={"x-accel-buffering": "no"},
    )


async def _stream(desk: Desk, seen: int | None) -> AsyncIterator[bytes]:
    listener = desk.news.join()
    yield b"retry: 1000\n\n"
    if seen is not None:
        missed = await run_in_threadpool(
            lambda: list(desk.ledger.frames.all(after_frame=seen))[-_MOST_BACK:]
        )
        for kept in missed:
            for told in await run_in_threadpool(_listed, desk, kept):
                yield told.wire
    for told in desk.now():
        yield told.wire
    async for wire in desk.news.listen(listener):
        yield wire


def _listed(desk: Desk, kept: Kept) -> list[Event]:
    return list(desk.events_of(kept))


async def views(request: Request) -> Response:
    """Answer with the run and the last frame's whole view: all that a page needs to begin."""
    desk = desk_of(request)
    kept = await run_in_threadpool(lambda: list(desk.ledger.frames.all(last=RUN_LENGTH)))
    newest = await run_in_threadpool(lambda: [desk.view(one) for one in kept[-1:]])
    runs = await run_in_threadpool(lambda: [desk.run_point(one) for one in kept])
    last = max((one.frame for one in kept), default=0)
    return JSONResponse({"run": runs, "view": newest[0] if newest else None, "last": last})


async def view(request: Request) -> Response:
    """Answer with one frame's view."""
    desk = desk_of(request)
    kept = await _kept(request, "number")
    if kept is None:
        return _gone()
    return JSONResponse(await run_in_threadpool(desk.view, kept))


async def find(request: Request) -> Response:
    """Answer with the number and name of a frame, given by its number or its file's name."""
    frames, said = desk_of(request).ledger.frames, request.query_params.get("name", "").strip()
    number = last_number(said)
    kept = None if number is None else await run_in_threadpool(frames.by_number, number)
    if kept is None and said:
        kept = await run_in_threadpool(frames.by_name, said)
    if kept is None:
        return _gone()
    return JSONResponse({"number": kept.frame, "file": shown(kept.row["file"])})


async def picture(request: Request) -> Response:
    """Answer with one frame's picture as JPEG."""
    showing = await _showing(request, "number")
    image = None if showing is None else await asyncio.wrap_future(showing.image)
    return _gone() if image is None else Response(image, media_type="image/jpeg")


async def overlay(request: Request) -> Response:
    """Answer with what is drawn over one frame's picture."""
    held = await _shown(request, "number")
    return _gone() if held is None else Response(held.overlay, media_type="application/json")


async def compared(request: Request) -> Response:
    """Answer with the difference of two frames: a row a patch, and contours in stops."""
    before, after = await _kept(request, "before"), await _kept(request, "after")
    if before is None or after is None:
        return _gone()
    pictures = [await _shown(request, key) for key in ("before", "after")]
    lines: list[dict[str, Any]] = []
    if pictures[0] is not None and pictures[1] is not None:
        planes = [held.luminance for held in pictures if held is not None]
        stops = difference.settings_stops(before.record, after.record)
        lines = await run_in_threadpool(difference.contours, *planes, settings_stops=stops)
    rows = difference.patch_rows(before.record, after.record)
    return JSONResponse({"patches": rows, "contours": lines})


async def predicted(request: Request) -> Response:
    """Answer with the picture that the last dialled powers would give."""
    held = desk_of(request).predicted
    return _gone() if held is None else Response(held, media_type="image/jpeg")


async def plan(request: Request) -> Response:
    """Answer with what the page needs of the plan."""
    desk = desk_of(request)
    now = desk.plan()
    held = plan_view(now, look=request.query_params.get("look"))
    turn = await run_in_threadpool(offered_turn, desk.ledger)
    more = {"floor": plan_floor(now), "may_edit": desk.may_edit, "noticed": turned_text(turn)}
    return JSONResponse({**held, **more})


async def theme(_: Request) -> Response:
    """Answer with the colours of both themes, from the one place where they are kept."""
    rules = [
        f"{selector} {{ {_variables(theme)} }}"
        for selector, theme in ((":root", DARK), (':root[data-theme="light"]', LIGHT))
    ]
    return Response("\n".join(rules), media_type="text/css")


def _variables(colours: Any) -> str:
    return " ".join(f"--{one.name}: {getattr(colours, one.name)};" for one in fields(colours))


async def _kept(request: Request, key: str) -> Kept | None:
    number = request.path_params[key]
    return await run_in_threadpool(desk_of(request).ledger.frames.by_number, number)


async def _showing(request: Request, key: str) -> Showing | None:
    kept = await _kept(request, key)
    return None if kept is None else desk_of(request).pictures.get(kept.frame, kept.record)


async def _shown(request: Request, key: str) -> Shown | None:
    showing = await _showing(request, key)
    return None if showing is None else await asyncio.wrap_future(showing.whole)


def _gone() -> Response:
    return JSONResponse({"say": "There is no such frame, or its file is gone."}, 404)
