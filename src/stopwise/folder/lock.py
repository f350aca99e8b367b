"""One watcher a folder and ledger: a lock that the system drops when its holder ends."""

from __future__ import annotations

import errno
import hashlib
import os
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stopwise.ledger import Ledger

_DIGITS = 12
"""Hexadecimal digits of a folder's digest: 48 bits tell a user's folders apart."""

_HELD_BY_OTHER = frozenset({errno.EACCES, errno.EAGAIN, errno.EDEADLK})


class WatchLock:
    """The right to judge one folder into one ledger.

    It is an empty file beside the ledger, locked as a whole. Where the system can't lock it, nobody
    is held up: the ledger's own rules still keep each content in one row.

    Parameters
    ----------
    ledger
        The ledger.
    folder
        The watched folder.
    """

    def __init__(self, ledger: Ledger, folder: str) -> None:
        self._place = None if ledger.in_memory else _place(ledger.place, folder)
        self._descriptor: int | None = None

    def take(self) -> bool:
        """Take the lock; return False while another watcher holds it."""
        if self._place is None or self._descriptor is not None:
            return True
        try:
            descriptor = os.open(self._place, os.O_RDWR | os.O_CREAT, 0o644)
        except OSError:
            return True
        try:
            _lock(descriptor)
        except OSError as error:
            os.close(descriptor)
            return error.errno not in _HELD_BY_OTHER
        self._descriptor = descriptor
        return True

    def drop(self) -> None:
        """Let another watcher have it."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def is_watched(ledger: str, folder: str) -> bool:
    """Tell whether a watcher works on a folder with a ledger's file now."""
    try:
        descriptor = os.open(_place(ledger, folder), os.O_RDWR)
    except OSError:
        return False
    try:
        _lock(descriptor)
    except OSError as error:
        return error.errno in _HELD_BY_OTHER
    finally:
        os.close(descriptor)
    return False


def _place(ledger: str, folder: str) -> str:
    digest = hashlib.sha256(os.fsencode(folder)).hexdigest()[:_DIGITS]
    return f"{ledger}.watch-{digest}"


def _lock(descriptor: int) -> None:
    """Lock a whole file without waiting; the system unlocks it when it is closed."""
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
