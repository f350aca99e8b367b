"""End a watch cleanly on Ctrl-C and on the signals that ask a process to end."""

from __future__ import annotations

import signal
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_ENDING = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


@contextmanager
def ended_by_signals(wake: Callable[[], None]) -> Iterator[threading.Event]:
    """Give an event that Ctrl-C and the like set; `wake` is called after it is.

    The handlers that were there come back at the end. Outside the main thread, where Python allows
    no handlers, the event is set by nobody.
    """
    stop = threading.Event()

    def end(_number: int, _frame: object) -> None:
        stop.set()
        wake()

    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    numbers = [getattr(signal, name) for name in _ENDING if hasattr(signal, name)]
    before = {number: signal.signal(number, end) for number in numbers}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
