"""The ledger: one SQLite file that keeps every frame's record, and what was said and learned."""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path
from typing import Any

from stopwise.ledger.database import MEMORY, Database
from stopwise.ledger.frames import Frames, Kept, KnownPath, Place, Stamp, content_hash
from stopwise.ledger.learned import LearnedLevels, Settings, Solos
from stopwise.ledger.orders import Order, Orders, Take, Takes

__all__ = [
    "MEMORY",
    "Kept",
    "KnownPath",
    "Ledger",
    "Order",
    "Place",
    "Stamp",
    "Take",
    "content_hash",
    "data_folder",
    "default_place",
]

_LONGEST_NAME = 40
"""Characters of a folder's own name in its ledger's: file names may be short on some disks."""

_DIGITS = 12
"""Hexadecimal digits of the digest: 48 bits tell a user's folders apart."""


class Ledger(Database):
    """A ledger, open for reading and writing from any thread.

    Parameters, attributes and errors are those of :class:`~stopwise.ledger.database.Database`.

    Attributes
    ----------
    frames, orders, takes, settings, levels, solos
        What it holds.
    """

    def __init__(self, place: str | Path, **how: Any) -> None:
        super().__init__(place, **how)
        self.frames = Frames(self)
        self.orders = Orders(self)
        self.takes = Takes(self)
        self.settings = Settings(self)
        self.levels = LearnedLevels(self)
        self.solos = Solos(self)

    def __enter__(self) -> Ledger:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def default_place(folder: str | Path) -> Path:
    """Return the ledger file of a watched folder where nobody says: in the user's data folder.

    Links in the folder's path are followed, so that one folder has one ledger. The name is the
    folder's own made plain, and a digest of its whole path.
    """
    whole = os.path.normcase(os.path.realpath(folder))
    digest = hashlib.sha256(os.fsencode(whole)).hexdigest()[:_DIGITS]
    name = re.sub(r"[^A-Za-z0-9._-]+", "-", Path(whole).name).strip(".-")[:_LONGEST_NAME]
    return data_folder() / "ledgers" / f"{name or 'folder'}-{digest}.sqlite"


def data_folder() -> Path:
    """Return the folder for this user's data, as the system has it.

    An `XDG_DATA_HOME` that isn't absolute is passed over (XDG Base Directory Specification 0.8).
    """
    from platformdirs import PlatformDirs

    folder = PlatformDirs("stopwise", appauthor=False).user_data_path
    return folder if folder.is_absolute() else Path.home() / ".local" / "share" / "stopwise"
