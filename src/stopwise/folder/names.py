"""Which names in a folder count as raw files, and how a name from outside is shown."""

from __future__ import annotations

import os
import re
from pathlib import PurePosixPath

RAW_SUFFIXES = frozenset({
    ".3fr", ".arw", ".bay", ".cap", ".cr2", ".cr3", ".crw", ".dcr", ".dcs", ".dng", ".drf", ".eip",
    ".erf", ".fff", ".gpr", ".iiq", ".k25", ".kdc", ".mdc", ".mef", ".mos", ".mrw", ".nef", ".nrw",
    ".orf", ".pef", ".ptx", ".pxn", ".raf", ".raw", ".rw2", ".rwl", ".rwz", ".sr2", ".srf", ".srw",
    ".x3f",
})  # fmt: skip
"""Suffixes that raw files have, in lower case (common practice: the decoder's own list is open)."""

PICTURE_SUFFIXES = frozenset({".heic", ".heif", ".hif", ".jpe", ".jpeg", ".jpg"})
"""Suffixes of the finished pictures that a camera may write beside a raw file."""

_HIDDEN = (".", "~", "$")


def is_raw(name: str) -> bool:
    """Tell whether a file name is a raw file's. Hidden and temporary names are not."""
    return not is_hidden(name) and _suffix(name) in RAW_SUFFIXES


def is_picture(name: str) -> bool:
    """Tell whether a file name is that of a finished picture such as a JPEG."""
    return not is_hidden(name) and _suffix(name) in PICTURE_SUFFIXES


def is_hidden(name: str) -> bool:
    """Tell whether a file or folder name is one that programs keep to themselves.

    Copying programs write under such names, or under another suffix, and rename when they are done.
    """
    return name.startswith(_HIDDEN)


def stem(path: str) -> str:
    """Return a path's last part without its suffix, in lower case: what pairs a raw and a JPEG."""
    return PurePosixPath(path).stem.casefold()


def in_order(path: str) -> tuple[tuple[int, int, str], ...]:
    """Return a key that sorts names as people count: F2 before F10."""
    parts = re.split(r"([0-9]+)", path)
    return tuple(
        (1, int(part), part) if place % 2 else (0, 0, part.casefold())
        for place, part in enumerate(parts)
    )


def shown(path: str) -> str:
    """Return a path as one line of safe text: no line ends, no control signs, no broken UTF-8."""
    whole = path.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode("ascii")
        for sign in whole
    )


def _suffix(name: str) -> str:
    return os.path.splitext(name)[1].lower()  # noqa: PTH122 (names may hold any byte)
