"""The ledger: one SQLite file that keeps every frame's record, and what was said and learned."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.ledger.frames import Frames, Kept, Known, Place, Stamp
from stopwise.ledger.learned import LevelKey, SaturationLevels, Settings, Solos
from stopwise.ledger.orders import Marks, Order, Orders, Take, Takes
from stopwise.ledger.places import default_place
from stopwise.ledger.store import MEMORY, Store, connect

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable
    from contextlib import AbstractContextManager
    from pathlib import Path
    from types import TracebackType

__all__ = [
    "MEMORY",
    "Kept",
    "Known",
    "Ledger",
    "LevelKey",
    "Order",
    "Place",
    "Stamp",
    "Take",
    "default_place",
]


class Ledger:
    """A ledger, open for reading and writing from any thread.

    Parameters
    ----------
    place
        The file, made with its folders where it isn't there, or ``:memory:``.
    opener
        Opens the SQLite connection; tests give one that fails on purpose.

    Attributes
    ----------
    frames, orders, takes, marks, settings, levels, solos
        What it holds.

    Raises
    ------
    LedgerError
        If the file can't be opened or written. A damaged one is set aside, see `set_aside`.
    """

    def __init__(
        self, place: str | Path, *, opener: Callable[[str], sqlite3.Connection] = connect
    ) -> None:
        self._store = Store(place, opener=opener)
        self.frames = Frames(self._store)
        self.orders = Orders(self._store)
        self.takes = Takes(self._store)
        self.marks = Marks(self._store)
        self.settings = Settings(self._store)
        self.levels = SaturationLevels(self._store)
        self.solos = Solos(self._store)

    @property
    def place(self) -> str:
        """The file, or ``:memory:``."""
        return self._store.place

    @property
    def in_memory(self) -> bool:
        """Whether nothing is kept when the process ends."""
        return self._store.in_memory

    @property
    def set_aside(self) -> Path | None:
        """Where a damaged ledger was put, None if it was sound."""
        return self._store.set_aside

    def atomic(self) -> AbstractContextManager[sqlite3.Connection]:
        """Begin a transaction round several calls: all of them hold, or none."""
        return self._store.atomic()

    def changes_by_others(self) -> int:
        """Return a number that differs once another process or connection has written."""
        return self._store.changes_by_others()

    def renew(self) -> Path | None:
        """Set a damaged file aside, begin a new one, and return where the old one lies now."""
        return self._store.renew()

    def close(self) -> None:
        """Close the file."""
        self._store.close()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
