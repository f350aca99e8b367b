"""The content hash, taken beside the decoding so that no verdict waits for it."""

from __future__ import annotations

import hashlib
import os
import stat
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

from stopwise.ledger.frames import Stamp

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Future

_CHUNK = 1 << 20
_NO_BLOCK = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOFOLLOW", 0)
_BINARY = getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)


class FileChanged(OSError):
    """A file isn't any more what it was when its turn came."""


def content_hash(path: str, stamp: Stamp | None = None) -> str:
    """Return the SHA-256 of a file's bytes, hexadecimal.

    The file is opened for reading only; links aren't followed and a pipe doesn't block.

    Raises
    ------
    FileChanged
        If its stamp differs from `stamp` before or after reading.
    OSError
        If it can't be opened or read.
    """
    descriptor = os.open(path, os.O_RDONLY | _NO_BLOCK | _BINARY)
    with open(descriptor, "rb", buffering=0) as stream:  # noqa: PTH123
        _check(descriptor, stamp)
        digest = hashlib.sha256()
        while chunk := stream.read(_CHUNK):
            digest.update(chunk)
        _check(descriptor, stamp)
    return digest.hexdigest()


def _check(descriptor: int, stamp: Stamp | None) -> None:
    status = os.fstat(descriptor)
    if not stat.S_ISREG(status.st_mode) or (stamp is not None and Stamp.of(status) != stamp):
        msg = "the file has changed"
        raise FileChanged(msg)


class Hasher:
    """Hashes files one after another in a thread; hashlib lets the other threads run meanwhile."""

    def __init__(self, wake: Callable[[], None]) -> None:
        self._wake = wake
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="stopwise-hash")

    def begin(self, path: str, stamp: Stamp) -> Future[str]:
        """Begin to hash a file; `wake` is called when it is done."""
        future = self._thread.submit(content_hash, path, stamp)
        future.add_done_callback(lambda _: self._wake())
        return future

    def close(self) -> None:
        """Leave what hasn't begun."""
        self._thread.shutdown(wait=True, cancel_futures=True)
