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
        digest = hashlib.sha256(os.fsencode(folder)).hexdigest()[:_DIGITS]
        self._place = None if ledger.in_memory else f"{ledger.place}.watch-{digest}"
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


def _lock(descriptor: int) -> None:
    """Lock a whole file without waiting; the system unlocks it when it is closed."""
    if sys.platform == "win32":
        import msvcrt

        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
