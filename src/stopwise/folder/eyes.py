"""The thread that looks at the folder: at once where an event hints, and all of it at intervals."""

from __future__ import annotations

import os
import threading
import time
from collections import deque
from dataclasses import replace
from queue import SimpleQueue
from typing import TYPE_CHECKING, Protocol

from stopwise.folder import looking

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from stopwise.folder.events import Events
    from stopwise.folder.sightings import Listing
    from stopwise.ledger.frames import Stamp

_GAP_S = 0.01
_CHUNK = 32
_SHARE = 0.05
_MOST_HINTS = 2000


class Sight(Protocol):
    """What the watch loop asks for listings."""

    def start(self) -> None:
        """Begin to look."""

    def listings(self) -> Iterator[Listing]:
        """Yield what was seen since the last call."""

    def sweep_soon(self) -> None:
        """Look through the whole folder as soon as possible."""

    def close(self) -> None:
        """Stop looking."""


class Eyes:
    """Looks at the folder in a thread of its own, so that a slow disk doesn't hold the loop up.

    Events are hints: each has its path looked at. The sweep is the truth; it comes every `sweep_s`,
    or less often where it would take more than a twentieth of the time. What a sweep finds is
    looked into afterwards, some files at a time, so that hints never wait for a flood.

    Parameters
    ----------
    folder
        The watched folder.
    needs_look
        Whether a path with this stamp must be opened to see if it is whole.
    wake
        Called after something was seen.
    events
        Makes the source of hints, given where to send them; None for sweeps alone.
    sweep_s
        Seconds between sweeps.
    """

    def __init__(
        self,
        folder: str,
        *,
        needs_look: Callable[[str, Stamp], bool],
        wake: Callable[[], None],
        events: Callable[[Callable[[str], None]], Events] | None = None,
        sweep_s: float = 2.0,
    ) -> None:
        self._folder = folder
        self._needs_look = needs_look
        self._wake = wake
        self._events = None if events is None else events(self.hint)
        self._no_events: str | None = None
        self._listens_to: tuple[int, int] | None = None
        self._sweep_s = sweep_s
        self._seen: SimpleQueue[Listing] = SimpleQueue()
        self._hints: dict[str, None] = {}
        self._unseen: deque[str] = deque()
        self._change = threading.Condition()
        self._is_closing = False
        self._next_sweep = 0.0
        self._failed: Exception | None = None
        self._thread = threading.Thread(target=self._look, name="stopwise-eyes", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def hint(self, path: str) -> None:
        """Have a path looked at soon; called from the threads that get events."""
        with self._change:
            self._hints[path] = None
            if len(self._hints) > _MOST_HINTS:
                self._hints.clear()
                self._next_sweep = 0.0
            self._change.notify()

    def sweep_soon(self) -> None:
        """Look through the whole folder as soon as possible."""
        with self._change:
            self._next_sweep = 0.0
            self._change.notify()

    def listings(self) -> Iterator[Listing]:
        """Yield what was seen since the last call.

        Raises
        ------
        Exception
            What ended the looking, if anything has: a watch that is blind must not seem to go on.
        """
        if self._failed is not None:
            raise self._failed
        while not self._seen.empty():
            yield self._seen.get_nowait()

    def close(self) -> None:
        """Stop looking, once the look that is on has ended."""
        with self._change:
            self._is_closing = True
            self._change.notify()
        if self._thread.is_alive():
            self._thread.join(timeout=5.0)
        if self._events is not None:
            self._events.close()

    def _look(self) -> None:
        try:
            self._look_on()
        except Exception as error:  # noqa: BLE001 (raised again in the watch loop)
            self._failed = error
            self._wake()

    def _look_on(self) -> None:
        while True:
            with self._change:
                self._change.wait_for(self._has_work, timeout=self._pause_s())
                if self._is_closing:
                    return
                hints, self._hints = list(self._hints), {}
            self._look_at(hints)
            if time.monotonic() >= self._next_sweep:
                self._sweep()
            self._look_at([self._unseen.popleft() for _ in range(_CHUNK) if self._unseen])
            time.sleep(_GAP_S)

    def _look_at(self, paths: list[str]) -> None:
        if paths:
            seen = looking.look_at(
                self._folder, paths, needs_look=self._needs_look, probe=looking.wholeness
            )
            self._give(seen)

    def _sweep(self) -> None:
        began = time.monotonic()
        self._next_sweep = began + self._sweep_s
        self._listen()
        listing = looking.sweep(self._folder)
        self._give(replace(listing, no_events=self._no_events))
        self._unseen = deque(looking.unseen(listing, self._needs_look))
        took = time.monotonic() - began
        with self._change:
            if self._next_sweep > 0.0:
                self._next_sweep = began + max(self._sweep_s, took / _SHARE)

    def _listen(self) -> None:
        """Begin to listen, and begin again when the folder is another or the events have ended."""
        if self._events is None:
            return
        here = _number_of(self._folder)
        if here is None or (here == self._listens_to and self._events.is_listening()):
            return
        self._no_events = self._events.start()
        self._listens_to = here

    def _give(self, listing: Listing) -> None:
        self._seen.put(listing)
        self._wake()

    def _has_work(self) -> bool:
        is_due = time.monotonic() >= self._next_sweep
        return bool(self._is_closing or self._hints or self._unseen or is_due)

    def _pause_s(self) -> float:
        return max(self._next_sweep - time.monotonic(), 0.0)


def _number_of(folder: str) -> tuple[int, int] | None:
    """Return what tells a folder from another under the same name, None where it isn't there."""
    try:
        status = os.stat(folder)  # noqa: PTH116 (names may hold any byte)
    except OSError:
        return None
    return status.st_dev, status.st_ino
