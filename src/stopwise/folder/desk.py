"""Which file is judged when: a plain state machine over what was seen, with no clock of its own.

A file waits until it is whole, is queued in landing order, judged, perhaps held until it has rested
(an unreadable one), and done. Any later change begins it again.
"""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING

from stopwise.folder.names import in_order
from stopwise.folder.notes import note
from stopwise.folder.sightings import Wholeness
from stopwise.folder.turns import Changes, File, Job, Outcome, Patience, State

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from stopwise.folder.notes import Note
    from stopwise.folder.sightings import Listing, Sighting
    from stopwise.ledger.frames import Known, Stamp

_SECOND_NS = 1_000_000_000

_SECOND_NS = 1_000_000_000


class Desk:
    """The files of one folder and what becomes of each.

    Parameters
    ----------
    patience
        How long files are waited for.
    """

    def __init__(self, patience: Patience | None = None) -> None:
        self.patience = patience or Patience()
        self._files: dict[str, File] = {}
        self._in: dict[State, dict[str, File]] = {state: {} for state in State}
        self._gone: dict[str, Stamp] = {}
        self._vanished: list[str] = []
        self._queue: list[tuple[tuple[int, int], str]] = []
        self._count = 0
        self._last_landed_ns = 0
        self._is_first_sweep = True

    def remember(self, known: Mapping[str, Known], last_landed_ns: int = 0) -> None:
        """Begin with what was judged before: paths with their stamps, and the last landing."""
        self.forget()
        self._last_landed_ns = last_landed_ns
        for path, before in known.items():
            if before.is_gone:
                self._gone[path] = before.stamp
            else:
                done = File(before.stamp, 0.0, 0, state=State.DONE, is_known=True)
                self._add(path, done)

    def needs_look(self, path: str, stamp: Stamp) -> bool:
        """Tell whether a file must be opened to see if it is whole; safe from any thread."""
        file = self._files.get(path)
        if file is None:
            return self._gone.get(path) != stamp
        return file.stamp != stamp or file.state is State.WAITING

    def see(self, listing: Listing, now: float) -> Changes:
        """Take in what was seen."""
        if not listing.is_folder_there:
            return Changes()
        gone = self._forget_missing(listing)
        back = self._welcome_back(listing)
        news = [file for seen in listing.raws if (file := self._see_one(seen, now))]
        self._part_backlog(news, listing)
        notes = self._denied(listing.raws)
        if listing.is_sweep:
            self._is_first_sweep = False
        return Changes(notes + self.move_on(now), gone, back)

    def move_on(self, now: float) -> list[Note]:
        """Queue what is whole or has rested long enough; return what is to be told."""
        ripe = [
            (file.landed_ns, in_order(path), path)
            for path, file in self._in[State.WAITING].items()
            if self._ripe_at(file) <= now
        ]
        for _, _, path in sorted(ripe):
            self._enqueue(path)
        return self._still_written(now)

    def next_due(self) -> float | None:
        """Return when time alone will move something on, on the caller's clock."""
        waiting = self._in[State.WAITING].values()
        times = [self._ripe_at(file) for file in waiting]
        times += [
            file.changed_at + self.patience.tell_s
            for file in waiting
            if file.wholeness is Wholeness.SHORT and not file.is_told
        ]
        times += [self._settled_at(file) for file in self._in[State.HELD].values()]
        return min((time for time in times if time != _NEVER), default=None)

    def next_job(self) -> Job | None:
        """Return the next file to judge, or None: frames that land now go before a backlog."""
        while self._queue:
            place, path = heapq.heappop(self._queue)
            file = self._files.get(path)
            if file is None or file.state is not State.QUEUED or file.place != place:
                continue
            self._move(path, State.JUDGING)
            return Job(path, file.stamp, self._landing(file), file.is_fresh, file.is_known)
        return None

    def finished(
        self, job: Job, *, stamp: Stamp | None, is_unreadable: bool, now: float
    ) -> Outcome:
        """Tell what becomes of an assessment, given the file's stamp now (None: it is gone)."""
        file = self._files.get(job.path)
        if file is not None and (file.stamp != job.stamp or file.state is not State.JUDGING):
            return Outcome.DROP
        if stamp is None:
            self._take_away(job.path)
            return Outcome.DROP if is_unreadable else Outcome.KEEP
        if file is None or stamp != job.stamp:
            self.look_again(job, stamp, now)
            return Outcome.DROP
        if is_unreadable and now < self._settled_at(file):
            self._move(job.path, State.HELD)
            return Outcome.HOLD
        self._finish(job.path)
        return Outcome.KEEP

    def is_fresh(self, path: str) -> bool:
        """Tell whether a file landed while watching: it isn't of a backlog."""
        file = self._files.get(path)
        return file is not None and file.is_fresh

    def released(self, now: float) -> list[str]:
        """Return the held paths that have rested long enough to be called unreadable."""
        held = self._in[State.HELD].items()
        ripe = [path for path, file in held if self._settled_at(file) <= now]
        for path in ripe:
            self._finish(path)
        return ripe

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
            file.not_before = now + self.patience.retry_s

    def forget(self) -> None:
        """Forget everything, so that the next sweep finds all files anew."""
        for files in (self._files, *self._in.values()):
            files.clear()
        self._gone.clear()
        self._vanished.clear()
        self._queue.clear()
        self._is_first_sweep = True

    @property
    def queued(self) -> tuple[int, int]:
        """How many wait: frames that have landed, and the backlog; safe from any thread."""
        queued = [file.is_fresh for file in list(self._in[State.QUEUED].values())]
        waiting = [file.is_fresh for file in list(self._in[State.WAITING].values())]
        return queued.count(True), queued.count(False) + waiting.count(False)

    def _see_one(self, sighting: Sighting, now: float) -> File | None:
        """Bring one file up to date; return it where it is new to the desk."""
        file = self._files.get(sighting.path)
        if file is None:
            file = File(sighting.stamp, now, sighting.landed_ns, sighting.wholeness)
            self._add(sighting.path, file)
            return file
        if file.stamp != sighting.stamp:
            self._restart(sighting.path, sighting.stamp, now)
        if file.state is State.WAITING:
            file.landed_ns = sighting.landed_ns
            if sighting.wholeness is not Wholeness.UNSEEN:
                file.wholeness = sighting.wholeness
        return None

    def _part_backlog(self, news: list[File], listing: Listing) -> None:
        """Part what lay there already from frames that land now."""
        is_backlog = self._is_first_sweep or len(news) > self.patience.flood
        for file in news:
            file.is_fresh = not (listing.is_sweep and is_backlog)

    def _forget_missing(self, listing: Listing) -> list[str]:
        seen = {sighting.path for sighting in listing.raws}
        looked_for = self._files if listing.is_sweep else listing.missing
        gone = [path for path in looked_for if path not in seen and listing.covers(path)]
        for path in gone:
            file = self._files.get(path)
            if file is not None and file.state is State.DONE:
                self._gone[path] = file.stamp
            self._take_away(path)
        vanished, self._vanished = self._vanished, []
        return [path for path in vanished if path not in self._files]

    def _welcome_back(self, listing: Listing) -> dict[str, Stamp]:
        """Take files that are there again, as they were when they were judged, as done."""
        back = {
            seen.path: seen.stamp
            for seen in listing.raws
            if self._gone.get(seen.path) == seen.stamp and seen.path not in self._files
        }
        for path, stamp in back.items():
            del self._gone[path]
            self._add(path, File(stamp, 0.0, 0, state=State.DONE, is_known=True))
        return back

    def _add(self, path: str, file: File) -> None:
        self._files[path] = self._in[file.state][path] = file

    def _remove(self, path: str) -> File | None:
        file = self._files.pop(path, None)
        if file is not None:
            del self._in[file.state][path]
        return file

    def _take_away(self, path: str) -> None:
        """Take a file off the desk that isn't there any more; one that was judged is reported."""
        file = self._remove(path)
        if file is not None and file.is_known:
            self._vanished.append(path)

    def _move(self, path: str, state: State) -> None:
        file = self._files[path]
        del self._in[file.state][path]
        file.state = state
        self._in[state][path] = file

    def _restart(self, path: str, stamp: Stamp, now: float) -> None:
        file = self._files[path]
        file.stamp = stamp
        file.changed_at = now
        file.wholeness = Wholeness.UNSEEN
        file.is_fresh = True
        file.not_before = 0.0
        self._move(path, State.WAITING)

    def _finish(self, path: str) -> None:
        self._files[path].is_known = True
        self._files[path].is_told = False
        self._move(path, State.DONE)

    def _enqueue(self, path: str) -> None:
        file = self._files[path]
        self._count += 1
        self._move(path, State.QUEUED)
        file.place = (0 if file.is_fresh else 1, self._count)
        heapq.heappush(self._queue, (file.place, path))

    def _landing(self, file: File) -> int:
        """Return when a file landed; the order of landing holds though the clock is set back."""
        if not file.is_fresh:
            return file.landed_ns
        landed = file.landed_ns
        if landed < self._last_landed_ns - _SECOND_NS:
            landed = self._last_landed_ns + 1
        self._last_landed_ns = max(self._last_landed_ns, landed)
        return landed

    def _ripe_at(self, file: File) -> float:
        """Return when a waiting file may be queued, on the caller's clock."""
        rest = _RESTS[file.wholeness](self.patience)
        return max(file.changed_at + rest, file.not_before)

    def _settled_at(self, file: File) -> float:
        return file.changed_at + self.patience.settle_s

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
        for path, file in self._in[State.WAITING].items():
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
    Wholeness.UNSEEN: lambda _: _NEVER,
}
