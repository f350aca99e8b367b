"""What the ledger has learned or worked out once: saturation levels, solos, settings."""

from __future__ import annotations

import json
import statistics
import time
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.ledger.store import Store

FRAMES_NEEDED = 2
"""Frames that must have shown a level before it is believed."""

MOST_ABOVE = 1e-4
"""Share of a frame's photosites above a learned level from which on it is dropped."""

_FRAMES_HELD = 50
_SOLOS_HELD = 64


class LevelKey(NamedTuple):
    """What a saturation level holds for: this body at this ISO, with white named so by its files.

    Attributes
    ----------
    make, model, iso
        As the files say, None where they don't.
    white
        The white level that the files name, raw levels.
    """

    make: str | None
    model: str | None
    iso: float | None
    white: float


class SaturationLevels:
    """Where the photosites of a camera really stop, learned from frames that showed it."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def learn(self, key: LevelKey, sha256: str, levels: Mapping[str, float]) -> None:
        """Add what one frame showed; the same frame counts once however often it is seen.

        Parameters
        ----------
        key
            Camera, ISO and named white.
        sha256
            Content of the frame.
        levels
            Raw level of each colour's pile-up; colours without one are left out.
        """
        with self._store.atomic() as connection:
            connection.executemany(
                "INSERT OR REPLACE INTO levels (make, model, iso, white, colour, sha256, level) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                [(*_values(key), name, sha256, level) for name, level in levels.items()],
            )
            for name in levels:
                connection.execute(
                    f"DELETE FROM levels WHERE {_WHERE} AND colour = ? AND rowid NOT IN "  # noqa: S608
                    f"(SELECT rowid FROM levels WHERE {_WHERE} AND colour = ? "
                    "ORDER BY rowid DESC LIMIT ?)",
                    (*_values(key), name, *_values(key), name, _FRAMES_HELD),
                )

    def learned(self, key: LevelKey) -> dict[str, float]:
        """Return the median level of each colour that at least two frames have shown."""
        rows = self._store.rows(
            f"SELECT colour, level FROM levels WHERE {_WHERE} ORDER BY rowid",  # noqa: S608
            _values(key),
        )
        seen: dict[str, list[float]] = {}
        for colour, level in rows:
            seen.setdefault(colour, []).append(level)
        return {
            colour: statistics.median(levels)
            for colour, levels in seen.items()
            if len(levels) >= FRAMES_NEEDED
        }

    def all(self) -> dict[LevelKey, dict[str, float]]:
        """Return every level that is believed, by what it holds for."""
        rows = self._store.rows("SELECT DISTINCT make, model, iso, white FROM levels")
        found = {_key(*row): self.learned(_key(*row)) for row in rows}
        return {key: levels for key, levels in found.items() if levels}

    def refute(self, key: LevelKey, above: Mapping[str, float]) -> list[str]:
        """Drop the levels that a frame has shown to be too low, and return their colours.

        Parameters
        ----------
        key
            Camera, ISO and named white.
        above
            For each colour, the share of its photosites that stand above the learned level.
        """
        wrong = [colour for colour, share in above.items() if share > MOST_ABOVE]
        with self._store.atomic() as connection:
            connection.executemany(
                f"DELETE FROM levels WHERE {_WHERE} AND colour = ?",  # noqa: S608
                [(*_values(key), colour) for colour in wrong],
            )
        return wrong


_WHERE = "make = ? AND model = ? AND iso = ? AND white = ?"


def _values(key: LevelKey) -> tuple[str, str, float, float]:
    """Return a key as it is kept: no text and ISO 0 stand for what the files don't say."""
    return key.make or "", key.model or "", key.iso or 0.0, key.white


def _key(make: str, model: str, iso: float, white: float) -> LevelKey:
    return LevelKey(make or None, model or None, iso or None, white)


class Solos:
    """Reduced pictures of solo frames, so that each is decoded once."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def keep(self, sha256: str, variant: str, picture: bytes) -> None:
        """Keep a reduced picture; `variant` tells how it was made. The oldest of many go."""
        with self._store.atomic() as connection:
            connection.execute(
                "INSERT OR REPLACE INTO solos (sha256, variant, picture, made_ns) "
                "VALUES (?, ?, ?, ?)",
                (sha256, variant, picture, time.time_ns()),
            )
            connection.execute(
                "DELETE FROM solos WHERE rowid NOT IN "
                "(SELECT rowid FROM solos ORDER BY made_ns DESC, rowid DESC LIMIT ?)",
                (_SOLOS_HELD,),
            )

    def get(self, sha256: str, variant: str) -> bytes | None:
        """Return a reduced picture, or None where it was never made."""
        row = self._store.row(
            "SELECT picture FROM solos WHERE sha256 = ? AND variant = ?", (sha256, variant)
        )
        return None if row is None else bytes(row[0])


class Settings:
    """Small named values in JSON that outlive a run."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def set(self, name: str, value: object) -> None:
        """Keep a value under a name."""
        with self._store.atomic() as connection:
            connection.execute(
                "INSERT OR REPLACE INTO settings (name, value, set_ns) VALUES (?, ?, ?)",
                (name, json.dumps(value, allow_nan=False), time.time_ns()),
            )

    def get(self, name: str, default: Any = None) -> Any:
        """Return the value under a name, or `default`."""
        row = self._store.row("SELECT value FROM settings WHERE name = ?", (name,))
        return default if row is None else json.loads(row[0])
