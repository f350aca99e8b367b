"""The ledger's tables, as named migrations that are applied once, each in a transaction."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlite3

FIRST_TABLES = (
    """
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
    )
    """,
    "CREATE INDEX frames_in_landing_order ON frames(landed_ns, id)",
    "CREATE TABLE folders (id INTEGER PRIMARY KEY, path BLOB NOT NULL UNIQUE)",
    """
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
    )
    """,
    "CREATE UNIQUE INDEX paths_now ON paths(folder, path) WHERE gone_ns IS NULL",
    "CREATE INDEX paths_of_frame ON paths(frame)",
    "CREATE INDEX paths_by_stamp ON paths(size, mtime_ns, inode)",
    """
    CREATE TABLE orders (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        kind TEXT NOT NULL,
        body TEXT NOT NULL CHECK (json_valid(body)),
        said_ns INTEGER NOT NULL,
        done_ns INTEGER,
        undone_ns INTEGER,
        answer TEXT CHECK (answer IS NULL OR json_valid(answer))
    )
    """,
    """
    CREATE TABLE takes (
        id INTEGER PRIMARY KEY,
        name TEXT,
        turned TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(turned)),
        look TEXT,
        began_ns INTEGER NOT NULL,
        after_frame INTEGER REFERENCES frames(id)
    )
    """,
    """
    CREATE TABLE marks (
        id INTEGER PRIMARY KEY,
        role TEXT NOT NULL,
        frame INTEGER NOT NULL REFERENCES frames(id),
        marked_ns INTEGER NOT NULL,
        undone_ns INTEGER
    )
    """,
    """
    CREATE TABLE settings (
        name TEXT PRIMARY KEY,
        value TEXT NOT NULL CHECK (json_valid(value)),
        set_ns INTEGER NOT NULL
    )
    """,
    """
    CREATE TABLE levels (
        make TEXT NOT NULL,
        model TEXT NOT NULL,
        iso REAL NOT NULL,
        colour TEXT NOT NULL,
        white REAL NOT NULL,
        sha256 TEXT NOT NULL,
        level REAL NOT NULL,
        PRIMARY KEY (make, model, iso, colour, white, sha256)
    )
    """,
    """
    CREATE TABLE solos (
        sha256 TEXT NOT NULL,
        variant TEXT NOT NULL,
        picture BLOB NOT NULL,
        made_ns INTEGER NOT NULL,
        PRIMARY KEY (sha256, variant)
    )
    """,
)

MIGRATIONS: tuple[tuple[str, tuple[str, ...]], ...] = (("first tables", FIRST_TABLES),)
"""Name and statements of each step, oldest first; a name is never changed or used again."""


def missing(connection: sqlite3.Connection) -> list[tuple[str, tuple[str, ...]]]:
    """Return the migrations that this ledger hasn't had, oldest first."""
    had = applied(connection)
    return [step for step in MIGRATIONS if step[0] not in had]


def applied(connection: sqlite3.Connection) -> list[str]:
    """Return the names of the migrations that this ledger has had, oldest first."""
    found = connection.execute(
        "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'migrations'"
    ).fetchone()
    if found is None:
        return []
    return [row[0] for row in connection.execute("SELECT name FROM migrations ORDER BY id")]


def migrate(connection: sqlite3.Connection) -> None:
    """Apply what is missing; to be called inside a transaction, so that all of it holds or none."""
    connection.execute(
        "CREATE TABLE IF NOT EXISTS migrations (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)"
    )
    for name, statements in missing(connection):
        for statement in statements:
            connection.execute(statement)
        connection.execute("INSERT INTO migrations (name) VALUES (?)", (name,))
