"""The live page: the watch as the pages see it, and the stream on which they are told of it."""

from __future__ import annotations

import asyncio
import json
import secrets
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.errors import LedgerError
from stopwise.page.as_json import json_of
from stopwise.page.pictures import Pictures, PicturesAgain, SpawnedWork
from stopwise.page.plan_views import plan_then, turned_after
from stopwise.page.views import FrameView, frame_view, run_point
from stopwise.report.lamp_words import HeldHeadline

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Mapping
    from pathlib import Path

    from stopwise.ledger import Kept, Ledger
    from stopwise.page.trying import Trying
    from stopwise.page.views import RunPoint
    from stopwise.plan.model import Plan
    from stopwise.report.drawable import Drawable
    from stopwise.shoot.standing import DialNow

_MOST_WAITING = 256
"""Events that a slow page may leave unread before it is cut off; it comes back and catches up."""

SILENCE_S = 3.0
"""Seconds of silence after which a beat is sent, so that a dead line is noticed on both ends."""

Listener = asyncio.Queue[bytes | None]
"""What one page hasn't been sent; None ends its stream."""


def event(name: str, data: object, *, number: int | None = None) -> bytes:
    """Return a server-sent event (HTML standard) with JSON as its data, on one line.

    Parameters
    ----------
    name
        The event's type.
    data
        A typed value, or JSON that is written already.
    number
        Becomes the event's id, which a page sends back when it reconnects.
    """
    head = "" if number is None else f"id: {number}\n"
    return (
        f"{head}event: {name}\ndata: ".encode()
        + (data if isinstance(data, bytes) else json_of(data))
        + b"\n\n"
    )


class Stream:
    """Hands each event to every page. `tell` may be called from any thread and never waits."""

    def __init__(self) -> None:
        self._pages: set[Listener] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._lock = threading.Lock()

    def open(self) -> None:
        """Begin; called on the loop that serves the pages."""
        with self._lock:
            self._loop = asyncio.get_running_loop()

    def close(self) -> None:
        """End every stream; may be called from any thread."""
        with self._lock:
            loop, self._loop = self._loop, None
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._end_all)

    @property
    def listeners(self) -> int:
        """How many pages listen."""
        return len(self._pages)

    def tell(self, *events: bytes) -> None:
        """Send events to every page, in this order; none before `open` and after `close`."""
        with self._lock:
            if self._loop is not None and not self._loop.is_closed():
                self._loop.call_soon_threadsafe(self._hand_out, events)

    def join(self) -> Listener:
        """Begin to collect for one more page, so that nothing falls between past and present."""
        page = Listener(_MOST_WAITING)
        self._pages.add(page)
        return page

    async def listen(self, page: Listener, beat: Callable[[], bytes]) -> AsyncIterator[bytes]:
        """Yield what a page is sent until it leaves or is cut off, and a beat while nothing is."""
        try:
            while True:
                try:
                    told = await asyncio.wait_for(page.get(), SILENCE_S)
                except TimeoutError:
                    told = beat()
                if told is None:
                    return
                yield told
        finally:
            self._pages.discard(page)

    def _hand_out(self, events: tuple[bytes, ...]) -> None:
        for page in list(self._pages):
            for one in events:
                if page.full():
                    self._end(page)
                    break
                page.put_nowait(one)

    def _end_all(self) -> None:
        for page in list(self._pages):
            self._end(page)

    def _end(self, page: Listener) -> None:
        self._pages.discard(page)
        while not page.empty():
            page.get_nowait()
        page.put_nowait(None)


RUN_LENGTH = 60
"""Frames that a page holds of the run: a phone 375 pixels wide leaves 3 of them to each."""

_NAME = "page ledger"
"""Setting of the ledger."""

_MOST_BACK = 20
"""Unreadable frames behind which the last judged one is looked for."""


@dataclass(frozen=True, slots=True)
class Status:
    """How far the watch is, and what was said to it and still holds.

    Attributes
    ----------
    behind, backlog
        Frames that landed and aren't judged, and those found older than the watch.
    decoding
        Files in hand.
    said
        Look, lamps that are meant to be lit and frames that are awaited, in a few words each.
    take
        The take that is on; None before the first.
    """

    behind: int = 0
    backlog: int = 0
    decoding: tuple[str, ...] = ()
    said: tuple[str, ...] = ()
    take: int | None = None


@dataclass(frozen=True, slots=True)
class Held:
    """A lamp that was out and is still called, in two lines.

    Attributes
    ----------
    is_out
        Whether it has fired in no frame since.
    """

    say: str
    do: str
    is_out: bool


@dataclass(frozen=True, slots=True)
class Beat:
    """The ledger, its newest frame, the time here in ms since 1970. Every answer names them."""

    ledger: str
    newest: int
    now_ms: int


@dataclass(frozen=True, slots=True)
class FrameShown:
    """A frame as a page is told of it, whole, with what is held since; `view` None before any."""

    view: FrameView | None
    held: Held | None
    beat: Beat


@dataclass(frozen=True, slots=True)
class PageBegun:
    """All that a page needs to begin: the run, and the newest frame."""

    run: tuple[RunPoint, ...]
    shown: FrameShown


class LivePage:
    """A watch's ledger, folder and plan, shown on pages.

    Parameters
    ----------
    ledger, folder
        Of the watch.
    plan
        Returns the plan as it stands now, each lamp at the power that it was said to be turned to.
    plan_path
        The plan file; None where there is none, and then what needs one is refused.
    pictures
        Makes and holds pictures; None makes those of the ledger's files again when asked.

    Attributes
    ----------
    dials
        Returns where each lamp's dial stands, as said and as read; nowhere where nobody knows.
    trying
        Works out and tries powers, and is closed with the page; None where there is no way to.
    """

    def __init__(
        self,
        ledger: Ledger,
        folder: Path,
        *,
        plan: Callable[[], Plan | None],
        plan_path: Path | None = None,
        pictures: Pictures | None = None,
    ) -> None:
        self.ledger = ledger
        self.folder = folder
        self.plan = plan
        self.dials: Callable[[], Mapping[str, DialNow]] = dict
        self.plan_path = plan_path
        self.trying: Trying | None = None
        self.predicted: bytes | None = None
        self.stream = Stream()
        self.again = SpawnedWork()
        self._pictures_again = PicturesAgain(ledger)
        self.pictures = pictures or Pictures(self._pictures_again)
        self._plan_read: Plan | None = None
        self._lock = threading.Lock()
        self._held = HeldHeadline()
        self._status = Status()
        self._ledger_name = _name_of(ledger)
        self._newest = 0
        for kept in ledger.frames.all(last=RUN_LENGTH):
            self._held.see(kept.record)
            self._newest = kept.frame

    def close(self) -> None:
        """End every stream, and make no more pictures."""
        self.stream.close()
        self.pictures.close()
        self._pictures_again.close()
        self.again.close()
        if self.trying is not None:
            self.trying.close()

    def landed(self, kept: Kept, picture: Callable[[], Drawable] | None) -> None:
        """Tell every page of a frame that was judged and is kept; its picture is made meanwhile."""
        if picture is not None:
            self.pictures.put(kept, picture)
        with self._lock:
            self._held.see(kept.record)
            self._newest = max(self._newest, kept.frame)
        self.stream.tell(self.beat_event(), *self.events_of(kept))

    def look_round(self, status: Status, *, plan_read: Plan | None = None) -> None:
        """Tell where the watch is, and of a plan that was read again; cheap, call it often.

        Parameters
        ----------
        status
            Where the watch is; told where it has changed.
        plan_read
            The plan as its file was read last: the same object until it is read again.
        """
        with self._lock:
            is_news, self._status = status != self._status, status
            before, self._plan_read = self._plan_read, plan_read
        if is_news:
            self.stream.tell(event("status", status))
        if before is not None and plan_read is not before:
            self.plan_changed()

    def plan_changed(self) -> None:
        """Tell that the plan was read again, so that pages ask for it."""
        self.stream.tell(event("plan", self.beat()))
        if self.trying is not None:
            self.trying.warm()

    def note(self, words: str) -> None:
        """Tell one line of text."""
        self.stream.tell(event("note", words))

    def fixed(self) -> None:
        """Let the headline go of a lamp that was out."""
        with self._lock:
            self._held.fixed()
        self.stream.tell(event("held", self.held()))

    def shown(self, kept: Kept | None) -> FrameShown:
        """Return a frame as a page is told of it: whatever it is asked for, it is one thing."""
        return FrameShown(None if kept is None else self._view(kept), self.held(), self.beat())

    def begun(self) -> PageBegun:
        """Return all that a page needs to begin."""
        kept = list(self.ledger.frames.all(last=RUN_LENGTH))
        self._newest = max([self._newest, *(one.frame for one in kept[-1:])])
        run = tuple(run_point(one.frame, one.record) for one in kept)
        return PageBegun(run, self.shown(kept[-1] if kept else None))

    def newest(self) -> Kept | None:
        """Return the newest frame."""
        kept = next(iter(self.ledger.frames.all(last=1)), None)
        self._newest = max(self._newest, 0 if kept is None else kept.frame)
        return kept

    def _view(self, kept: Kept) -> FrameView:
        turned = turned_after(self.ledger.takes.all(), kept.record.take)
        return frame_view(
            kept,
            plan_then(self.plan(), turned),
            turned_since=turned,
            before=self._judged_before(kept) if kept.record.verdict == "unreadable" else None,
        )

    def _judged_before(self, kept: Kept) -> Kept | None:
        for number in range(kept.frame - 1, max(kept.frame - _MOST_BACK, 0), -1):
            before = self.ledger.frames.by_number(number)
            if before is not None and before.record.verdict not in ("unreadable", "measured"):
                return before
        return None

    def events_of(self, kept: Kept) -> tuple[bytes, bytes]:
        """Return what is sent of a frame: the record for programs, and what the page shows."""
        row = json.dumps(kept.row, allow_nan=False, separators=(",", ":")).encode()
        return event("frame", row, number=kept.frame), event("shown", self.shown(kept))

    def now(self) -> tuple[bytes, ...]:
        """Return what a page must know that has just come."""
        return event("status", self._status), event("held", self.held()), self.beat_event()

    def beat(self) -> Beat:
        """Return the newest frame, and the time here."""
        return Beat(self._ledger_name, self._newest, time.time_ns() // 1_000_000)

    def held(self) -> Held | None:
        """Return the lamp that was out and is still called; None where none is."""
        with self._lock:
            lines = self._held.lines()
            return None if lines is None else Held(*lines, is_out=self._held.is_out)

    def beat_event(self) -> bytes:
        """Return what is sent while there is no news."""
        return event("beat", self.beat())


def _name_of(ledger: Ledger) -> str:
    """Return what tells a ledger from others, so that a page doesn't mix the frames of two."""
    name = ledger.settings.get(_NAME)
    if not isinstance(name, str):
        name = secrets.token_hex(8)
        with suppress(LedgerError):
            ledger.settings.set(_NAME, name)
    return name
