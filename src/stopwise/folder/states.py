"""Which file is judged when: a plain state machine over what was seen, with no clock of its own.

A file waits until it is whole, is queued in landing order, judged, perhaps held until it has rested
(an unreadable one), and done. Any later change begins it again.
"""

from __future__ import annotations

import os
import sqlite3
import threading
import weakref
from collections import OrderedDict
from collections.abc import MutableMapping
from dataclasses import dataclass, field
from enum import Enum
from itertools import chain
from operator import itemgetter
from typing import TYPE_CHECKING, Any

from stopwise.folder.names import in_order
from stopwise.folder.one_file import NotYet, Wholeness
from stopwise.folder.watch_notes import note

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from stopwise.folder.listing import Listing, SeenFile, Settled
    from stopwise.folder.watch_notes import Note
    from stopwise.ledger.frames import KnownPath, Stamp

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


_SECOND_NS = 1_000_000_000  # nanoseconds in a second
_NEVER = float("inf")
_UNKNOWN_NS = -1  # where nanoseconds stand: no clock gives it


@dataclass(frozen=True, slots=True)
class Waits:
    """How long files are waited for, seconds (common practice, but for what is measured).

    Attributes
    ----------
    settle_s
        Rest after the last change before a file may be called unreadable.
    rest_s
        Rest before a file that doesn't say its length is tried.
    tell_s
        Wait after which it is told that a file is still being written.
    retry_s
        Pause before a file that couldn't be read is tried again.
    flood
        New files found by one sweep above which they count as a backlog: more than any camera
        shoots between two sweeps.
    """

    settle_s: float = 10.0
    rest_s: float = 1.0
    tell_s: float = 2.0
    retry_s: float = 5.0
    flood: int = 50

    def before_trying(self, wholeness: Wholeness | None) -> float:
        """Return how long a file that isn't known to be whole must have been at rest."""
        if wholeness is Wholeness.SHORT:
            return self.settle_s
        return self.rest_s if wholeness is Wholeness.UNKNOWN else _NEVER


class State(Enum):
    """Where a file stands."""

    WAITING = "waiting"
    """It wasn't whole when a worker looked, and hasn't rested."""
    QUEUED = "queued"
    """It landed or changed while watching, and its turn will come."""
    BACKLOGGED = "backlogged"
    """It lay there at the start, or came in a flood: those that land now go first."""
    JUDGING = "judging"
    HELD = "held"
    """It was found unreadable, and hasn't rested long enough to say so."""


class Outcome(Enum):
    """What is to be done with an assessment that has come back."""

    KEEP = "keep"
    """It holds: write it."""
    HOLD = "hold"
    """Unreadable, and not at rest long enough to say so."""
    DROP = "drop"
    """The file has changed or is gone: it doesn't hold any more."""


@dataclass(frozen=True, slots=True)
class Job:
    """A file whose turn has come.

    Attributes
    ----------
    path, stamp
        Which file, as it was when it was queued.
    landed_ns
        When it landed, nanoseconds since 1970; later for each frame that lands while watching.
    is_fresh
        False for what lay there at the start or came in a flood.
    is_known
        Whether this path was judged before, so that its bytes may well be the same.
    is_rested
        Whether it has been at rest so long that it is taken as it is, whole or not.
    """

    path: str
    stamp: Stamp
    landed_ns: int
    is_fresh: bool
    is_known: bool
    is_rested: bool = False


@dataclass(frozen=True, slots=True)
class Changes:
    """What a look at the folder has changed.

    Attributes
    ----------
    notes
        What is to be told.
    gone
        Judged paths that aren't there any more.
    back
        Paths that were gone and are there again as they were, with their stamps.
    has_new
        Whether a file lies there that didn't before.
    """

    notes: list[Note] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)
    back: dict[str, Stamp] = field(default_factory=dict)
    has_new: bool = False


@dataclass(slots=True)
class _File:
    """One file; times are on the caller's clock, `landed_ns` since 1970.

    `system_ns` is what the system says of its landing; `landed_ns` is that, but never long before
    what landed earlier, so that the order of landing holds though the clock is set back.
    `wholeness` is what a worker last said of it; `is_seen_anew` tells that the folder was looked at
    since, so that a worker is to look again; `held` is what comes of it once it has rested.
    """

    stamp: Stamp
    changed_at: float
    system_ns: int
    landed_ns: int
    wholeness: Wholeness | None = None
    state: State = State.WAITING
    is_seen_anew: bool = True
    is_rested: bool = False
    is_fresh: bool = True
    is_known: bool = False
    is_told: bool = False
    not_before: float = 0.0
    held: Any = None


class FileStates:
    """The files of one folder and what becomes of each.

    There may be a day's frames that are done or gone: of each its path is kept, and of its stamp
    the hash, 61 bits and more, so that a change is passed over once in 10**18.

    Parameters
    ----------
    waits
        How long files are waited for.
    """

    def __init__(self, waits: Waits | None = None) -> None:
        self._waits = waits or Waits()
        self._files: dict[str, _File] = {}
        self._done = SettledFiles()
        self._in: dict[State, OrderedDict[str, _File]] = {state: OrderedDict() for state in State}
        self._gone = SettledFiles()
        self._vanished: list[str] = []
        self._last_landed_ns = 0
        self._is_first_sweep = True

    def remember(self, known: Mapping[str, KnownPath], last_landed_ns: int = 0) -> None:
        """Begin anew with what was judged before: paths with their stamps, and the last landing."""
        self._done.clear()
        for files in (self._files, *self._in.values()):
            files.clear()
        self._gone.clear()
        self._vanished.clear()
        self._is_first_sweep = True
        self._last_landed_ns = max(self._last_landed_ns, last_landed_ns)
        for path, before in known.items():
            (self._gone if before.is_gone else self._done)[path] = hash(before.stamp)

    def see(self, listing: Listing, now: float) -> Changes:
        """Take in what was seen."""
        if not listing.is_folder_there:
            return Changes()
        gone = self._take_away_missing(listing)
        back = {
            seen.path: seen.stamp
            for seen in listing.raws
            if seen.path not in self._files and self._gone.get(seen.path) == hash(seen.stamp)
        }
        for path in back:
            self._done[path] = self._gone.pop(path)
        new = [file for seen in listing.raws if (file := self._see_one(seen, now))]
        if listing.is_sweep:
            if self._is_first_sweep or len(new) > self._waits.flood:
                for file in new:
                    file.is_fresh = False
            self._is_first_sweep = False
        self._set_landing(listing)
        return Changes(self.move_on(now), gone, back, bool(new))

    @property
    def settled(self) -> Settled:
        """What is dealt with now and later; safe to be read from any thread."""
        return self._done

    def move_on(self, now: float) -> list[Note]:
        """Queue what is to be looked at or has rested long enough; return what is to be told."""
        waiting = self._in[State.WAITING]
        ripe = [
            (file.landed_ns, in_order(path), path)
            for path, file in waiting.items()
            if self._ripe_at(file) <= now
        ]
        for _, _, path in sorted(ripe):
            waiting[path].is_rested = self._rested_at(waiting[path]) <= now
            self._move(path, State.QUEUED if waiting[path].is_fresh else State.BACKLOGGED)
        late = [path for path, file in waiting.items() if self._tell_at(file) <= now]
        for path in late:
            waiting[path].is_told = True
        return [note("still_written", path) for path in late]

    def next_due(self) -> float | None:
        """Return when time alone will move something on, on the caller's clock."""
        waiting = self._in[State.WAITING].values()
        times = [min(self._ripe_at(file), self._tell_at(file)) for file in waiting]
        times += [self._settled_at(file) for file in self._in[State.HELD].values()]
        return min((time for time in times if time != _NEVER), default=None)

    def next_job(self) -> Job | None:
        """Return the next file to judge, or None: frames that land now go before a backlog."""
        for path in chain(self._in[State.QUEUED], self._in[State.BACKLOGGED]):
            file = self._files[path]
            self._move(path, State.JUDGING)
            file.is_seen_anew = False
            return Job(
                path, file.stamp, file.landed_ns, file.is_fresh, file.is_known, file.is_rested
            )
        return None

    def finished(
        self, job: Job, answer: Any, *, stamp: Stamp | None, is_unreadable: bool, now: float
    ) -> Outcome:
        """Tell what becomes of an answer, given the file's stamp now (None: it is gone).

        One that is held is given back by `released`.
        """
        file = self._files.get(job.path)
        if job.path in self._done or (
            file is not None and (file.stamp != job.stamp or file.state is not State.JUDGING)
        ):
            return Outcome.DROP
        if stamp is None:
            self._take_away(job.path)
            return Outcome.DROP if is_unreadable else Outcome.KEEP
        if file is None or stamp != job.stamp:
            self.look_again(job, stamp, now)
            return Outcome.DROP
        if is_unreadable and now < self._settled_at(file):
            self._move(job.path, State.HELD)
            file.held = answer
            return Outcome.HOLD
        self._finish(job.path)
        return Outcome.KEEP

    def not_yet(self, job: Job, answer: NotYet) -> list[Note]:
        """Have a file wait that a worker didn't take yet; return what is to be told, once."""
        file = self._files.get(job.path)
        if file is None or file.stamp != job.stamp or file.state is not State.JUDGING:
            return []
        file.wholeness = answer.wholeness
        self._move(job.path, State.WAITING)
        if answer.wholeness is not Wholeness.DENIED or file.is_told:
            return []
        file.is_told = True
        return [note("no_access", job.path, answer.detail)]

    def released(self, now: float) -> list[Any]:
        """Return held answers on files that have rested long enough to be called unreadable."""
        held = self._in[State.HELD].items()
        ripe = {path: file.held for path, file in held if self._settled_at(file) <= now}
        for path in ripe:
            self._finish(path)
        return list(ripe.values())

    def look_again(self, job: Job, stamp: Stamp | None, now: float) -> None:
        """Put a file back that has changed or couldn't be read, given its stamp now."""
        file = self._files.get(job.path)
        if file is None or file.stamp != job.stamp:
            return
        if stamp is None:
            self._take_away(job.path)
        elif stamp != job.stamp:
            self._restart(job.path, stamp, now)
        else:
            self._move(job.path, State.WAITING)
            file.is_seen_anew, file.not_before = True, now + self._waits.retry_s

    def is_fresh(self, path: str) -> bool:
        """Tell whether a file landed while watching: it isn't of a backlog."""
        file = self._files.get(path)
        return file is not None and file.is_fresh

    @property
    def queued(self) -> tuple[int, int]:
        """How many wait: frames that have landed, and the backlog; safe from any thread."""
        waiting = [file.is_fresh for file in list(self._in[State.WAITING].values())]
        backlog = len(self._in[State.BACKLOGGED]) + waiting.count(False)
        return len(self._in[State.QUEUED]), backlog

    def _see_one(self, seen: SeenFile, now: float) -> _File | None:
        """Bring one file up to date; return it where it is new."""
        file = self._files.get(seen.path)
        if (done := self._done.get(seen.path)) is not None:
            if done != hash(seen.stamp):
                self._change_done(seen, now)
            return None
        if file is None:
            file = _File(seen.stamp, now, _UNKNOWN_NS, seen.landed_ns)
            self._files[seen.path] = self._in[State.WAITING][seen.path] = file
            return file
        if file.stamp != seen.stamp:
            self._restart(seen.path, seen.stamp, now)
        file.is_seen_anew = True
        return None

    def _set_landing(self, listing: Listing) -> None:
        """Say when each file landed that is new or has changed, in the order of the system's times.

        It is decided when a file is first seen: one that is waited for lands no later for that.
        """
        waiting = self._in[State.WAITING]
        anew = [
            (seen.landed_ns, in_order(seen.path), waiting[seen.path])
            for seen in listing.raws
            if seen.path in waiting and waiting[seen.path].system_ns != seen.landed_ns
        ]
        for system_ns, _, file in sorted(anew, key=itemgetter(0, 1)):
            file.system_ns = file.landed_ns = system_ns
            if not file.is_fresh:
                continue
            if file.landed_ns < self._last_landed_ns - _SECOND_NS:
                file.landed_ns = self._last_landed_ns + 1
            self._last_landed_ns = max(self._last_landed_ns, file.landed_ns)

    def _take_away_missing(self, listing: Listing) -> list[str]:
        """Take away what isn't there any more; return the judged paths among it."""
        seen = {raw.path for raw in listing.raws}
        settled = self._done if listing.unmet is None else listing.unmet
        looked_for = chain(settled, self._files) if listing.is_sweep else listing.missing
        for path in [path for path in looked_for if path not in seen and listing.covers(path)]:
            if (stamp := self._done.get(path)) is not None:
                self._gone[path] = stamp
            self._take_away(path)
        vanished, self._vanished = self._vanished, []
        return [path for path in vanished if path not in self._files]

    def _take_away(self, path: str) -> None:
        file = self._files.pop(path, None)
        if file is not None:
            del self._in[file.state][path]
        if self._done.pop(path, None) is not None or (file is not None and file.is_known):
            self._vanished.append(path)

    def _change_done(self, seen: SeenFile, now: float) -> None:
        """Begin a file anew that was judged before."""
        del self._done[seen.path]
        file = _File(seen.stamp, now, _UNKNOWN_NS, seen.landed_ns, is_known=True)
        self._files[seen.path] = self._in[State.WAITING][seen.path] = file

    def _move(self, path: str, state: State) -> None:
        file = self._files[path]
        del self._in[file.state][path]
        file.state = state
        self._in[state][path] = file

    def _restart(self, path: str, stamp: Stamp, now: float) -> None:
        file = self._files[path]
        file.stamp, file.changed_at, file.not_before = stamp, now, 0.0
        file.wholeness, file.is_seen_anew, file.is_fresh, file.held = None, True, True, None
        self._move(path, State.WAITING)

    def _finish(self, path: str) -> None:
        """Keep of a file that is settled no more than what a look at the folder is held against."""
        file = self._files.pop(path)
        del self._in[file.state][path]
        self._done[path] = hash(file.stamp)

    def _ripe_at(self, file: _File) -> float:
        """Return when a waiting file may be queued."""
        return file.not_before if file.is_seen_anew else self._rested_at(file)

    def _rested_at(self, file: _File) -> float:
        """Return when a file is taken as it is, though it isn't known to be whole."""
        return max(file.changed_at + self._waits.before_trying(file.wholeness), file.not_before)

    def _tell_at(self, file: _File) -> float:
        """Return when it is to be told that a waiting file is still being written."""
        is_due = file.wholeness is Wholeness.SHORT and not file.is_told
        return file.changed_at + self._waits.tell_s if is_due else _NEVER

    def _settled_at(self, file: _File) -> float:
        return file.changed_at + self._waits.settle_s
