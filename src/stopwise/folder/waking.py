"""Wake the watch loop from another thread or a signal, on every system."""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence
    from multiprocessing.connection import Connection

_LONGEST_S = 0.5


class Waker:
    """A pipe that ends a wait. `wake` takes no lock, so that a signal's handler may call it."""

    def __init__(self) -> None:
        self._receiver, self._sender = multiprocessing.Pipe(duplex=False)
        self._is_awake = False

    def wake(self) -> None:
        """End the wait that is on, or the next one."""
        if self._is_awake:
            return
        self._is_awake = True
        try:
            self._sender.send_bytes(b"!")
        except OSError:  # closed: nobody waits any more
            return

    def wait(self, others: Sequence[Connection | int], timeout_s: float | None) -> None:
        """Wait until `wake`, or something in `others` is ready, or the time is over.

        No wait is longer than half a second, since on some systems a signal can't end one.
        """
        limit = _LONGEST_S if timeout_s is None else min(max(timeout_s, 0.0), _LONGEST_S)
        multiprocessing.connection.wait([self._receiver, *others], limit)
        while self._receiver.poll():
            self._receiver.recv_bytes()
        self._is_awake = False

    def close(self) -> None:
        """Close the pipe."""
        self._receiver.close()
        self._sender.close()
