"""Files read one after another in a worker: for `check`, after one took too long in its process."""

from __future__ import annotations

from multiprocessing.connection import wait
from typing import TYPE_CHECKING, Any

from stopwise.folder.supplies import Failure, Task
from stopwise.folder.workers import ProcessPool
from stopwise.raw.bounds import FailedOnFileError, Limits, size_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_LOOK_S = 0.5
"""Seconds of one wait for the worker, in which on some systems Ctrl-C isn't heard."""


class OneWorker:
    """Reads files one after another in a process of its own; see :class:`raw.bounds.InTime`."""

    def __init__(self, read: Callable[..., Any], limits: Limits) -> None:
        self._pool = ProcessPool(read, size=1, limits=limits)

    def answer(self, path: Path, *rest: Any) -> Any:
        """Return what `read` returns for a file.

        Raises
        ------
        FailedOnFileError
            If it raised anything, or the worker broke.
        """
        self._pool.start(Task(0, (path, *rest), size_of(path)))
        while not (done := self._pool.finished()):
            wait(self._pool.waitables(), _LOOK_S)
        value = done[0].value
        if isinstance(value, Failure):
            raise FailedOnFileError(value.what)
        return value

    def close(self) -> None:
        """End the worker."""
        self._pool.close()
