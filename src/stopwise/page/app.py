"""The page's application: every route in one list, each a small function on the live page."""

from __future__ import annotations

import asyncio
import hashlib
import json
from contextlib import asynccontextmanager
from dataclasses import asdict, dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from jinja2 import Environment, FileSystemLoader
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route
from starlette.templating import Jinja2Templates

from stopwise.errors import StopwiseError
from stopwise.page.actions import Reply, action_routes, tried_by, would_adopt
from stopwise.page.as_json import answered
from stopwise.page.gate import Gate
from stopwise.page.overlay import LevelLine, difference_lines
from stopwise.page.plan_views import plan_view
from stopwise.page.trying import TrialAsked
from stopwise.page.views import PatchDifference, changes_view, settings_stops
from stopwise.report.look import DARK, LIGHT
from stopwise.wording import shown

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator

    from starlette.requests import Request

    from stopwise.ledger import Kept
    from stopwise.page.gate import Rules
    from stopwise.page.live import LivePage
    from stopwise.page.plan_views import PlanView

_HERE = Path(__file__).parent
_A_PIECE = 200
"""Records that are written at once."""

_MOST_MISSED = 500
"""Missed frames that are sent again one by one; a page that missed more loads anew."""

_MOST_DIGITS = 18
"""Of a frame's number: what the ledger's rows can have."""

_KINDS = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
_templates = Jinja2Templates(
    env=Environment(loader=FileSystemLoader(_HERE / "templates"), autoescape=True)
)


def make_app(live: LivePage, rules: Rules) -> Starlette:
    """Return the application.

    Parameters
    ----------
    live
        What the pages are served from.
    rules
        Who may come in, and whether anything may be changed.
    """

    @asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        live.stream.open()
        yield
        live.stream.close()

    app = Starlette(
        routes=[
            Route("/", page),
            Route("/quiet", quiet),
            Route("/frames", frames),
            Route("/events", events),
            Route("/begin", begin),
            Route("/newest", newest),
            Route("/find", find),
            Route("/adoption/{number}", adoption),
            Route("/view/{number}", view),
            Route("/picture/{number}", picture),
            Route("/overlay/{number}", overlay),
            Route("/difference/{before}/{after}", difference),
            Route("/predicted", predicted),
            Route("/trying", trying),
            Route("/trying/light", light),
            Route("/tried", tried),
            Route("/plan", plan),
            Route("/theme.css", theme),
            Route("/static/{name}", static),
            *action_routes(live),
        ],
        middleware=[Middleware(Gate, rules)],
        exception_handlers={StopwiseError: _say_why},
        lifespan=lifespan,
    )
    app.state.live, app.state.rules, app.state.static = live, rules, dict(_static_files())
    return app


async def page(request: Request) -> Response:
    """Answer with the page."""
    context = {"may_edit": request.app.state.rules.may_edit}
    return _templates.TemplateResponse(request, "page.html", context)


async def quiet(request: Request) -> Response:
    """Answer with the client's view: picture, frame number, one dot."""
    return _templates.TemplateResponse(request, "quiet.html")


async def frames(request: Request) -> Response:
    """Answer with the records as JSON, newest last; `?last=N` for only so many."""
    last = last_number(request.query_params.get("last"))
    kept = await run_in_threadpool(_live(request).ledger.frames.all, last=last)
    return StreamingResponse(_as_array(kept), media_type="application/json")


def _as_array(kept: Iterator[Kept]) -> Iterator[str]:
    """Yield a JSON array in pieces of many records; run off the loop, as all plain iterators."""
    yield "["
    comma = ""
    while piece := [json.dumps(one.row, allow_nan=False) for one in islice(kept, _A_PIECE)]:
        yield comma + ",".join(piece)
        comma = ","
    yield "]"


async def events(request: Request) -> Response:
    """Answer with the live stream; what was missed since the last event comes first."""
    seen = last_number(request.headers.get("last-event-id") or request.query_params.get("after"))
    return StreamingResponse(
        _told(_live(request), seen),
        media_type="text/event-stream",
        headers={"x-accel-buffering": "no"},
    )


async def _told(live: LivePage, seen: int | None) -> AsyncIterator[bytes]:
    listener = live.stream.join()
    yield b"retry: 1000\n\n"
    if seen is not None:
        missed = await run_in_threadpool(lambda: [*live.ledger.frames.all(after_frame=seen)])
        for kept in missed[-_MOST_MISSED:]:
            yield b"".join(await run_in_threadpool(live.events_of, kept))
    for told in live.now():
        yield told
    async for told in live.stream.listen(listener, live.beat_event):
        yield told


async def begin(request: Request) -> Response:
    """Answer with all that a page needs to begin; what trying needs is made ready meanwhile."""
    if (trying := _live(request).trying) is not None:
        trying.warm()
    return answered(await run_in_threadpool(_live(request).begun))


async def newest(request: Request) -> Response:
    """Answer with the newest frame as the page shows it."""
    live = _live(request)
    return answered(await run_in_threadpool(lambda: live.shown(live.newest())))


@dataclass(frozen=True, slots=True)
class FrameFound:
    """A frame that was looked for."""

    number: int
    file: str


async def find(request: Request) -> Response:
    """Answer with the number and name of a frame, given by its number or its file's name."""
    frames, said = _live(request).ledger.frames, request.query_params.get("name", "").strip()
    number = last_number(said)
    kept = None if number is None else await run_in_threadpool(frames.by_number, number)
    if kept is None and said:
        kept = await run_in_threadpool(frames.by_name, said)
    if kept is None:
        raise NoSuchFrame
    return answered(FrameFound(kept.frame, shown(kept.row["file"])))


async def view(request: Request) -> Response:
    """Answer with one frame as the page shows it."""
    kept = await _kept(request)
    return answered(await run_in_threadpool(_live(request).shown, kept))


async def adoption(request: Request) -> Response:
    """Answer with what adopting a frame would change, target by target."""
    live, number = _live(request), (await _kept(request)).frame
    return answered(await run_in_threadpool(would_adopt, live, number))


async def picture(request: Request) -> Response:
    """Answer with one frame's picture as JPEG."""
    showing = _live(request).pictures.get(await _kept(request))
    return _found(await asyncio.wrap_future(showing.image), "image/jpeg")


async def overlay(request: Request) -> Response:
    """Answer with what is drawn over one frame's picture."""
    showing = _live(request).pictures.get(await _kept(request))
    whole = await asyncio.wrap_future(showing.whole)
    return _found(None if whole is None else whole.overlay, "application/json")


@dataclass(frozen=True, slots=True)
class Difference:
    """How two frames differ, which they are with it."""

    before: int
    after: int
    patches: tuple[PatchDifference, ...]
    contours: tuple[LevelLine, ...]


async def difference(request: Request) -> Response:
    """Answer with the difference of two frames: a row a patch, and contours in stops."""
    before, after = await _kept(request, "before"), await _kept(request, "after")
    pictures = _live(request).pictures
    wholes = [asyncio.wrap_future(pictures.get(kept).whole) for kept in (before, after)]
    planes = [held.luminance for held in await asyncio.gather(*wholes) if held is not None]
    lines: tuple[LevelLine, ...] = ()
    if len(planes) == len(wholes):
        stops = settings_stops(before.record, after.record)
        lines = await run_in_threadpool(difference_lines, *planes, settings_stops=stops)
    rows = changes_view(before.record, after.record)
    return answered(Difference(before.frame, after.frame, rows, lines))


async def predicted(request: Request) -> Response:
    """Answer with the picture that the last dialled powers would give."""
    return _found(_live(request).predicted, "image/jpeg")


async def trying(request: Request) -> Response:
    """Answer with the lamps as they stand, ready to be tried."""
    return answered(await run_in_threadpool(tried_by(_live(request)).opened))


async def light(request: Request) -> Response:
    """Answer with the light of each lamp, for the browser to add up."""
    body = await run_in_threadpool(tried_by(_live(request)).light)
    return Response(body, media_type="application/octet-stream")


async def tried(request: Request) -> Response:
    """Answer with what a trial would give: `?said={"trial": {"turns": {"key": -0.5}}}`."""
    asked = TrialAsked.read(request.query_params.get("said", ""))
    return answered(await run_in_threadpool(tried_by(_live(request)).tried, asked))


async def plan(request: Request) -> Response:
    """Answer with what the page needs of the plan."""
    live, look = _live(request), request.query_params.get("look")

    def viewed() -> PlanView:
        return plan_view(live.plan(), live.ledger, look=look, dials=live.dials())

    return answered(await run_in_threadpool(viewed))


async def theme(_: Request) -> Response:
    """Answer with the colours of both themes, from the one place where they are kept."""
    rules = [
        f"{selector} {{ {' '.join(f'--{name}: {colour};' for name, colour in colours)} }}"
        for selector, colours in (
            (":root", asdict(DARK).items()),
            (':root[data-theme="light"]', asdict(LIGHT).items()),
        )
    ]
    return Response("\n".join(rules), media_type="text/css")


async def static(request: Request) -> Response:
    """Answer with one of the page's own files, which are few, small and held in memory."""
    body, kind, tag = request.app.state.static.get(request.path_params["name"], (None, "", ""))
    headers = {"etag": tag, "cache-control": "no-cache"}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return _found(body, kind, headers)


def _static_files() -> Iterator[tuple[str, tuple[bytes, str, str]]]:
    """Yield the name of each file with its body, type and tag."""
    for file in sorted((_HERE / "static").iterdir()):
        body = file.read_bytes()
        tag = f'"{hashlib.sha256(body).hexdigest()[:16]}"'
        yield file.name, (body, _KINDS[file.suffix], tag)


def last_number(text: str | None) -> int | None:
    """Return the number of a frame that a page has seen or asks for; None where it is none."""
    is_number = text and text.isascii() and text.isdigit() and len(text) <= _MOST_DIGITS
    return int(text) if text and is_number else None


def _live(request: Request) -> LivePage:
    live: LivePage = request.app.state.live
    return live


class NoSuchFrame(StopwiseError):
    """There is no such frame, or its file is gone."""

    def __init__(self) -> None:
        super().__init__("There is no such frame, or its file is gone.")


class NoFrameNumber(StopwiseError):
    """A number has more digits than any frame's."""

    def __init__(self) -> None:
        super().__init__(f"A frame's number has {_MOST_DIGITS} digits at most.")


async def _kept(request: Request, key: str = "number") -> Kept:
    asked = request.path_params[key]
    if (number := last_number(asked)) is None:
        raise NoFrameNumber if asked.isdecimal() else NoSuchFrame
    kept = await run_in_threadpool(_live(request).ledger.frames.by_number, number)
    if kept is None:
        raise NoSuchFrame
    return kept


def _found(body: bytes | None, kind: str, headers: dict[str, str] | None = None) -> Response:
    if body is None:
        raise NoSuchFrame
    return Response(body, media_type=kind, headers=headers)


async def _say_why(_: Request, error: Exception) -> Response:
    """Answer with why there is nothing to show."""
    code = (
        404 if isinstance(error, NoSuchFrame) else 400 if isinstance(error, NoFrameNumber) else 422
    )
    return answered(Reply(str(error)), code)
