"""Keep what the decoder prints on stderr away from the user, and hear it: it tells of damage.

The decoding library reports data errors that it steps over only as text on the process's standard
error, and its Python binding offers no other way to learn of them. While a file is decoded that
stream is turned into a temporary file; the decoder's own lines are kept, all others passed on.
"""

from __future__ import annotations

import os
import sys
import tempfile
import threading
from contextlib import contextmanager
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

_STDERR = 2
_ONE_AT_A_TIME = threading.Lock()
_DECODER_SAYS = (b"unknown file:", b"unknown:")


@contextmanager
def hushed() -> Iterator[list[str]]:
    """Hold back the decoder's lines while the block runs.

    Yields
    ------
    list of str
        Empty; holds the decoder's lines once the block has ended. It stays empty where the process
        has no standard error.
    """
    heard: list[str] = []
    with _ONE_AT_A_TIME:
        held = _hold()
        try:
            yield heard
        finally:
            if held is not None:
                heard += _release(*held)


def _hold() -> tuple[int, IO[bytes]] | None:
    try:
        if sys.stderr is not None:
            sys.stderr.flush()
        kept = os.dup(_STDERR)
    except (OSError, ValueError):
        return None
    try:
        store = tempfile.TemporaryFile()  # noqa: SIM115 - it is closed when the stream is given back
        os.dup2(store.fileno(), _STDERR)
    except OSError:
        os.close(kept)
        return None
    return kept, store


def _release(kept: int, store: IO[bytes]) -> list[str]:
    os.dup2(kept, _STDERR)
    os.close(kept)
    with store:
        store.seek(0)
        lines = store.read().splitlines(keepends=True)
    decoder = [line for line in lines if line.startswith(_DECODER_SAYS)]
    for line in lines:
        if line not in decoder:
            os.write(_STDERR, line)
    return [line.split(b":", 1)[1].strip().decode("ascii", "replace") for line in decoder]
