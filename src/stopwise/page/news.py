"""News for the pages: told from the watcher's thread, sent to every page as server-sent events."""

from __future__ import annotations

import asyncio
import json
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

_MOST_WAITING = 256
"""Events that a slow page may leave unread before it is cut off; it comes back and catches up."""

_QUIET_S = 15.0
"""A comment is sent after so much silence, so that a dead line is noticed on both ends."""


@dataclass(frozen=True, slots=True)
class Event:
    """One server-sent event, its bytes made once for all pages.

    Attributes
    ----------
    name
        The event's type.
    wire
        As it goes over the wire (HTML standard, server-sent events).
    """

    name: str
    wire: bytes


def event(name: str, data: object, *, number: int | None = None) -> Event:
    """Return an event with JSON as its data, on one line whatever it holds.

    Parameters
    ----------
    name
        The event's type.
    data
        Plain JSON.
    number
        Becomes the event's id, which a page sends back when it reconnects.
    """
    text = json.dumps(data, allow_nan=False, separators=(",", ":"))
    head = "" if number is None else f"id: {number}\n"
    return Event(name, f"{head}event: {name}\ndata: {text}\n\n".encode())


@dataclass(eq=False, slots=True)
class Page:
    """One page that listens.

    Attributes
    ----------
    queue
        What it hasn't been sent; None ends the stream.
    """

    queue: asyncio.Queue[Event | None] = field(default_factory=lambda: asyncio.Queue(_MOST_WAITING))


class News:
    """Hands each event to every page. `tell` may be called from any thread and never waits."""

    def __init__(self) -> None:
        self._pages: set[Page] = set()
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

    def tell(self, *events: Event) -> None:
        """Send events to every page, in this order; none before `open` and after `close`."""
        with self._lock:
            if self._loop is not None and not self._loop.is_closed():
                self._loop.call_soon_threadsafe(self._hand_out, events)

    async def listen(self, page: Page) -> AsyncIterator[bytes]:
        """Yield what a page is sent until it leaves or is cut off."""
        try:
            while True:
                try:
                    told = await asyncio.wait_for(page.queue.get(), _QUIET_S)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                if told is None:
                    return
                yield told.wire
        finally:
            self._pages.discard(page)

    def join(self) -> Page:
        """Begin to collect for one more page, so that nothing falls between past and present."""
        page = Page()
        self._pages.add(page)
        return page

    def _hand_out(self, events: tuple[Event, ...]) -> None:
        for page in list(self._pages):
            for one in events:
                if page.queue.full():
                    self._end(page)
                    break
                page.queue.put_nowait(one)

    def _end_all(self) -> None:
        for page in list(self._pages):
            self._end(page)

    def _end(self, page: Page) -> None:
        self._pages.discard(page)
        while not page.queue.empty():
            page.queue.get_nowait()
        page.queue.put_nowait(None)


def last_number(text: str | None) -> int | None:
    """Return the number of the last event that a page has seen; None for a new page."""
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 19 else None
