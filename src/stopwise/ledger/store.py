"""One SQLite file: opened, brought up to date, written in whole transactions, set aside if bad."""

from __future__ import annotations

import os
import sqlite3
import threading
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stopwise.errors import LedgerDamaged, LedgerError, LedgerFull
from stopwise.ledger import schema

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

MEMORY = ":memory:"
_BUSY_S = 10.0
_NO_ROOM = frozenset({sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR})
_DAMAGED = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
_PRIMARY_CODE = 0xFF


def connect(place: str) -> sqlite3.Connection:
    """Open an SQLite file so that transactions are begun and ended by hand."""
    return sqlite3.connect(
        place, timeout=_BUSY_S, isolation_level=None, check_same_thread=False, cached_statements=256
    )


class Store:
    """A connection that several threads may share, and the rules that keep what it holds whole.

    WAL with ``synchronous=FULL``: when `atomic` returns, the rows outlive a killed process and a
    cut of power.

    Parameters
    ----------
    place
        The file, or ``:memory:``.
    opener
        Opens a connection; tests give one that fails on purpose.
    """

    def __init__(
        self, place: str | Path, *, opener: Callable[[str], sqlite3.Connection] = connect
    ) -> None:
        self.place = str(place)
        self.set_aside: Path | None = None
        self._opener = opener
        self._lock = threading.RLock()
        self._number: tuple[int, int] | None = None
        self._connection = self._open_whole()

    @property
    def in_memory(self) -> bool:
        """Whether nothing is kept when the process ends."""
        return self.place == MEMORY

    def close(self) -> None:
        """Close the file; nothing can be read or written after."""
        with self._lock:
            self._connection.close()

    @contextmanager
    def atomic(self) -> Iterator[sqlite3.Connection]:
        """Begin a transaction that is kept whole when the block ends, or not at all.

        Raises
        ------
        LedgerFull
            If there is no room, or the disk fails: nothing was written, try again later.
        LedgerDamaged
            If the file is no sound ledger any more.
        LedgerError
            If it can't be written for another reason.
        """
        with self._lock, self._translated():
            if self._connection.in_transaction:
                yield self._connection
                return
            self._check_it_is_there()
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                self._roll_back()
                raise

    def rows(self, query: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Return all rows that a query finds."""
        with self._lock, self._translated():
            return self._connection.execute(query, values).fetchall()

    def row(self, query: str, values: Sequence[Any] = ()) -> tuple[Any, ...] | None:
        """Return the first row that a query finds, or None."""
        found = self.rows(query, values)
        return found[0] if found else None

    def changes_by_others(self) -> int:
        """Return a number that differs when another connection has written since."""
        found = self.row("PRAGMA data_version")
        return 0 if found is None else int(found[0])

    def renew(self) -> Path | None:
        """Set a damaged file aside, begin a new one, and return where the old one lies now."""
        with self._lock:
            self._connection.close()
            self.set_aside = _put_aside(Path(self.place)) if not self.in_memory else None
            self._connection = self._open()
            return self.set_aside

    def _open_whole(self) -> sqlite3.Connection:
        try:
            return self._open()
        except LedgerDamaged:
            if self.in_memory:
                raise
        self.set_aside = _put_aside(Path(self.place))
        return self._open()

    def _open(self) -> sqlite3.Connection:
        try:
            return self._open_now()
        except LedgerFull as error:
            raise LedgerError(_no_room_text(self.place)) from error

    def _open_now(self) -> sqlite3.Connection:
        with self._translated():
            if not self.in_memory:
                Path(self.place).parent.mkdir(parents=True, exist_ok=True)
            connection = self._opener(self.place)
            try:
                self._prepare(connection)
            except BaseException:
                connection.close()
                raise
            self._number = _number(self.place)
            return connection

    def _prepare(self, connection: sqlite3.Connection) -> None:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        (sound,) = connection.execute("PRAGMA quick_check(1)").fetchone()
        if sound != "ok":
            raise LedgerDamaged(_damaged_text(self.place, sound))
        self._refuse_newer(connection)
        if not schema.missing(connection):
            return
        connection.execute("BEGIN IMMEDIATE")
        schema.migrate(connection)
        connection.execute("COMMIT")

    def _refuse_newer(self, connection: sqlite3.Connection) -> None:
        known = {name for name, _ in schema.MIGRATIONS}
        if newer := [name for name in schema.applied(connection) if name not in known]:
            msg = (
                f"{self.place}: the ledger was written by a newer stopwise ({newer[-1]!r}). "
                "Update stopwise, or give another file with --ledger."
            )
            raise LedgerError(msg)

    def _check_it_is_there(self) -> None:
        """Refuse to write into a file that was deleted or replaced: what it took would be lost."""
        if not self.in_memory and _number(self.place) != self._number:
            raise LedgerDamaged(_damaged_text(self.place, "its file was taken away"))

    def _roll_back(self) -> None:
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")

    @contextmanager
    def _translated(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise self._meaning(error) from error
        except OSError as error:
            raise LedgerError(_closed_text(self.place, error.strerror or str(error))) from error

    def _meaning(self, error: sqlite3.Error) -> LedgerError:
        code = getattr(error, "sqlite_errorcode", 0) & _PRIMARY_CODE
        if code in _NO_ROOM:
            return LedgerFull(
                f"{self.place}: the ledger can't be written now ({error}). "
                "Make room on its disk: records wait and are written then."
            )
        if code in _DAMAGED:
            return LedgerDamaged(_damaged_text(self.place, str(error)))
        return LedgerError(_closed_text(self.place, str(error)))


def _number(place: str) -> tuple[int, int] | None:
    """Return what tells a file from another under the same name, None where it isn't there."""
    try:
        status = os.stat(place)  # noqa: PTH116
    except OSError:
        return None
    return status.st_dev, status.st_ino


def _damaged_text(place: str, detail: str) -> str:
    return f"{place}: the ledger is damaged ({detail}). It is set aside and a new one begun."


def _closed_text(place: str, detail: str) -> str:
    return (
        f"{place}: the ledger can't be used ({detail}). "
        "Give a file that can be written with --ledger, or --ledger :memory: to keep nothing."
    )


def _no_room_text(place: str) -> str:
    return (
        f"{place}: the ledger can't be opened, since its disk is full or fails. "
        "Make room, or give a file on another disk with --ledger."
    )


def _put_aside(place: Path) -> Path:
    """Rename a ledger and the two files beside it, and return its new name."""
    stamp = time.strftime("%Y%m%d-%H%M%S")
    aside = place.with_name(f"{place.name}.damaged-{stamp}")
    count = 1
    while aside.exists():
        count += 1
        aside = place.with_name(f"{place.name}.damaged-{stamp}-{count}")
    for tail in ("", "-wal", "-shm"):
        part = place.with_name(place.name + tail)
        if part.exists():
            part.replace(aside.with_name(aside.name + tail))
    return aside
