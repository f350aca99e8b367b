"""The thread that looks at the folder: at once where an event hints, and all of it at intervals."""

from __future__ import annotations

import logging
import os
import threading
import time
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any, Protocol

from stopwise.errors import StopwiseError, refusal, what_failed
from stopwise.folder import listing

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from stopwise.folder.listing import Listing, Settled

_GAP_S = 0.01
"""Pause between two looks, so that a burst of events at one file is one look."""

_SHARE = 0.05
"""Most of the time that sweeps may take."""

_MOST_HINTS = 2000
"""Hints above which a sweep is cheaper."""

_POLL_S = 1.0
"""Interval at which listings are compared where the system gives no events."""

_LOG, _NOWHERE = logging.getLogger("watchdog"), logging.NullHandler()
"""What the library logs of an event that comes while it is ended is nobody's concern: events are
hints. Without a handler of its own it would be written to stderr."""

_TELLING = frozenset({"created", "modified", "closed", "moved", "deleted", "attrib"})
_END_S = 5.0  # seconds that ending waits for a thread, which may hang in a dead mount


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


class FolderEvents:
    """Folder events as hints at paths; what they miss, the sweep finds.

    Parameters
    ----------
    folder
        The watched folder.
    hint
        Called with each path, relative to the folder, with ``/``.
    is_polling
        Whether to compare listings instead of asking the system, as network shares need.
    """

    def __init__(self, folder: str, hint: Callable[[str], None], *, is_polling: bool) -> None:
        self._folder = folder
        self._hint = hint
        self._is_polling = is_polling
        self._observer: Any = None

    def start(self) -> str | None:
        """Begin to listen; return why there are no events, or None if there are."""
        from watchdog.observers import Observer
        from watchdog.observers.polling import PollingObserver

        self.close()
        _LOG.addHandler(_NOWHERE)
        try:
            observer: Any = PollingObserver(timeout=_POLL_S) if self._is_polling else Observer()
            observer.schedule(self, self._folder, recursive=True)
            observer.start()
        except (OSError, RuntimeError) as error:
            return refusal(error)
        self._observer = observer
        return None

    def is_listening(self) -> bool:
        """Tell whether events still come: the observer and all that it runs are alive."""
        observer = self._observer
        return observer is not None and all(
            emitter.is_alive() for emitter in (observer, *observer.emitters)
        )

    def close(self) -> None:
        """Stop listening."""
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(timeout=_END_S)
            self._observer = None

    def dispatch(self, event: Any) -> None:
        """Take one event from the observer; the folder itself and what is outside give no hint."""
        if event.event_type not in _TELLING:
            return
        for path in (event.src_path, event.dest_path):
            if path:
                relative = os.path.relpath(os.fsdecode(path), self._folder)
                if relative != os.curdir and not relative.startswith(os.pardir):
                    self._hint(relative.replace(os.sep, "/"))


class FolderScanner:
    """Looks at the folder in a thread of its own, so that a slow disk doesn't hold the loop up.

    Events are hints: each has its path looked at. The sweep is the truth; it comes every `sweep_s`,
    or less often where it would take more than a twentieth of the time.

    Parameters
    ----------
    folder
        The watched folder.
    wake
        Called after something was seen.
    settled
        What has been dealt with so far; see :class:`listing.Listing`.
    is_polling
        Whether hints come from comparing listings.
    sweep_s
        Seconds between sweeps.
    """

    def __init__(
        self,
        folder: str,
        *,
        wake: Callable[[], None],
        settled: Settled,
        is_polling: bool = False,
        sweep_s: float = 2.0,
    ) -> None:
        self._folder = folder
        self._wake, self._settled = wake, settled
        self._events = FolderEvents(folder, self.hint, is_polling=is_polling)
        self._no_events: str | None = None
        self._listens_to: tuple[int, int] | None = None
        self._sweep_s = sweep_s
        self._seen: SimpleQueue[Listing] = SimpleQueue()
        self._hints: dict[str, None] = {}
        self._change = threading.Condition()
        self._is_closing = False
        self._next_sweep = 0.0
        self._failed: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="stopwise-scan", daemon=True)

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
        StopwiseError
            If something has ended the looking: a watch that is blind must not seem to go on.
        """
        if self._failed is not None:
            msg = (
                f"{self._folder} can't be looked through any more: {what_failed(self._failed)}. "
                "Start the watch again: what lands until then is judged then."
            )
            raise StopwiseError(msg) from self._failed
        while not self._seen.empty():
            yield self._seen.get_nowait()

    def close(self) -> None:
        """Stop looking, once the look that is on has ended."""
        with self._change:
            self._is_closing = True
            self._change.notify()
        if self._thread.is_alive():
            self._thread.join(timeout=_END_S)
        self._events.close()

    def _run(self) -> None:
        try:
            while (hints := self._next_hints()) is not None:
                if hints:
                    self._give(listing.look_at(self._folder, hints))
                if time.monotonic() >= self._next_sweep:
                    self._sweep()
                time.sleep(_GAP_S)
        except Exception as error:  # noqa: BLE001 (raised again in the watch loop)
            self._failed = error
            self._wake()

    def _next_hints(self) -> list[str] | None:
        """Wait for something to do; return the hints since the last call, None to end."""
        with self._change:
            self._change.wait_for(
                lambda: self._is_closing or self._hints or time.monotonic() >= self._next_sweep,
                timeout=max(self._next_sweep - time.monotonic(), 0.0),
            )
            hints, self._hints = list(self._hints), {}
            return None if self._is_closing else hints

    def _sweep(self) -> None:
        began = time.monotonic()
        self._next_sweep = began + self._sweep_s
        self._listen()
        found = listing.sweep(self._folder, self._settled)
        found.no_events = self._no_events
        self._give(found)
        took = time.monotonic() - began
        with self._change:
            if self._next_sweep > 0.0:
                self._next_sweep = began + max(self._sweep_s, took / _SHARE)

    def _listen(self) -> None:
        """Begin to listen, and begin again when the folder is another or the events have ended."""
        try:
            status = os.stat(self._folder)  # noqa: PTH116 (names may hold any byte)
        except OSError:
            return
        here = status.st_dev, status.st_ino
        if here != self._listens_to or not self._events.is_listening():
            self._no_events = self._events.start()
            self._listens_to = here

    def _give(self, seen: Listing) -> None:
        self._seen.put(seen)
        self._wake()
