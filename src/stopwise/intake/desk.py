"""Which file is judged when: a plain state machine over what was seen, with no clock of its own.

A file waits until it is whole, is queued in landing order, judged, perhaps held until it has rested
(an unreadable one), and done. Any later change begins it again.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from stopwise.intake.names import in_order
from stopwise.intake.notes import Note, note
from stopwise.intake.sightings import Wholeness

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from stopwise.intake.sightings import Listing, Sighting
    from stopwise.ledger.frames import Stamp

_SECOND_NS = 1_000_000_000


@dataclass(frozen=True, slots=True)
class Patience:
    """How long files are waited for, seconds.

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
        New files found by one sweep above which they count as a backlog.
    """

    settle_s: float = 10.0
    rest_s: float = 1.0
    tell_s: float = 2.0
    retry_s: float = 5.0
    flood: int = 50


class _State(Enum):
    WAITING = "waiting"
    QUEUED = "queued"
    JUDGING = "judging"
    HELD = "held"
    DONE = "done"


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
    """

    path: str
    stamp: Stamp
    landed_ns: int
    is_fresh: bool
    is_known: bool


@dataclass(slots=True)
class _File:
    stamp: Stamp
    changed_at: float
    landed_ns: int
    wholeness: Wholeness = Wholeness.UNKNOWN
    state: _State = _State.WAITING
    is_fresh: bool = True
    is_known: bool = False
    is_told: bool = False
    not_before: float = 0.0
    place: tuple[int, int] = (0, 0)


class Desk:
    """The files of one folder and what becomes of each.

    Parameters
    ----------
    known
        Paths that were judged before, with their stamps.
    patience
        How long files are waited for.
    last_landed_ns
        Landing of the last frame in the ledger.
    """

    def __init__(
        self,
        known: Mapping[str, Stamp] | None = None,
        *,
        patience: Patience | None = None,
        last_landed_ns: int = 0,
    ) -> None:
        self.patience = patience or Patience()
        self._files = {
            path: _File(stamp, 0.0, 0, state=_State.DONE, is_known=True)
            for path, stamp in (known or {}).items()
        }
        self._queue: list[tuple[tuple[int, int], str]] = []
        self._count = 0
        self._last_landed_ns = last_landed_ns
        self._is_first_sweep = True

    def needs_look(self, path: str, stamp: Stamp) -> bool:
        """Tell whether a file must be opened to see if it is whole; safe from any thread."""
        file = self._files.get(path)
        return file is None or file.stamp != stamp or file.state is _State.WAITING

    def see(self, listing: Listing, now: float) -> tuple[list[Note], list[str]]:
        """Take in what was seen; return what is to be told and which judged paths are gone."""
        if not listing.is_folder_there:
            return [], []
        gone = self._forget_missing(listing)
        news = [self._see_one(sighting, now) for sighting in listing.raws]
        self._judge_arrivals([file for file in news if file is not None], listing)
        notes = self._denied(listing.raws)
        if listing.is_sweep:
            self._is_first_sweep = False
        return notes + self.move_on(now), gone

    def move_on(self, now: float) -> list[Note]:
        """Queue what is whole or has rested long enough; return what is to be told."""
        ripe = [
            (file.landed_ns, in_order(path), path)
            for path, file in self._waiting()
            if self._ripe_at(file) <= now
        ]
        for _, _, path in sorted(ripe):
            self._enqueue(path)
        return self._still_written(now)

    def next_due(self) -> float | None:
        """Return when time alone will move something on, on the caller's clock."""
        times = [self._ripe_at(file) for _, file in self._waiting()]
        times += [
            file.changed_at + self.patience.tell_s
            for _, file in self._waiting()
            if file.wholeness is Wholeness.SHORT and not file.is_told
        ]
        times += [self._settled_at(file) for _, file in self._in(_State.HELD)]
        return min((time for time in times if time != _NEVER), default=None)

    def next_job(self) -> Job | None:
        """Return the next file to judge, or None: frames that land now go before a backlog."""
        while self._queue:
            place, path = heapq.heappop(self._queue)
            file = self._files.get(path)
            if file is None or file.state is not _State.QUEUED or file.place != place:
                continue
            file.state = _State.JUDGING
            return Job(path, file.stamp, self._landing(file), file.is_fresh, file.is_known)
        return None

    def finished(
        self, job: Job, *, stamp: Stamp | None, is_unreadable: bool, now: float
    ) -> Outcome:
        """Tell what becomes of an assessment, given the file's stamp now (None: it is gone)."""
        file = self._files.get(job.path)
        if file is not None and (file.stamp != job.stamp or file.state is not _State.JUDGING):
            return Outcome.DROP
        if stamp is None:
            self._files.pop(job.path, None)
            return Outcome.DROP if is_unreadable else Outcome.KEEP
        if file is None or stamp != job.stamp:
            self.look_again(job, stamp, now)
            return Outcome.DROP
        if is_unreadable and now < self._settled_at(file):
            file.state = _State.HELD
            return Outcome.HOLD
        self._finish(file)
        return Outcome.KEEP

    def released(self, now: float) -> list[str]:
        """Return the held paths that have rested long enough to be called unreadable."""
        ripe = [path for path, file in self._in(_State.HELD) if self._settled_at(file) <= now]
        for path in ripe:
            self._finish(self._files[path])
        return ripe

    def look_again(self, job: Job, stamp: Stamp | None, now: float) -> None:
        """Put a file back that has changed or couldn't be read, given its stamp now."""
        file = self._files.get(job.path)
        if file is None or file.stamp != job.stamp:
            return
        if stamp is None:
            del self._files[job.path]
        elif stamp != job.stamp:
            self._restart(file, stamp, now)
        else:
            file.state = _State.WAITING
            file.not_before = now + self.patience.retry_s

    def forget(self) -> None:
        """Forget everything, so that the next sweep finds all files anew."""
        self._files.clear()
        self._queue.clear()
        self._is_first_sweep = True

    @property
    def queued(self) -> tuple[int, int]:
        """How many files wait for their turn: fresh ones, and the backlog."""
        waiting = [file.is_fresh for _, file in self._in(_State.QUEUED)]
        return sum(waiting), len(waiting) - sum(waiting)

    def _see_one(self, sighting: Sighting, now: float) -> _File | None:
        """Bring one file up to date; return it where it is new to the desk."""
        file = self._files.get(sighting.path)
        if file is None:
            file = _File(sighting.stamp, now, sighting.landed_ns, sighting.wholeness)
            self._files[sighting.path] = file
            return file
        if file.stamp != sighting.stamp:
            self._restart(file, sighting.stamp, now)
            file.landed_ns = sighting.landed_ns
        if file.state is _State.WAITING:
            file.wholeness = sighting.wholeness
            file.landed_ns = sighting.landed_ns
        return None

    def _judge_arrivals(self, news: list[_File], listing: Listing) -> None:
        """Tell a backlog from frames that land now."""
        is_backlog = self._is_first_sweep and listing.is_sweep
        is_backlog |= len(news) > self.patience.flood and listing.is_sweep
        for file in news:
            file.is_fresh = not is_backlog or file.wholeness is Wholeness.SHORT

    def _forget_missing(self, listing: Listing) -> list[str]:
        seen = {sighting.path for sighting in listing.raws}
        gone = [path for path in self._files if path not in seen and listing.covers(path)]
        judged = [path for path in gone if self._files[path].is_known]
        for path in gone:
            del self._files[path]
        return judged

    def _restart(self, file: _File, stamp: Stamp, now: float) -> None:
        file.stamp = stamp
        file.changed_at = now
        file.state = _State.WAITING
        file.wholeness = Wholeness.UNKNOWN
        file.is_fresh = True
        file.not_before = 0.0

    def _finish(self, file: _File) -> None:
        file.state = _State.DONE
        file.is_known = True
        file.is_told = False

    def _enqueue(self, path: str) -> None:
        file = self._files[path]
        self._count += 1
        file.state = _State.QUEUED
        file.place = (0 if file.is_fresh else 1, self._count)
        heapq.heappush(self._queue, (file.place, path))

    def _landing(self, file: _File) -> int:
        """Return when a file landed; the order of landing holds though the clock is set back."""
        if not file.is_fresh:
            return file.landed_ns
        landed = file.landed_ns
        if landed < self._last_landed_ns - _SECOND_NS:
            landed = self._last_landed_ns + 1
        self._last_landed_ns = max(self._last_landed_ns, landed)
        return landed

    def _ripe_at(self, file: _File) -> float:
        """Return when a waiting file may be queued, on the caller's clock."""
        rest = _RESTS[file.wholeness](self.patience)
        return max(file.changed_at + rest, file.not_before)

    def _settled_at(self, file: _File) -> float:
        return file.changed_at + self.patience.settle_s

    def _waiting(self) -> Iterator[tuple[str, _File]]:
        return self._in(_State.WAITING)

    def _in(self, state: _State) -> Iterator[tuple[str, _File]]:
        return ((path, file) for path, file in self._files.items() if file.state is state)

    def _denied(self, raws: Iterable[Sighting]) -> list[Note]:
        notes = []
        for sighting in raws:
            file = self._files[sighting.path]
            if sighting.wholeness is Wholeness.DENIED and not file.is_told:
                file.is_told = True
                notes.append(note("no_access", sighting.path, sighting.detail))
        return notes

    def _still_written(self, now: float) -> list[Note]:
        notes = []
        for path, file in self._waiting():
            is_late = file.changed_at + self.patience.tell_s <= now
            if file.wholeness is Wholeness.SHORT and is_late and not file.is_told:
                file.is_told = True
                notes.append(note("still_written", path))
        return notes


_NEVER = float("inf")

_RESTS: dict[Wholeness, Callable[[Patience], float]] = {
    Wholeness.WHOLE: lambda _: 0.0,
    Wholeness.UNKNOWN: lambda patience: patience.rest_s,
    Wholeness.SHORT: lambda patience: patience.settle_s,
    Wholeness.DENIED: lambda _: _NEVER,
}
