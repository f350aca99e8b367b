"""The ledger's file: whether it is one of ours, its tables, whole transactions, damage, locks."""

from __future__ import annotations

import os
import sqlite3
import stat
import threading
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar
from weakref import WeakSet

from stopwise.errors import LedgerDamaged, LedgerError, LedgerFull, PathMissing, refusal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    T = TypeVar("T")

MEMORY = ":memory:"

APPLICATION_ID = int.from_bytes(b"STOP", "big")
"""Tells our databases from others' (sqlite.org, "Database File Format", bytes 68 to 71)."""

_MAGIC = b"SQLite format 3\x00"
_ID_AT = slice(68, 72)
_OLD_TABLES = b"CREATE TABLE migrations (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)"
"""What ledgers that were made before they had an id hold among their first bytes."""

_LOOKED_AT = 1 << 18
"""Bytes of a file and of its log in which an older ledger's tables are looked for; they are made
in the first transaction, which is a few pages of 4 KiB."""

_NAMES = frozenset({".sqlite", ".sqlite3", ".db"})
"""Endings under which an empty file is taken as a ledger whose making was cut off."""

_TRY_S = 0.2
"""Wait for a lock in one try; a signal is heard between tries. Well under the second within which
Ctrl-C must end a watch."""

LOCKED_S = 10.0
"""Wait for a lock in all: another program's transaction is over in milliseconds, a backup's in
seconds (common practice)."""

_PARTS = ("", "-wal", "-shm")
"""What is added to a ledger's name: the file itself, its log, and the log's index."""

_NO_ROOM = frozenset({sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR})
_DAMAGED = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
_LOCKED = frozenset({sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED})
_PRIMARY_CODE = 0xFF  # bits of the primary code (sqlite.org, "Result and Error Codes")

FIRST_TABLES = """
    CREATE TABLE frames (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        sha256 TEXT NOT NULL UNIQUE,
        verdict TEXT NOT NULL,
        take INTEGER,
        look TEXT,
        bytes INTEGER NOT NULL,
        landed_ns INTEGER NOT NULL,
        kept_ns INTEGER NOT NULL,
        version_of INTEGER REFERENCES frames(id),
        record TEXT NOT NULL CHECK (json_valid(record))
    );
    CREATE INDEX frames_in_landing_order ON frames(landed_ns, id);
    CREATE TABLE folders (id INTEGER PRIMARY KEY, path BLOB NOT NULL UNIQUE);
    CREATE TABLE paths (
        id INTEGER PRIMARY KEY,
        folder INTEGER NOT NULL REFERENCES folders(id),
        path BLOB NOT NULL,
        frame INTEGER NOT NULL REFERENCES frames(id),
        size INTEGER NOT NULL,
        mtime_ns INTEGER NOT NULL,
        inode INTEGER NOT NULL,
        seen_ns INTEGER NOT NULL,
        gone_ns INTEGER
    );
    CREATE UNIQUE INDEX paths_now ON paths(folder, path) WHERE gone_ns IS NULL;
    CREATE INDEX paths_of_frame ON paths(frame);
    CREATE INDEX paths_by_stamp ON paths(size, mtime_ns, inode);
    CREATE TABLE orders (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        kind TEXT NOT NULL,
        body TEXT NOT NULL CHECK (json_valid(body)),
        said_ns INTEGER NOT NULL,
        done_ns INTEGER,
        undone_ns INTEGER,
        answer TEXT CHECK (answer IS NULL OR json_valid(answer))
    );
    CREATE TABLE takes (
        id INTEGER PRIMARY KEY,
        name TEXT,
        turned TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(turned)),
        look TEXT,
        began_ns INTEGER NOT NULL,
        after_frame INTEGER REFERENCES frames(id)
    );
    -- not written any more: which frame plays which part stands in the plan's [frames] alone
    CREATE TABLE marks (
        id INTEGER PRIMARY KEY,
        role TEXT NOT NULL,
        frame INTEGER NOT NULL REFERENCES frames(id),
        marked_ns INTEGER NOT NULL,
        undone_ns INTEGER
    );
    CREATE TABLE settings (
        name TEXT PRIMARY KEY,
        value TEXT NOT NULL CHECK (json_valid(value)),
        set_ns INTEGER NOT NULL
    );
    CREATE TABLE levels (
        make TEXT NOT NULL,
        model TEXT NOT NULL,
        iso REAL NOT NULL,
        colour TEXT NOT NULL,
        white REAL NOT NULL,
        sha256 TEXT NOT NULL,
        level REAL NOT NULL,
        PRIMARY KEY (make, model, iso, colour, white, sha256)
    );
    CREATE TABLE solos (
        sha256 TEXT NOT NULL,
        variant TEXT NOT NULL,
        picture BLOB NOT NULL,
        made_ns INTEGER NOT NULL,
        PRIMARY KEY (sha256, variant)
    )
"""

MIGRATIONS: tuple[tuple[str, str], ...] = (("first tables", FIRST_TABLES),)
"""Name and statements of each step, oldest first; a name is never changed or used again."""


def connect(place: str) -> sqlite3.Connection:
    """Open an SQLite file so that transactions are begun and ended by hand; ``file:`` is an URI."""
    return sqlite3.connect(
        place,
        timeout=_TRY_S,
        isolation_level=None,
        check_same_thread=False,
        cached_statements=256,
        uri=place.startswith("file:"),
    )


_OPEN_HERE: WeakSet[Database] = WeakSet()
"""What this process has open."""


class Database:
    """A connection that several threads may share, and the rules that keep what it holds whole.

    WAL with ``synchronous=FULL``: when `atomic` returns, the rows outlive a killed process and a
    cut of power.

    Parameters
    ----------
    place
        The file, made with its folders where it isn't there, or ``:memory:``.
    is_read_only
        Whether nothing is to be written, made or set aside.
    is_guest
        Whether another process looks after the file: a damaged one is left where it is.
    on_wait
        Called again and again while another program holds the file locked; False gives up.
    opener
        Opens a connection; tests give one that fails on purpose.

    Attributes
    ----------
    place
        The file, or ``:memory:``.
    is_read_only
        As given.
    set_aside
        Where a damaged ledger was put, None if it was sound.
    on_wait
        As given; it may be changed.

    Raises
    ------
    LedgerError
        If the file isn't a ledger of ours, or can't be opened or written. A damaged one of ours is
        set aside unless it is only read, or by a guest.
    PathMissing
        If it is only read, and isn't there.
    """

    def __init__(
        self,
        place: str | Path,
        *,
        is_read_only: bool = False,
        is_guest: bool = False,
        on_wait: Callable[[], bool] = lambda: True,
        opener: Callable[[str], sqlite3.Connection] = connect,
    ) -> None:
        self.place = str(place)
        self.set_aside: Path | None = None
        self.on_wait = on_wait
        self.is_read_only = is_read_only
        self._is_guest = is_guest
        self._opener = opener
        self._lock = threading.RLock()
        self._numbers: dict[str, tuple[int, int]] = {}
        self._connection = self._open_or_replace()
        _OPEN_HERE.add(self)

    @property
    def in_memory(self) -> bool:
        """Whether nothing is kept when the process ends."""
        return self.place == MEMORY

    def holds(self, status: os.stat_result) -> bool:
        """Tell whether this has a file open that somebody looked at."""
        return self._numbers.get("") == (status.st_dev, status.st_ino)

    def close(self) -> None:
        """Close the file; nothing can be read or written after."""
        with self._lock:
            self._connection.close()
            _OPEN_HERE.discard(self)

    @contextmanager
    def atomic(self, *, wait_s: float = LOCKED_S) -> Iterator[sqlite3.Connection]:
        """Begin a transaction that is kept whole when the block ends, or not at all.

        Parameters
        ----------
        wait_s
            Seconds to wait for a lock of another program; inside a transaction there is none.

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
            if self._number("") != self._numbers.get(""):
                # what a file that was deleted or replaced took would be lost
                raise LedgerDamaged(self._damaged_text("its file was taken away"))
            self._patiently(lambda: self._connection.execute("BEGIN IMMEDIATE"), wait_s)
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                self._roll_back()
                raise

    def _roll_back(self) -> None:
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")

    def rows(self, query: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """Return all rows that a query finds."""
        with self._lock, self._translated():
            return self._patiently(lambda: self._connection.execute(query, values).fetchall())

    def row(self, query: str, values: Sequence[Any] = ()) -> tuple[Any, ...] | None:
        """Return the first row that a query finds, or None."""
        found = self.rows(query, values)
        return found[0] if found else None

    def copy_to(self, place: Path) -> None:
        """Write all that it holds at this moment to a new file, while others may write here."""
        with self._lock, self._translated():
            target = sqlite3.connect(place)
            try:
                self._connection.backup(target)
            finally:
                target.close()

    def renew(self) -> Path | None:
        """Begin a new file in place of one that is damaged or gone, or take one put back there.

        Returns
        -------
        Path or None
            Where the damaged file lies now; None where none was, or a sound one was put back.
        """
        with self._lock:
            self._connection.close()
            ours = {tail for tail, number in self._numbers.items() if self._number(tail) == number}
            aside = _put_aside(Path(self.place), ours)
            self.set_aside = aside if "" in ours else None
            self._connection = self._open_or_replace()
            return self.set_aside

    def _open_or_replace(self) -> sqlite3.Connection:
        """Open the file; set it aside if it is ours and damaged, and begin anew."""
        try:
            return self._open()
        except LedgerDamaged:
            if self.in_memory or self.is_read_only or self._is_guest:
                raise
        self.set_aside = _put_aside(Path(self.place), _PARTS)
        return self._open()

    def _open(self) -> sqlite3.Connection:
        with self._translated():
            if not self.in_memory:
                self._refuse_foreign()
            connection = self._opener(self._address())
            try:
                self._patiently(lambda: self._prepare(connection))
            except sqlite3.Error as error:
                connection.close()
                if _code(error) in _NO_ROOM:
                    msg = (
                        f"{self.place}: the ledger can't be opened, since its disk is full or "
                        "fails. Make room, or give a file on another disk with --ledger."
                    )
                    raise LedgerError(msg) from error
                raise
            except BaseException:
                connection.close()
                raise
            self._numbers = {
                tail: number for tail in _PARTS if (number := self._number(tail)) is not None
            }
            return connection

    def _refuse_foreign(self) -> None:
        """Refuse a file that isn't a ledger of ours; where there is none, make its folder."""
        place = Path(self.place)
        if not os.path.lexists(place):
            if self.is_read_only:
                msg = f"{self.place}: there is no ledger. Check its name."
                raise PathMissing(msg)
            place.parent.mkdir(parents=True, exist_ok=True)
            return
        status = place.stat()
        is_file = stat.S_ISREG(status.st_mode)
        if any(one.holds(status) for one in list(_OPEN_HERE)):
            return  # a look at its first bytes would drop this process's locks on it (fcntl(2))
        is_empty_ledger = status.st_size == 0 and place.suffix in _NAMES
        if is_file and (is_empty_ledger or _is_ours(place)):
            return
        what = "isn't a ledger of stopwise" if is_file else "isn't a file"
        msg = f"{self.place} {what}. It was left as it is: give another file with --ledger."
        raise LedgerError(msg)

    def _address(self) -> str:
        """Return what to open: to read a file that nobody writes, without a trace beside it."""
        if not self.is_read_only or self.in_memory:
            return self.place
        place = Path(self.place).absolute()
        is_at_rest = not place.with_name(f"{place.name}-wal").exists()
        return f"{place.as_uri()}?mode=ro{'&immutable=1' if is_at_rest else ''}"

    def _prepare(self, connection: sqlite3.Connection) -> None:
        """Check that the file is sound, and bring its tables up to date."""
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        (sound,) = connection.execute("PRAGMA quick_check(1)").fetchone()
        if sound != "ok":
            raise LedgerDamaged(self._damaged_text(sound.splitlines()[-1]))
        had = applied(connection)
        known = [name for name, _ in MIGRATIONS]
        if newer := [name for name in had if name not in known]:
            msg = (
                f"{self.place}: the ledger was written by a newer stopwise ({newer[-1]!r}). "
                "Update stopwise, or give another file with --ledger."
            )
            raise LedgerError(msg)
        if self.is_read_only and not self.in_memory:
            return
        if connection.execute("PRAGMA application_id").fetchone() != (APPLICATION_ID,):
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("PRAGMA journal_mode = WAL")  # after the id, which the file then holds
        if had != known:
            connection.execute("BEGIN IMMEDIATE")
            _migrate(connection)
            connection.execute("COMMIT")

    def _patiently(self, act: Callable[[], T], wait_s: float = LOCKED_S) -> T:
        """Do something, again while another program holds the file locked."""
        until = time.monotonic() + wait_s
        while True:
            try:
                return act()
            except sqlite3.OperationalError as error:
                if _code(error) not in _LOCKED or time.monotonic() >= until or not self.on_wait():
                    raise

    @contextmanager
    def _translated(self) -> Iterator[None]:
        """Raise what SQLite and the system raise as a kind of ours."""
        try:
            yield
        except sqlite3.Error as error:
            raise self._meaning(error) from error
        except OSError as error:
            raise LedgerError(self._closed_text(refusal(error))) from error

    def _meaning(self, error: sqlite3.Error) -> LedgerError:
        if _code(error) in _NO_ROOM:
            return LedgerFull(
                f"{self.place}: the ledger can't be written now ({error}). "
                "Make room on its disk: records wait and are written then."
            )
        if _code(error) in _DAMAGED:
            return LedgerDamaged(self._damaged_text(str(error)))
        return LedgerError(self._closed_text(str(error)))

    def _damaged_text(self, detail: str) -> str:
        stays = self.is_read_only or self._is_guest
        then = "" if stays else " It is set aside and a new one begun."
        return f"{self.place}: the ledger is damaged ({detail}).{then}"

    def _number(self, tail: str) -> tuple[int, int] | None:
        """Return what tells one part from another under its name, None where it isn't there."""
        try:
            status = os.stat(self.place + tail)  # noqa: PTH116
        except OSError:
            return None
        return status.st_dev, status.st_ino

    def _closed_text(self, detail: str) -> str:
        return (
            f"{self.place}: the ledger can't be used ({detail}). "
            "Give a file that can be written with --ledger, or --ledger :memory: to keep nothing."
        )


def applied(connection: sqlite3.Connection) -> list[str]:
    """Return the names of the migrations that a ledger has had, oldest first."""
    found = connection.execute(
        "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'migrations'"
    ).fetchone()
    if found is None:
        return []
    return [row[0] for row in connection.execute("SELECT name FROM migrations ORDER BY id")]


def _migrate(connection: sqlite3.Connection) -> None:
    """Apply what is missing; to be called inside a transaction, so that all of it holds or none."""
    connection.execute(
        "CREATE TABLE IF NOT EXISTS migrations (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)"
    )
    had = applied(connection)
    for name, statements in MIGRATIONS:
        if name not in had:
            for statement in statements.split(";"):
                connection.execute(statement)
            connection.execute("INSERT INTO migrations (name) VALUES (?)", (name,))


def _is_ours(place: Path) -> bool:
    """Tell by its first bytes whether a file is a ledger of ours, sound or damaged."""
    with place.open("rb") as stream:
        head = stream.read(_LOOKED_AT)
    if head[: len(_MAGIC)] != _MAGIC:
        return False
    if head[_ID_AT] == APPLICATION_ID.to_bytes(4, "big") or _OLD_TABLES in head:
        return True
    try:
        with place.with_name(f"{place.name}-wal").open("rb") as stream:
            return _OLD_TABLES in stream.read(_LOOKED_AT)
    except FileNotFoundError:
        return False


def _code(error: sqlite3.Error) -> int:
    return getattr(error, "sqlite_errorcode", 0) & _PRIMARY_CODE


def _put_aside(place: Path, parts: Iterable[str]) -> Path:
    """Rename a ledger, or the parts of it that are ours, and return its new name."""
    stamp = time.strftime("%Y%m%d-%H%M%S")
    aside = place.with_name(f"{place.name}.damaged-{stamp}")
    count = 1
    while aside.exists():
        count += 1
        aside = place.with_name(f"{place.name}.damaged-{stamp}-{count}")
    for tail in parts:
        part = place.with_name(place.name + tail)
        if part.exists():
            part.replace(aside.with_name(aside.name + tail))
    return aside
