"""End a watch cleanly on Ctrl-C and on the signals that ask a process to end, from the very start.

Before a watch runs there is nothing to be put away: who is asked then just leaves, with 0. Nothing
heavy is imported here, so that this can be the first thing that the command does.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_ENDING = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")
_SECOND_ASK_S = 5.0
"""Seconds after the first asking from which on another ends the process at once: putting away what
was begun takes less."""


class Ending:
    """What Ctrl-C and the like have asked of a watch.

    Attributes
    ----------
    stop
        Set once the watch is asked to end.
    wake
        Called after it is set; whoever waits for something else hangs on here.
    """

    def __init__(self) -> None:
        self.stop = threading.Event()
        self.wake: Callable[[], None] = lambda: None


def leave_when_asked() -> None:
    """Have Ctrl-C and the like end this process with 0 at once, until a watch takes over.

    Nothing is raised for it: what a handler raises comes up in whatever runs just then, and a
    library may take it for a failure of its own.
    """
    if threading.current_thread() is threading.main_thread():
        for number in _numbers():
            signal.signal(number, _leave)


def _leave(_number: int, _frame: object) -> None:
    os._exit(0)


@contextmanager
def beginning_a_process() -> Iterator[None]:
    """Have a process that is begun meanwhile never hear Ctrl-C: it would print a traceback."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # it would let Ctrl-C through again while it starts
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def ended_by_signals() -> Iterator[Ending]:
    """Give what Ctrl-C and the like ask of a watch, for as long as the block lasts.

    The handlers that were there come back at the end; where the command has left by
    :func:`leave_when_asked` before, these stay, so that what is put away then isn't cut short. Who
    is asked again, seconds after, ends at once. Outside the main thread, where Python allows no
    handlers, nobody asks.
    """
    asked = Ending()
    asked_at: list[float] = []

    def end(_number: int, _frame: object) -> None:
        asked_at.append(time.monotonic())
        if asked_at[-1] - asked_at[0] > _SECOND_ASK_S:
            os._exit(0)
        asked.stop.set()
        asked.wake()

    if threading.current_thread() is not threading.main_thread():
        yield asked
        return
    before = {number: signal.signal(number, end) for number in _numbers()}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            if handler is not _leave:
                signal.signal(number, handler)


def _numbers() -> list[signal.Signals]:
    """Return the signals that end a watch; a hang-up that is ignored (nohup) stays so."""
    numbers = [signal.Signals[name] for name in _ENDING if name in signal.Signals.__members__]
    hangs_up = signal.Signals.__members__.get("SIGHUP")
    if hangs_up is not None and signal.getsignal(hangs_up) is signal.SIG_IGN:
        numbers.remove(hangs_up)
    return numbers
