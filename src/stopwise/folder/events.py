"""Folder events as hints: watchdog's observer, or its polling one where the system gives none."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable

_POLL_S = 1.0
_TELLING = frozenset({"created", "modified", "closed", "moved", "deleted", "attrib"})


class Events:
    """Turns folder events into hints at paths; what they miss, the sweep finds.

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
        self.close()
        try:
            observer = self._new_observer()
            observer.schedule(self, self._folder, recursive=True)
            observer.start()
        except (OSError, RuntimeError) as error:
            return getattr(error, "strerror", None) or str(error)
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
            self._observer.join(timeout=5.0)
            self._observer = None

    def dispatch(self, event: Any) -> None:
        """Take one event from the observer."""
        if event.event_type not in _TELLING:
            return
        for path in (event.src_path, event.dest_path):
            relative = self._relative(path) if path else None
            if relative is not None:
                self._hint(relative)

    def _relative(self, path: str | bytes) -> str | None:
        """Return a path as the ledger names it, or None for the folder itself or one outside it."""
        relative = os.path.relpath(os.fsdecode(path), self._folder)
        if relative == os.curdir or relative.startswith(os.pardir):
            return None
        return relative.replace(os.sep, "/")

    def _new_observer(self) -> Any:
        if self._is_polling:
            from watchdog.observers.polling import PollingObserver

            return PollingObserver(timeout=_POLL_S)
        from watchdog.observers import Observer

        return Observer()
