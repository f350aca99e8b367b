"""What a person says to a running watcher (`expect`, `lit`, `look`, `take`), and the takes."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.ledger.database import Database


@dataclass(frozen=True, slots=True)
class Order:
    """One thing said: its kind, what was said, and what became of it.

    Attributes
    ----------
    number
        Counts up with each order.
    kind
        The command: expect, lit, look, take.
    body
        What was said, as the command gives it.
    said_ns, done_ns, undone_ns
        Nanoseconds since 1970; None where it hasn't happened.
    answer
        What the watcher made of it.
    """

    number: int
    kind: str
    body: Any
    said_ns: int
    done_ns: int | None = None
    undone_ns: int | None = None
    answer: Any = None


class Orders:
    """What was said, in order; a watcher reads it between frames."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def say(self, kind: str, body: object) -> Order:
        """Write down something said, and return it with its number."""
        now = time.time_ns()
        with self._database.atomic() as connection:
            cursor = connection.execute(
                "INSERT INTO orders (kind, body, said_ns) VALUES (?, ?, ?)",
                (kind, json.dumps(body, allow_nan=False), now),
            )
        return Order(int(cursor.lastrowid or 0), kind, body, now)

    def open(self, kind: str | None = None) -> list[Order]:
        """Return what was said and is neither done nor undone, oldest first."""
        return self._find("done_ns IS NULL AND undone_ns IS NULL", kind)

    def all(self, kind: str | None = None) -> list[Order]:
        """Return everything that was ever said, oldest first."""
        return self._find("1", kind)

    def finish(self, number: int, answer: object = None) -> None:
        """Note that an order is done, and what came of it."""
        with self._database.atomic() as connection:
            connection.execute(
                "UPDATE orders SET done_ns = ?, answer = ? WHERE id = ?",
                (time.time_ns(), json.dumps(answer, allow_nan=False), number),
            )

    def undo(self, kind: str) -> Order | None:
        """Take back the last order of a kind, done or not, and return it; None without one."""
        with self._database.atomic() as connection:
            orders = self._find("undone_ns IS NULL", kind)
            if not orders:
                return None
            connection.execute(
                "UPDATE orders SET undone_ns = ? WHERE id = ?", (time.time_ns(), orders[-1].number)
            )
            return orders[-1]

    def _find(self, where: str, kind: str | None) -> list[Order]:
        rows = self._database.rows(
            "SELECT id, kind, body, said_ns, done_ns, undone_ns, answer FROM orders "  # noqa: S608
            f"WHERE {where} AND (?1 IS NULL OR kind = ?1) ORDER BY id",
            (kind,),
        )
        return [
            Order(number, of, json.loads(body), said, done, undone, json.loads(answer or "null"))
            for number, of, body, said, done, undone, answer in rows
        ]


@dataclass(frozen=True, slots=True)
class Take:
    """One take: its number, its name, and what was said to be turned, in stops by lamp."""

    number: int
    name: str | None
    turned: dict[str, float]
    look: str | None
    began_ns: int
    after_frame: int | None


class Takes:
    """The takes of a shoot."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def begin(
        self, turned: Mapping[str, float] | None = None, *, name: str | None = None,
        look: str | None = None,
    ) -> Take:  # fmt: skip
        """Begin a take after the last frame that is kept, and return it."""
        now, turned = time.time_ns(), dict(turned or {})
        with self._database.atomic() as connection:
            (after,) = connection.execute("SELECT max(id) FROM frames").fetchone()
            cursor = connection.execute(
                "INSERT INTO takes (name, turned, look, began_ns, after_frame) "
                "VALUES (?, ?, ?, ?, ?)",
                (name, json.dumps(turned, allow_nan=False), look, now, after),
            )
        return Take(int(cursor.lastrowid or 0), name, turned, look, now, after)

    def all(self) -> list[Take]:
        """Return the takes in order; the last is the one that is on."""
        rows = self._database.rows(
            "SELECT id, name, turned, look, began_ns, after_frame FROM takes ORDER BY id"
        )
        return [Take(row[0], row[1], json.loads(row[2]), *row[3:]) for row in rows]

    def forget_empty(self, number: int) -> None:
        """Take out a take in which no frame has landed; one that has frames stays."""
        with self._database.atomic() as connection:
            connection.execute(
                "DELETE FROM takes WHERE id = ? "
                "AND after_frame IS (SELECT max(id) FROM frames) "
                "AND id = (SELECT max(id) FROM takes)",
                (number,),
            )
