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

_asked = threading.Event()
_held = threading.Event()


def leave_when_asked() -> None:
    """Have Ctrl-C and the like end this process with 0 from now on, until a watch takes over."""
    if threading.current_thread() is threading.main_thread():
        for number in _numbers():
            signal.signal(number, _leave)


def _leave(_number: int, _frame: object) -> None:
    _asked.set()  # for the case that a library swallows the exit, or it is held
    if not _held.is_set():
        raise SystemExit(0)


@contextmanager
def beginning_a_process() -> Iterator[None]:
    """Have a process that is begun meanwhile never hear Ctrl-C, and be begun whole.

    It would print a traceback if we left before it is handed what it is to do; who is asked to
    leave meanwhile does so when a watch takes over. That the main thread blocks a signal isn't
    enough: any thread of a library hears it too, and Python runs the handler in the main one.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    _held.set()
    try:
        resource_tracker.ensure_running()  # it would let Ctrl-C through again while it starts
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            yield
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
    finally:
        _held.clear()


@contextmanager
def ended_by_signals(wake: Callable[[], None]) -> Iterator[threading.Event]:
    """Give an event that Ctrl-C and the like set; `wake` is called after it is.

    The handlers that were there come back at the end; where the command has left by
    :func:`leave_when_asked` before, these stay, so that what is put away then isn't cut short. Who
    is asked again, seconds after, ends at once. Outside the main thread, where Python allows no
    handlers, the event is set by nobody.
    """
    stop = threading.Event()
    asked_at: list[float] = []

    def end(_number: int, _frame: object) -> None:
        asked_at.append(time.monotonic())
        if asked_at[-1] - asked_at[0] > _SECOND_ASK_S:
            os._exit(0)
        stop.set()
        wake()

    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    before = {number: signal.signal(number, end) for number in _numbers()}
    if _asked.is_set():
        stop.set()
    try:
        yield stop
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
