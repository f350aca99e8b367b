"""The `stopwise` command that kills itself in one state of a frame, as a cut of power would.

`STOPWISE_TEST_KILL` names the state and how often it must have come before: "written 12". Workers
read this file too, and end with the watch.
"""

from __future__ import annotations

import os
import signal
import threading
from typing import TYPE_CHECKING, Any

from stopwise.folder.in_progress import FilesInProgress
from stopwise.folder.states import FileStates
from stopwise.folder.watcher import Watcher
from stopwise.ledger import Ledger
from stopwise.ledger.frames import Frames

if TYPE_CHECKING:
    from collections.abc import Callable

STATES = {
    "beginning": (Ledger, "__init__", "before"),
    "seen": (FileStates, "see", "after"),
    "queued": (FileStates, "next_job", "before"),
    "handed to a worker": (FilesInProgress, "begin", "after"),
    "with a worker": (FilesInProgress, "begin", "a moment after"),
    "answered": (FilesInProgress, "_leave", "after"),
    "decided": (Watcher, "_write", "before"),
    "written": (Frames, "keep", "after"),
    "kept": (Watcher, "_kept", "before"),
    "told": (Watcher, "_kept", "after"),
}
"""Where each state of a frame begins: what is called then, and when of it. "written" is inside the
transaction, "kept" right after it."""

MOMENT_S = 0.01
"""In the midst of what a worker does with a small frame: 10 to 20 ms on this kind of machine."""


def die() -> None:
    """End this process as nothing can catch."""
    os.kill(os.getpid(), signal.SIGKILL)


def kill_in(state: str, times: int) -> None:
    """Have this process die the `times`-th time that a frame comes into a state."""
    owner, name, when = STATES[state]
    whole: Callable[..., Any] = getattr(owner, name)
    left = [times]

    def counted(*arguments: Any, **more: Any) -> Any:
        left[0] -= 1
        if left[0] == 0 and when == "before":
            die()
        if left[0] == 0 and when == "a moment after":
            threading.Timer(MOMENT_S, die).start()
        answer = whole(*arguments, **more)
        if left[0] == 0 and when == "after":
            die()
        return answer

    setattr(owner, name, counted)


if __name__ == "__main__":
    from stopwise.__main__ import main

    if asked := os.environ.get("STOPWISE_TEST_KILL"):
        named, _, count = asked.rpartition(" ")
        kill_in(named, int(count))
    main()
