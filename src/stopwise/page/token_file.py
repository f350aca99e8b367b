"""The page's token: made once for a ledger, kept beside it in a file that only its user reads."""

from __future__ import annotations

import os
import secrets
import stat
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.errors import LedgerError
from stopwise.whole_file import replace_file

if TYPE_CHECKING:
    from stopwise.ledger import Ledger

_BYTES = 16
"""128 random bits, which nobody guesses."""

_MOST_READ = 256
"""Bytes of the file that are looked at: a token takes 22."""

_OTHERS = stat.S_IRWXG | stat.S_IRWXO
_TO_READ = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
_EARLIER = "page token"
"""Setting of ledgers of earlier versions; whoever has such a ledger knows that token."""


def kept_token(ledger: Ledger) -> str:
    """Return the token of a ledger's page, made now if there is none that is safe.

    It lasts as long as the ledger, so that a tablet comes back after a restart, and lies in no
    ledger, so that it goes nowhere with one. Where it can't be written it lasts for this watch.
    """
    with suppress(LedgerError):
        if ledger.settings.get(_EARLIER) is not None:
            ledger.settings.set(_EARLIER, None)
    if ledger.in_memory:
        return secrets.token_urlsafe(_BYTES)
    place = Path(ledger.place)
    place = place.with_name(f"{place.name}.page-token")
    held = _read(place)
    if held:
        return held
    token = secrets.token_urlsafe(_BYTES)
    with suppress(OSError):
        replace_file(place, token.encode(), mode=0o600)
    return token


def _read(place: Path) -> str:
    """Return the token of a file that nobody else can have written or read; "" else."""
    try:
        descriptor = os.open(place, _TO_READ)
    except OSError:
        return ""
    with os.fdopen(descriptor, "rb") as file:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            return ""
        if os.name == "posix" and (status.st_mode & _OTHERS or status.st_uid != os.getuid()):
            return ""
        return file.read(_MOST_READ).decode("ascii", "ignore").strip()
