"""The live stream: told from the watcher's thread, sent to every page as server-sent events."""

from __future__ import annotations

import asyncio
import threading
from typing import TYPE_CHECKING

from stopwise.page.as_json import json_of

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

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
