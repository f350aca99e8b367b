"""The files that were dealt with: all that a watch keeps of a frame once it is judged."""

from __future__ import annotations

import os
import sqlite3
import threading
import weakref
from collections.abc import MutableMapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

_PAGE = 256  # names that are read at once


class SettledFiles(MutableMapping[str, int]):
    """Paths, each with the hash of the stamp that it had then; safe from any thread.

    They lie in a table in memory: 41 bytes a file, where a dict takes 167, and no object of Python.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._table = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
        weakref.finalize(self, self._table.close)
        self._rows(
            "CREATE TABLE files (path BLOB PRIMARY KEY, stamp INTEGER NOT NULL) WITHOUT ROWID"
        )

    def get(self, path: str, default: Any = None) -> Any:
        """Return the hash of a path's stamp, or the default where it isn't settled."""
        rows = self._rows("SELECT stamp FROM files WHERE path = ?", os.fsencode(path))
        return rows[0][0] if rows else default

    def __getitem__(self, path: str) -> int:
        if (stamp := self.get(path)) is None:
            raise KeyError(path)
        return int(stamp)

    def __setitem__(self, path: str, stamp: int) -> None:
        self._rows("INSERT OR REPLACE INTO files VALUES (?, ?)", os.fsencode(path), stamp)

    def __delitem__(self, path: str) -> None:
        if not self._rows("DELETE FROM files WHERE path = ? RETURNING 1", os.fsencode(path)):
            raise KeyError(path)

    def __len__(self) -> int:
        return int(self._rows("SELECT count(*) FROM files")[0][0])

    def __iter__(self) -> Iterator[str]:
        last = b""
        while rows := self._rows(
            "SELECT path FROM files WHERE path > ? ORDER BY path LIMIT ?", last, _PAGE
        ):
            yield from (os.fsdecode(path) for (path,) in rows)
            last = rows[-1][0]

    def clear(self) -> None:
        """Forget all."""
        self._rows("DELETE FROM files")

    def _rows(self, statement: str, *values: bytes | int) -> list[tuple[Any, ...]]:
        with self._lock:
            return self._table.execute(statement, values).fetchall()
