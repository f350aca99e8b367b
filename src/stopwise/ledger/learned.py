"""What the ledger has learned or worked out once: saturation levels, solos, settings."""

from __future__ import annotations

import json
import statistics
import time
from typing import TYPE_CHECKING, Any

from stopwise.frame import CameraKey

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.ledger.database import Database

FRAMES_NEEDED = 2
"""Frames that must have shown a level before it is believed: one alone may be a blown texture."""

MOST_ABOVE = 1e-4
"""Share of a frame's photosites above a learned level from which on it is dropped: hot photosites
are fewer (set on our own renderer)."""

_SHOT = "levels shot"

_FRAMES_HELD = 50
"""Frames of which a level is the median; older ones go, so that a body's ageing is followed."""

_SOLOS_HELD = 128
"""Reduced frames and pictures that are kept: some looks of a plan with ten lamps."""

_OF_KEY = "make = ? AND model = ? AND iso = ? AND white = ? AND colour = ?"


class LearnedLevels:
    """Where the photosites of a camera really stop, learned from frames that showed it."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._settings = Settings(database)

    def teach(self, sha256: str, levels: Mapping[CameraKey, float]) -> None:
        """Add what a frame showed that was shot over for it: one such frame is believed.

        Parameters
        ----------
        sha256
            Content of the frame.
        levels
            Raw level at which each colour stops.
        """
        before = [one for one in self._shot() if one[0] != sha256]
        self._keep_shot([*before, (sha256, dict(levels))][-_FRAMES_HELD:])

    def unteach(self) -> None:
        """Forget the frame shot over that was taught last."""
        self._keep_shot(self._shot()[:-1])

    def _shot(self) -> list[tuple[str, dict[CameraKey, float]]]:
        """Return the frames shot over, oldest first: content, and levels."""
        return [
            (sha256, {CameraKey(*key): level for *key, level in levels})
            for sha256, levels in self._settings.get(_SHOT, ())
        ]

    def _keep_shot(self, frames: Sequence[tuple[str, Mapping[CameraKey, float]]]) -> None:
        rows = [
            (sha256, [(*key, level) for key, level in levels.items()]) for sha256, levels in frames
        ]
        self._settings.set(_SHOT, rows)

    def learn(self, sha256: str, levels: Mapping[CameraKey, float]) -> None:
        """Add what one frame showed; the same frame counts once however often it is seen.

        Parameters
        ----------
        sha256
            Content of the frame.
        levels
            Raw level of each colour's saturation peak; colours without one are left out.
        """
        with self._database.atomic() as connection:
            for key, level in levels.items():
                connection.execute(
                    "INSERT OR REPLACE INTO levels (make, model, iso, white, colour, sha256, level)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (*key, sha256, level),
                )
                connection.execute(
                    f"DELETE FROM levels WHERE {_OF_KEY} AND rowid NOT IN "  # noqa: S608
                    f"(SELECT rowid FROM levels WHERE {_OF_KEY} ORDER BY rowid DESC LIMIT ?)",
                    (*key, *key, _FRAMES_HELD),
                )

    def believed(self) -> dict[CameraKey, float]:
        """Return each level that is believed, raw levels.

        As the last frame shot over showed it, else the median of what two frames or more have.
        """
        seen: dict[CameraKey, list[float]] = {}
        for *key, level in self._database.rows(
            "SELECT make, model, iso, white, colour, level FROM levels ORDER BY rowid"
        ):
            seen.setdefault(CameraKey(*key), []).append(level)
        believed = {
            key: statistics.median(levels)
            for key, levels in seen.items()
            if len(levels) >= FRAMES_NEEDED
        }
        for _, levels in self._shot():
            believed.update(levels)
        return believed

    def refute(self, above: Mapping[CameraKey, float]) -> list[CameraKey]:
        """Drop the levels that a frame has shown to be too low, and return what they held for.

        Parameters
        ----------
        above
            Share of the photosites of each colour that stand above its learned level.
        """
        wrong = [key for key, share in above.items() if share > MOST_ABOVE]
        if wrong:
            with self._database.atomic() as connection:
                connection.executemany(f"DELETE FROM levels WHERE {_OF_KEY}", wrong)  # noqa: S608
                shot = self._shot()
                if any(key in levels for _, levels in shot for key in wrong):
                    self._keep_shot([(sha256, _without(levels, wrong)) for sha256, levels in shot])
        return wrong


def _without(
    levels: Mapping[CameraKey, float], wrong: Sequence[CameraKey]
) -> dict[CameraKey, float]:
    return {key: level for key, level in levels.items() if key not in wrong}


class Solos:
    """Reduced pictures of solo frames, so that each is decoded once."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def keep(self, sha256: str, variant: str, picture: bytes) -> None:
        """Keep a reduced picture; `variant` tells how it was made. The oldest of many go."""
        with self._database.atomic() as connection:
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
        row = self._database.row(
            "SELECT picture FROM solos WHERE sha256 = ? AND variant = ?", (sha256, variant)
        )
        return None if row is None else bytes(row[0])


class Settings:
    """Small named values in JSON that outlive a run."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def set(self, name: str, value: object) -> None:
        """Keep a value under a name."""
        with self._database.atomic() as connection:
            connection.execute(
                "INSERT OR REPLACE INTO settings (name, value, set_ns) VALUES (?, ?, ?)",
                (name, json.dumps(value, allow_nan=False), time.time_ns()),
            )

    def get(self, name: str, default: Any = None) -> Any:
        """Return the value under a name, or `default`."""
        row = self._database.row("SELECT value FROM settings WHERE name = ?", (name,))
        return default if row is None else json.loads(row[0])
