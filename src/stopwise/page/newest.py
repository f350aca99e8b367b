"""A thread that does what was asked last first: who looks at a screen waits for the newest."""

from __future__ import annotations

import threading
from collections import deque
from concurrent.futures import Future
from typing import TYPE_CHECKING, Any, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")


class NewestFirst:
    """One thread of work, newest first.

    Parameters
    ----------
    name
        The thread's name.
    """

    def __init__(self, name: str) -> None:
        self._waiting: deque[tuple[Future[Any], Callable[[], Any]]] = deque()
        self._changed = threading.Condition()
        self._is_open = True
        threading.Thread(target=self._work, name=name, daemon=True).start()

    def submit(self, work: Callable[[], T]) -> Future[T]:
        """Ask for work, and return where its result will be."""
        future: Future[T] = Future()
        with self._changed:
            if self._is_open:
                self._waiting.append((future, work))
            else:
                future.cancel()
            self._changed.notify()
        return future

    def close(self) -> None:
        """Cancel what waits; what is being done is finished."""
        with self._changed:
            self._is_open = False
            for future, _ in self._waiting:
                future.cancel()
            self._waiting.clear()
            self._changed.notify()

    def _work(self) -> None:
        while True:
            with self._changed:
                while self._is_open and not self._waiting:
                    self._changed.wait()
                if not self._is_open:
                    return
                future, work = self._waiting.pop()
            if not future.set_running_or_notify_cancel():
                continue
            try:
                future.set_result(work())
            except Exception as error:  # noqa: BLE001 - it belongs to who asked
                future.set_exception(error)
