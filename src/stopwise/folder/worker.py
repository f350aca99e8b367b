"""What runs in a worker process: it assesses one file after another and answers over a pipe."""

from __future__ import annotations

import os
import signal
import sys
import threading
from multiprocessing import parent_process
from multiprocessing.connection import wait
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable
    from multiprocessing.connection import Connection

_OUTPUTS = (1, 2)


def serve(
    connection: Connection,
    assess: Callable[..., Any],
    prepare: Callable[..., Any] | None,
    memory_bytes: int | None,
) -> None:
    """Answer each request until the pipe is closed.

    A request is whether to prepare, and the arguments of `prepare` or `assess`; the answer is True
    and the value, or False and what happened.
    """
    _stand_alone()
    _limit_memory(memory_bytes)
    connection.send((True, os.getpid()))
    while True:
        try:
            is_ahead, arguments = connection.recv()
        except (EOFError, OSError):
            return
        _answer(connection, prepare if is_ahead and prepare else assess, arguments)


def _answer(connection: Connection, assess: Callable[..., Any], arguments: tuple[Any, ...]) -> None:
    try:
        answer: tuple[bool, Any] = (True, assess(*arguments))
    except MemoryError:
        answer = (False, "it ran out of memory")
    except Exception as error:  # noqa: BLE001 (whatever it is, it costs this file and no other)
        answer = (False, f"{type(error).__name__}: {error}")
    try:
        connection.send(answer)
    except (MemoryError, ValueError, TypeError, AttributeError) as error:
        connection.send((False, f"its answer can't be handed over: {error}"))


def _stand_alone() -> None:
    """Leave Ctrl-C to the parent, keep the terminal clean, and end when the parent does."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for output in _OUTPUTS:
        os.dup2(nowhere, output)
    threading.Thread(target=_end_with_parent, name="stopwise-parent", daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(0)


def _limit_memory(memory_bytes: int | None) -> None:
    """Have the system refuse more memory than this, where it can."""
    if memory_bytes is None or sys.platform == "win32":
        return
    import resource

    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    limit = memory_bytes if hard == resource.RLIM_INFINITY else min(memory_bytes, hard)
    try:
        resource.setrlimit(resource.RLIMIT_AS, (limit, hard))
    except (ValueError, OSError):
        return
