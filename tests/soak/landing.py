"""Land raw files in bursts while the real watch is killed at random, and count what is kept."""

from __future__ import annotations

import hashlib
import sqlite3
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from random import Random
from typing import TYPE_CHECKING

from lightmodel.dng import DngSpec, write_dng
from stopwise.ledger import Ledger
from support.commanding import WatchCommand
from support.made_raws import levels_for
from support.watching import WAYS

if TYPE_CHECKING:
    from pathlib import Path

_EDGES = (64, 96)
_STILL_S = 120.0
_LONGEST_START_S, _LONGEST_WAIT_S = 5.0, 15.0
_LONGEST_PAUSE_S = 3.0
_SHARE_AT_WORK = 0.8
"""Lives that work before they are killed; the others are killed while they begin, or soon after."""


@dataclass
class Outcome:
    """How a run with kills ended.

    Attributes
    ----------
    landed
        Name and content hash of each file, in the order in which they landed.
    kept
        Name, content hash and verdict of each record, in the ledger's landing order.
    told
        Every file that was printed, over all lives of the watch.
    kills
        How often it was killed, and at how many of these times files were still landing.
    lives
        Records that each life of the watch printed; the last one isn't killed.
    is_sound
        Whether SQLite finds the ledger whole.
    is_untouched
        Whether every file still holds the bytes that landed.
    """

    landed: list[tuple[str, str]] = field(default_factory=list)
    kept: list[tuple[str, str, str]] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    kills: tuple[int, int] = (0, 0)
    lives: list[int] = field(default_factory=list)
    is_sound: bool = False
    is_untouched: bool = False

    @property
    def lost(self) -> list[str]:
        """Files that landed and have no record."""
        there = {digest for _, digest, _ in self.kept}
        return [name for name, digest in self.landed if digest not in there]

    @property
    def doubled(self) -> list[str]:
        """Files that have two records, or were told twice."""
        counts = (Counter(name for name, _, _ in self.kept), Counter(self.told))
        return sorted({name for count in counts for name, times in count.items() if times > 1})

    @property
    def worked(self) -> int:
        """How many of the lives that were killed had told a record."""
        return sum(records > 0 for records in self.lives[: self.kills[0]])

    @property
    def is_in_landing_order(self) -> bool:
        """Whether the ledger gives the records in the order in which the files landed."""
        return [name for name, _, _ in self.kept] == [name for name, _ in self.landed]


class Landing:
    """Lands files in a thread: in bursts, each by the next of four ways of writing.

    Parameters
    ----------
    base
        A folder outside the watched one, for a file to begin from.
    folder
        Where files land.
    count
        How many.
    seed
        Of all chance.
    """

    def __init__(self, base: Path, folder: Path, count: int, seed: int) -> None:
        self._folder, self._count, self._chance = folder, count, Random(seed)
        self._raw = base / "first.dng"
        write_dng(
            self._raw,
            levels_for("gbrg uncompressed", _EDGES),
            spec=DngSpec(compression="none", bits=16),
        )
        self.landed: list[tuple[str, str]] = []
        self._thread = threading.Thread(target=self._land_all)

    def start(self) -> None:
        """Begin to land files."""
        self._thread.start()

    @property
    def is_landing(self) -> bool:
        """Whether files are still to come."""
        return self._thread.is_alive()

    def wait(self) -> None:
        """Wait until all have landed."""
        self._thread.join()

    def _land_all(self) -> None:
        whole = bytearray(self._raw.read_bytes())
        while len(self.landed) < self._count:
            for _ in range(min(self._chance.randrange(1, 60), self._count - len(self.landed))):
                self._land_one(whole)
            time.sleep(self._chance.random() * _LONGEST_PAUSE_S)

    def _land_one(self, whole: bytearray) -> None:
        """Land one file: the same picture with other noise in some photosites."""
        number = len(self.landed)
        middle = len(whole) // 2
        whole[middle : middle + 8 : 2] = number.to_bytes(4, "little")
        name, content = f"F{number:05d}.dng", bytes(whole)
        WAYS[number % len(WAYS)](self._folder / name, content)
        self.landed.append((name, hashlib.sha256(content).hexdigest()))


def run_with_kills(base: Path, *, count: int, kills: int, seed: int = 8) -> Outcome:
    """Land `count` files while the watch is killed `kills` times, then let it work off the rest."""
    folder, place, chance, outcome = base / "shoot", base / "l.sqlite", Random(seed), Outcome()
    folder.mkdir()
    landing = Landing(base, folder, count, seed)
    landing.start()
    in_time = 0
    for _ in range(kills):
        with WatchCommand(folder, place) as watch:
            _live(watch, landing, chance, most=2 * count // kills)
            in_time += landing.is_landing
        _close(outcome, watch)
    landing.wait()
    outcome.kills = (kills, in_time)
    with WatchCommand(folder, place) as watch:
        watch.wait_for("watching ")
        _wait_for_rows(watch, place, count)  # and a second more, so that signals are heard
        assert watch.stop() == 0, watch.said
    _close(outcome, watch)
    outcome.landed = landing.landed
    _read_ledger(outcome, place)
    outcome.is_untouched = all(
        hashlib.sha256((folder / name).read_bytes()).hexdigest() == digest
        for name, digest in landing.landed
    )
    return outcome


def _live(watch: WatchCommand, landing: Landing, chance: Random, *, most: int) -> None:
    """Wait until a watch may be killed: mostly after some records, else at any moment."""
    if chance.random() >= _SHARE_AT_WORK:
        time.sleep(chance.random() * _LONGEST_START_S)
        return
    told = chance.randrange(1, most)
    end = time.monotonic() + _LONGEST_WAIT_S
    while len(watch.records) < told and (landing.is_landing or time.monotonic() < end):
        assert watch.is_running, watch.said
        time.sleep(0.001)


def _close(outcome: Outcome, watch: WatchCommand) -> None:
    outcome.told += watch.files
    outcome.lives.append(len(watch.files))


def _read_ledger(outcome: Outcome, place: Path) -> None:
    with Ledger(place) as ledger:
        assert ledger.set_aside is None
        outcome.kept = [
            (kept.record.file, kept.sha256, kept.record.verdict) for kept in ledger.frames.all()
        ]
    connection = sqlite3.connect(place)
    outcome.is_sound = connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


def _wait_for_rows(watch: WatchCommand, place: Path, count: int) -> None:
    """Wait until the ledger holds so many frames; give up when it stands still."""
    rows, moved_at = -1, time.monotonic()
    with Ledger(place) as ledger:
        while (now := ledger.frames.count()) < count:
            if now != rows:
                rows, moved_at = now, time.monotonic()
            assert watch.is_running, watch.said
            assert time.monotonic() < moved_at + _STILL_S, f"{now} of {count}: {watch.said}"
            time.sleep(0.1)
        time.sleep(1.0)  # for what would come twice
