"""A reader that hangs on files of one size, in a module that a spawned worker can import."""

from __future__ import annotations

import os
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

RELEASED = threading.Event()
"""Lets a reader that hangs in this process go at the end."""

HANGS = 5000
"""Bytes of the file that is never read to its end."""


def read(path: Path, told: str) -> tuple[str, int]:
    """Return what was told and the process that read; never, for a file of one size."""
    if path.stat().st_size == HANGS:
        RELEASED.wait(3600)
    if told == "raise":
        raise ValueError(told)
    return told, os.getpid()
