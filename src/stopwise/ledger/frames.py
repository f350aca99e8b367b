"""Frames in the ledger: one row a content, with its aliases, versions and deletions."""

from __future__ import annotations

import hashlib
import json
import os
import stat
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from stopwise.errors import LedgerError
from stopwise.raw.bounds import MOST_BYTES
from stopwise.record import record_from_json

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from stopwise.ledger.database import Database
    from stopwise.record import Record

_LARGEST = (1 << 63) - 1
"""The largest whole number that SQLite holds (sqlite.org, "Datatypes In SQLite")."""

_PAGE = 256  # rows that are read at once: a few megabytes, though an archive has gigabytes
_CHUNK = 1 << 20  # bytes read at once: a frame is hashed without being held
_BEGINNING = 1 << 24  # bytes that tell files from each other which are larger than any frame
_NO_BLOCK = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOFOLLOW", 0)
_BINARY = getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)

_SELECT = "SELECT id, sha256, version_of, landed_ns, record FROM frames "
_LAST_AT = "WHERE id IN (SELECT frame FROM paths WHERE {}) ORDER BY landed_ns DESC, id DESC LIMIT 1"


class Stamp(NamedTuple):
    """What tells cheaply that a path holds what it held before: size, change, file number."""

    size: int
    mtime_ns: int
    inode: int

    @classmethod
    def of(cls, status: os.stat_result) -> Stamp:
        """Return the stamp of a file's status; a date that SQLite can't hold is the last it can."""
        changed = min(max(status.st_mtime_ns, -_LARGEST), _LARGEST)
        return cls(status.st_size, changed, status.st_ino & _LARGEST)

    @classmethod
    def at(cls, path: str) -> Stamp | None:
        """Return the stamp of the regular file at a path; None for a link or where none is."""
        try:
            status = os.lstat(path)
        except OSError:
            return None
        return cls.of(status) if stat.S_ISREG(status.st_mode) else None


class FileChangedError(OSError):
    """A file isn't any more what it was when its turn came."""


def content_hash(path: str, stamp: Stamp | None = None, *, most: int = MOST_BYTES) -> str:
    """Return the SHA-256 of a file's bytes, hexadecimal.

    The file is opened for reading only; links aren't followed and a pipe doesn't block. Of one with
    more than `most` bytes, such as a terabyte that was never written, its beginning is hashed.

    Raises
    ------
    FileChangedError
        If its stamp differs from `stamp` before or after reading.
    OSError
        If it can't be opened or read.
    """
    descriptor = os.open(path, os.O_RDONLY | _NO_BLOCK | _BINARY)
    with open(descriptor, "rb", buffering=0) as stream:  # noqa: PTH123
        _refuse_other(descriptor, stamp)
        digest = hashlib.sha256()
        left = most if os.fstat(descriptor).st_size <= most else _BEGINNING
        while chunk := stream.read(min(_CHUNK, left)):
            digest.update(chunk)
            left -= len(chunk)
        _refuse_other(descriptor, stamp)
    return digest.hexdigest()


def _refuse_other(descriptor: int, stamp: Stamp | None) -> None:
    status = os.fstat(descriptor)
    if not stat.S_ISREG(status.st_mode) or (stamp is not None and Stamp.of(status) != stamp):
        msg = "the file has changed"
        raise FileChangedError(msg)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a content was found: the folder, the path in it with ``/``, and its stamp there."""

    folder: str
    path: str
    stamp: Stamp


@dataclass(frozen=True, slots=True)
class Kept:
    """One row: a frame's record as it is kept.

    Attributes
    ----------
    frame
        Number of the row, in the order of writing.
    sha256
        Of the file's bytes.
    row
        The record as JSON.
    landed_ns
        When the file came whole into the folder, nanoseconds since 1970: landing order.
    version_of
        Row of what the same path held before, or None.
    is_new
        False where this content was already there, and only its place is new.
    """

    frame: int
    sha256: str
    row: dict[str, Any]
    landed_ns: int
    version_of: int | None = None
    is_new: bool = False

    @property
    def record(self) -> Record:
        """The record, read anew from its JSON."""
        return record_from_json(self.row)


@dataclass(frozen=True, slots=True)
class KnownPath:
    """What the ledger knows of a path: its stamp, the row of its content, whether it is gone."""

    stamp: Stamp
    frame: int
    is_gone: bool = False


class Frames:
    """The frames of a ledger."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def keep(
        self, record: Record, place: Place, *, sha256: str, landed_ns: int | None = None
    ) -> Kept:
        """Write one record in one transaction, or only its place where the content has a row.

        Parameters
        ----------
        record
            The frame's record; `sha256` is filled in.
        place
            Where it lies.
        sha256
            Of the file's bytes, hexadecimal.
        landed_ns
            When it landed; now, if None.

        Returns
        -------
        Kept
            The row, with `is_new` telling whether it was written now.
        """
        now = time.time_ns()
        landed = min(now if landed_ns is None else landed_ns, _LARGEST)
        with self._database.atomic() as connection:
            had = self.by_hash(sha256)
            if had is not None:
                _put(connection, place, frame=had.frame, now=now)
                return had
            before = connection.execute(
                "SELECT frame FROM paths WHERE folder = ? AND path = ? "
                "ORDER BY gone_ns IS NULL DESC, gone_ns DESC, id DESC LIMIT 1",
                (_folder(connection, place.folder), os.fsencode(place.path)),
            ).fetchone()
            version_of = None if before is None else int(before[0])
            whole = {**record.to_json(), "sha256": sha256}
            cursor = connection.execute(
                "INSERT INTO frames (sha256, verdict, take, look, bytes, landed_ns, kept_ns, "
                "version_of, record) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    *(sha256, whole["verdict"], whole.get("take"), whole.get("look")),
                    *(place.stamp.size, landed, now, version_of),
                    json.dumps(whole, allow_nan=False, separators=(",", ":")),
                ),
            )
            frame = int(cursor.lastrowid or 0)
            _put(connection, place, frame=frame, now=now)
        return Kept(frame, sha256, whole, landed, version_of, is_new=True)

    def add_place(self, place: Place, sha256: str) -> Kept | None:
        """Note that a path holds a content that has its row; None where it has none."""
        with self._database.atomic() as connection:
            had = self.by_hash(sha256)
            if had is not None:
                _put(connection, place, frame=had.frame, now=time.time_ns())
        return had

    def known(self, folder: str) -> dict[str, KnownPath]:
        """Return what is known of each path that lies in a folder now, or lay there last."""
        rows = self._database.rows(
            "SELECT p.path, p.size, p.mtime_ns, p.inode, p.frame, p.gone_ns IS NOT NULL "
            "FROM paths p JOIN folders f ON f.id = p.folder WHERE f.path = ? "
            "ORDER BY p.gone_ns IS NULL, p.gone_ns, p.id",
            (os.fsencode(folder),),
        )
        return {
            os.fsdecode(row[0]): KnownPath(Stamp(*row[1:4]), row[4], bool(row[5])) for row in rows
        }

    def mark_gone(self, folder: str, paths: Iterable[str]) -> None:
        """Note that files were deleted or moved away; their records stay."""
        now = time.time_ns()
        with self._database.atomic() as connection:
            number = _folder(connection, folder)
            connection.executemany(
                "UPDATE paths SET gone_ns = ? WHERE folder = ? AND path = ? AND gone_ns IS NULL",
                [(now, number, os.fsencode(path)) for path in paths],
            )

    def mark_back(self, folder: str, places: Mapping[str, Stamp]) -> None:
        """Note that deleted files are there again as they were."""
        with self._database.atomic() as connection:
            number = _folder(connection, folder)
            connection.executemany(
                "UPDATE paths SET gone_ns = NULL WHERE id = (SELECT id FROM paths "
                "WHERE folder = ? AND path = ? AND size = ? AND mtime_ns = ? AND inode = ? "
                "ORDER BY gone_ns DESC, id DESC LIMIT 1)",
                [(number, os.fsencode(path), *stamp) for path, stamp in places.items()],
            )

    def by_number(self, frame: int) -> Kept | None:
        """Return a frame by the number of its row, or None."""
        return self._first("WHERE id = ?", (frame,))

    def by_hash(self, sha256: str) -> Kept | None:
        """Return the frame of a content, or None."""
        return self._first("WHERE sha256 = ?", (sha256,))

    def by_stamp(self, stamp: Stamp) -> Kept | None:
        """Return a frame that some path held with this very stamp, as after a rename, or None."""
        where = (
            "WHERE id IN (SELECT frame FROM paths WHERE size = ? AND mtime_ns = ? AND inode = ?)"
        )
        return self._first(where, stamp)

    def by_name(self, name: str) -> Kept | None:
        """Return the last frame to land under a path, under the last part of one, or its stem."""
        path = os.fsencode(name)
        named = "path = ?1 OR substr(path, -length(?2)) = ?2"
        rest = "substr(x'2F' || path, instr(x'2F' || path, ?1) + length(?1))"
        stem = f"instr(x'2F' || path, ?1) AND NOT instr({rest}, ?2) AND NOT instr({rest}, ?3)"
        return self._first(_LAST_AT.format(named), (path, b"/" + path)) or self._first(
            _LAST_AT.format(stem), (b"/" + path + b".", b"/", b".")
        )

    def all(self, *, after_frame: int = 0, last: int | None = None) -> Iterator[Kept]:
        """Yield the frames in landing order.

        Parameters
        ----------
        after_frame
            Only rows written after this one.
        last
            Only so many, the last ones to land.
        """
        if last is None:
            return self._paged(after_frame)
        rows = self._database.rows(
            _SELECT + "WHERE id > ? ORDER BY landed_ns DESC, id DESC LIMIT ?", (after_frame, last)
        )
        return (_kept(row) for row in reversed(rows))

    def _paged(self, after_frame: int) -> Iterator[Kept]:
        """Yield frames in landing order, a page of them in memory at a time."""
        landed_ns, frame = -_LARGEST, 0
        while rows := self._database.rows(
            _SELECT + "WHERE id > ? AND (landed_ns, id) > (?, ?) ORDER BY landed_ns, id LIMIT ?",
            (after_frame, landed_ns, frame, _PAGE),
        ):
            yield from map(_kept, rows)
            frame, landed_ns = rows[-1][0], rows[-1][3]

    def count(self) -> int:
        """Return how many frames there are."""
        found = self._database.row("SELECT count(*) FROM frames")
        return 0 if found is None else int(found[0])

    def last_landed_ns(self) -> int:
        """Return when the last frame landed, 0 where there is none."""
        found = self._database.row("SELECT max(landed_ns) FROM frames")
        return 0 if found is None or found[0] is None else int(found[0])

    def places_of(self, frame: int) -> list[tuple[str, str]]:
        """Return folder and path of every file that holds this frame's content, oldest first."""
        rows = self._database.rows(
            "SELECT f.path, p.path FROM paths p JOIN folders f ON f.id = p.folder "
            "WHERE p.frame = ? AND p.gone_ns IS NULL ORDER BY p.id",
            (frame,),
        )
        return [(os.fsdecode(folder), os.fsdecode(path)) for folder, path in rows]

    def file_of(self, frame: int) -> Path | None:
        """Return a file that holds this frame's content, None where none is left."""
        places = (Path(*place) for place in self.places_of(frame))
        return next((place for place in places if place.is_file()), None)

    def _first(self, where: str, values: Sequence[Any]) -> Kept | None:
        row = self._database.row(_SELECT + where, values)
        return None if row is None else _kept(row)


def _folder(connection: sqlite3.Connection, folder: str) -> int:
    """Return the number of a folder, which is given one where it has none."""
    key = (os.fsencode(folder),)
    connection.execute("INSERT INTO folders (path) VALUES (?) ON CONFLICT DO NOTHING", key)
    (number,) = connection.execute("SELECT id FROM folders WHERE path = ?", key).fetchone()
    return int(number)


def _put(connection: sqlite3.Connection, place: Place, *, frame: int, now: int) -> None:
    """Note that a path holds a frame's content now, and that what it held before is gone."""
    here = (_folder(connection, place.folder), os.fsencode(place.path))
    connection.execute(
        "UPDATE paths SET gone_ns = ? "
        "WHERE folder = ? AND path = ? AND gone_ns IS NULL AND frame <> ?",
        (now, *here, frame),
    )
    connection.execute(
        "INSERT INTO paths (folder, path, frame, size, mtime_ns, inode, seen_ns) "
        "VALUES (?, ?, ?, ?, ?, ?, ?) "
        "ON CONFLICT (folder, path) WHERE gone_ns IS NULL DO UPDATE SET "
        "size = excluded.size, mtime_ns = excluded.mtime_ns, inode = excluded.inode",
        (*here, frame, *place.stamp, now),
    )


def _kept(row: tuple[Any, ...]) -> Kept:
    frame, sha256, version_of, landed_ns, record = row
    kept = json.loads(record)
    if not isinstance(kept, dict):
        msg = f"Frame {frame} of the ledger has no record. Give another ledger with --ledger."
        raise LedgerError(msg)
    return Kept(frame, sha256, kept, landed_ns, version_of)
