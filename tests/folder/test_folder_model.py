"""The watcher against a simple model of its folder, through any order of things that happen.

The folder is a real one; the clock, the moments of looking and the ledger's disk are the test's.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import tempfile
import time
from dataclasses import replace
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
)

from stopwise.folder.listing import look_at, sweep
from stopwise.folder.states import State
from stopwise.folder.watcher import Hooks, Options, Seams, Waits, Watcher
from stopwise.ledger import Ledger
from support.watching import InlinePool, assess, read, tiny_raw

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.folder.listing import Listing, Settled
    from stopwise.folder.supplies import Task
    from stopwise.folder.watcher import Landing
    from stopwise.ledger import Stamp

SETTLE_S = 10.0
PLACE = st.integers(0, 5)
NAMES = [f"F{number:04d}.dng" for number in range(4)] + ["day/F0001.dng", "day/x\n\udcff.ARW"]


class Disk(sqlite3.Connection):
    """A ledger's disk that may be full."""

    is_full = False

    def execute(self, statement: str, *values: Any) -> sqlite3.Cursor:
        if Disk.is_full and statement.startswith(("INSERT INTO frames", "INSERT INTO paths")):
            error = sqlite3.OperationalError("database or disk is full")
            error.sqlite_errorcode = sqlite3.SQLITE_FULL
            raise error
        return super().execute(statement, *values)


def connect(place: str) -> sqlite3.Connection:
    return sqlite3.connect(place, isolation_level=None, check_same_thread=False, factory=Disk)


class SlowPool(InlinePool):
    """Two workers that begin and end when the test says so."""

    def __init__(self) -> None:
        super().__init__(read)
        self.pending: list[Task] = []

    @property
    def room(self) -> int:
        return 2 - len(self.pending)

    def start(self, task: Task) -> None:
        self.pending.append(task)

    def answer(self, place: int) -> None:
        """Have one worker read its file now, as it is now, and answer."""
        super().start(self.pending.pop(place))


class Sight:
    """Looks only when the test says so, and only where."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.settled: Settled = {}
        self.landed: dict[tuple[str, Stamp], int] = {}
        self.is_sweep_due = False
        self.hints: list[str] = []

    def start(self) -> None:
        """Begin nothing."""

    def close(self) -> None:
        """End nothing."""

    def sweep_soon(self) -> None:
        self.is_sweep_due = True

    def listings(self) -> Iterator[Listing]:
        hints, self.hints = self.hints, []
        if hints:
            yield self.in_step(look_at(str(self.folder), hints))
        if self.is_sweep_due:
            self.is_sweep_due = False
            yield self.in_step(sweep(str(self.folder), self.settled))

    def in_step(self, listing: Listing) -> Listing:
        """Have files land as they are seen: the system's clock ticks too seldom to part them."""
        listing.raws.sort(key=attrgetter("path"))
        listing.raws = [
            replace(seen, landed_ns=self.landed.setdefault((seen.path, seen.stamp), place))
            for place, seen in enumerate(listing.raws, len(self.landed))
        ]
        return listing


class WatchedFolder(RuleBasedStateMachine):
    """Files come, grow, change, move and go; the watcher looks now and then."""

    @initialize()
    def begin(self) -> None:
        Disk.is_full = False
        self.base = Path(tempfile.mkdtemp())
        self.folder = self.base / "shoot"
        (self.folder / "day").mkdir(parents=True)
        self.ledger = Ledger(":memory:", opener=connect)
        self.now = 0.0
        self.sizes = iter(range(4096, 10**9, 16))
        self.halves: dict[str, bytes] = {}
        self.is_whole: dict[str, bool] = {}
        self.changed_at: dict[str, float] = {}
        self.told: list[tuple[str, str]] = []
        self.watch()

    def watch(self) -> None:
        self.sight = Sight(self.folder)
        self.pool = SlowPool()
        hooks = Hooks(on_record=self.hear)
        self.watcher = Watcher(
            self.folder,
            self.ledger,
            assess,
            hooks=hooks,
            options=Options(waits=Waits(settle_s=SETTLE_S)),
            seams=Seams(clock=lambda: self.now, pool=self.pool, sight=self.sight),
        )
        self.sight.settled = self.watcher._files.settled

    def hear(self, landing: Landing) -> None:
        kept = landing.kept
        self.told.append((kept.sha256, kept.record.verdict))
        if kept.record.verdict == "unreadable":
            assert self.now >= self.changed_at[kept.sha256] + SETTLE_S

    def put(self, name: str, content: bytes, *, whole: bool) -> None:
        digest = hashlib.sha256(content).hexdigest()
        self.is_whole[digest] = whole
        self.changed_at.setdefault(digest, self.now)
        (self.folder / name).write_bytes(content)

    def there(self) -> list[str]:
        """Return the files that lie in the folder now."""
        return [name for name in NAMES if (self.folder / name).exists()]

    def pick(self, place: int) -> str:
        there = self.there()
        return there[place % len(there)]

    @rule(name=st.sampled_from(NAMES))
    def a_file_lands(self, name: str) -> None:
        size = next(self.sizes)
        self.put(name, tiny_raw(size, size=size), whole=True)

    @rule(name=st.sampled_from(NAMES), part=st.sampled_from([0, 8, 40, 3000]))
    def a_file_begins_to_land(self, name: str, part: int) -> None:
        size = next(self.sizes)
        content = tiny_raw(size, size=size)
        self.halves[name] = content
        self.put(name, content[: part + size % 7 if part else 0], whole=False)

    @precondition(lambda self: set(self.halves) & set(self.there()))
    @rule(place=PLACE)
    def it_has_landed(self, place: int) -> None:
        begun = sorted(set(self.halves) & set(self.there()))
        name = begun[place % len(begun)]
        self.put(name, self.halves.pop(name), whole=True)

    @precondition(lambda self: self.there())
    @rule(place=PLACE)
    def a_file_is_touched(self, place: int) -> None:
        os.utime(self.folder / self.pick(place))

    @precondition(lambda self: self.there())
    @rule(place=PLACE)
    def a_file_is_deleted(self, place: int) -> None:
        (self.folder / self.pick(place)).unlink()

    @precondition(lambda self: self.there())
    @rule(place=PLACE, other=st.sampled_from(NAMES))
    def a_file_is_renamed(self, place: int, other: str) -> None:
        (self.folder / self.pick(place)).replace(self.folder / other)

    @precondition(lambda self: self.there())
    @rule(place=PLACE, other=st.sampled_from(NAMES))
    def a_file_is_copied(self, place: int, other: str) -> None:
        content = (self.folder / self.pick(place)).read_bytes()
        (self.folder / other).write_bytes(content)

    @rule()
    def the_folder_is_looked_through(self) -> None:
        self.sight.sweep_soon()
        self.step()

    @rule(name=st.sampled_from([*NAMES, "day"]))
    def an_event_hints(self, name: str) -> None:
        self.sight.hints.append(name)
        self.step()

    @rule(seconds=st.sampled_from([0.1, 1.0, 3.0, 9.0, 30.0]))
    def time_passes(self, seconds: float) -> None:
        self.now += seconds
        self.step()

    @precondition(lambda self: self.pool.pending)
    @rule(place=PLACE)
    def a_worker_answers(self, place: int) -> None:
        self.pool.answer(place % len(self.pool.pending))
        self.step()

    @rule()
    def the_workers_answer(self) -> None:
        self.work_off()

    @precondition(lambda _: not Disk.is_full)
    @rule()
    def the_watcher_is_started_again(self) -> None:
        self.watcher.close()
        self.watch()

    @rule()
    def the_folder_goes_and_comes_back(self) -> None:
        self.folder.rename(self.base / "away")
        self.sight.sweep_soon()
        self.sight.hints.append(NAMES[0])
        self.step()
        (self.base / "away").rename(self.folder)

    @rule(is_full=st.booleans())
    def the_ledgers_disk(self, is_full: bool) -> None:
        Disk.is_full = is_full

    def step(self) -> None:
        """Let the watcher work until only time or a worker can move something on."""
        for _ in range(2000):
            self.watcher.step()
            in_hand = sum(self.watcher._in_progress.counts)
            if in_hand == len(self.pool.pending) and (
                not self.watcher._in_progress.room
                or not any(
                    self.watcher._files._in[state] for state in (State.QUEUED, State.BACKLOGGED)
                )
            ):
                return
            time.sleep(0.0002)
        raise AssertionError("the watcher did not come to rest")

    def work_off(self) -> None:
        """Let the workers answer until nothing is left to do without time passing."""
        self.step()
        while self.pool.pending:
            self.pool.answer(0)
            self.step()

    @invariant()
    def no_content_is_told_twice(self) -> None:
        digests = [digest for digest, _ in getattr(self, "told", [])]
        assert len(digests) == len(set(digests))

    @invariant()
    def no_short_file_is_judged(self) -> None:
        for digest, verdict in getattr(self, "told", []):
            assert verdict == ("measured" if self.is_whole[digest] else "unreadable")

    @invariant()
    def what_was_told_is_kept(self) -> None:
        if hasattr(self, "told"):
            kept = [kept.sha256 for kept in self.ledger.frames.all()]
            assert sorted(kept) == sorted(digest for digest, _ in self.told)

    def teardown(self) -> None:
        if not hasattr(self, "watcher"):
            return
        Disk.is_full = False
        try:
            for _ in range(4):
                self.sight.sweep_soon()
                self.work_off()
                self.now += 2 * SETTLE_S
                self.work_off()
            self.every_file_is_judged_once()
        finally:
            self.watcher.close()
            self.ledger.close()
            shutil.rmtree(self.base)

    def every_file_is_judged_once(self) -> None:
        there = {
            path.relative_to(self.folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in self.folder.rglob("*")
            if path.is_file()
        }
        self.no_content_is_told_twice()
        self.no_short_file_is_judged()
        self.what_was_told_is_kept()
        rows = {kept.frame: kept.sha256 for kept in self.ledger.frames.all()}
        known = self.ledger.frames.known(str(self.folder.resolve()))
        now = {path: rows[at.frame] for path, at in known.items() if not at.is_gone}
        assert now == there


def test_a_path_is_kept_that_was_taken_by_another_file_while_the_ledgers_disk_was_full() -> None:
    watched = WatchedFolder()
    watched.begin()
    watched.a_file_begins_to_land(name="F0003.dng", part=0)
    watched.the_folder_is_looked_through()
    watched.a_file_lands(name="F0001.dng")
    watched.the_ledgers_disk(is_full=True)
    watched.time_passes(seconds=30.0)
    watched.a_file_begins_to_land(name="F0000.dng", part=0)
    watched.the_workers_answer()
    watched.a_file_is_renamed(place=2, other="F0000.dng")
    watched.the_folder_is_looked_through()
    watched.a_file_is_copied(place=1, other="F0000.dng")
    watched.a_file_is_copied(place=0, other="F0003.dng")
    watched.teardown()


TestWatchedFolder = WatchedFolder.TestCase
TestWatchedFolder.settings = settings(stateful_step_count=40)
