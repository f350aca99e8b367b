"""Open a file for reading only, and say plainly what stands in the way."""

from __future__ import annotations

import stat
from typing import TYPE_CHECKING, BinaryIO

from stopwise.conditions import condition
from stopwise.errors import PathMissing, Unreadable

if TYPE_CHECKING:
    from pathlib import Path


def open_to_read(path: Path) -> tuple[BinaryIO, int]:
    """Return an open stream and the file's size in bytes.

    Raises
    ------
    PathMissing
        If nothing is there, or something that isn't a file.
    Unreadable
        If the system refuses to open it, or it holds no bytes.
    """
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            msg = f"{path} is not a file. Name a camera raw file."
            raise PathMissing(msg)
        stream = path.open("rb")
    except (FileNotFoundError, NotADirectoryError) as error:
        msg = f"{path} isn't there. Check the name, and that its disk is connected."
        raise PathMissing(msg) from error
    except OSError as error:
        raise Unreadable(path, condition("no_access"), _said(error)) from error
    if status.st_size == 0:
        stream.close()
        raise Unreadable(path, condition("empty"))
    return stream, status.st_size


def read_all(stream: BinaryIO, path: Path) -> bytes:
    """Return all bytes of an open file.

    Raises
    ------
    Unreadable
        If the medium fails on the way, or memory doesn't hold them.
    """
    try:
        stream.seek(0)
        return stream.read()
    except OSError as error:
        raise Unreadable(path, condition("no_access"), _said(error)) from error
    except MemoryError as error:
        raise Unreadable(path, condition("too_large"), "memory doesn't hold the file") from error


def _said(error: OSError) -> str:
    return (error.strerror or type(error).__name__).lower()
