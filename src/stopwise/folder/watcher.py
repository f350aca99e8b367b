"""The watch loop: what is seen becomes jobs, jobs become records, records are kept and told."""

from __future__ import annotations

import os
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stopwise.errors import LedgerDamaged, PathMissing, WrongUse
from stopwise.folder.backlog import Backlog
from stopwise.folder.companions import Companions, Numbering
from stopwise.folder.desk import Desk
from stopwise.folder.events import Events
from stopwise.folder.eyes import Eyes
from stopwise.folder.keeping import Finished, Scribe
from stopwise.folder.lock import WatchLock
from stopwise.folder.notes import Note, note
from stopwise.folder.pool import Limits, ProcessPool
from stopwise.folder.setup import Hooks, Landing, Options, Seams, Status
from stopwise.folder.surroundings import Surroundings
from stopwise.folder.turns import Outcome, Patience
from stopwise.folder.waking import Waker
from stopwise.folder.works import Works

if TYPE_CHECKING:
    import threading

    from stopwise.folder.eyes import Sight
    from stopwise.folder.setup import Assess
    from stopwise.folder.sightings import Listing
    from stopwise.ledger import Kept, Known, Ledger

__all__ = ["Hooks", "Landing", "Limits", "Options", "Patience", "Seams", "Status", "Watcher"]

_MOST_UNWRITTEN = 200


class Watcher:
    """Watches one folder: each whole raw file in it is judged and kept exactly once.

    Parameters
    ----------
    folder
        The folder; it and its subfolders are only ever read.
    ledger
        Where records are kept. It stays open.
    assess
        Judges one file.
    hooks
        What to call.
    options
        How to watch.
    seams
        Parts that tests replace.

    Raises
    ------
    PathMissing
        If the folder isn't there.
    WrongUse
        If the ledger lies in the folder: nothing is ever written there.
    """

    def __init__(
        self,
        folder: str | Path,
        ledger: Ledger,
        assess: Assess,
        *,
        hooks: Hooks | None = None,
        options: Options | None = None,
        seams: Seams | None = None,
    ) -> None:
        if not os.path.isdir(folder):  # noqa: PTH112 (names may hold any byte)
            msg = f"{folder}: the folder to watch isn't there. Check its name, or mount its disk."
            raise PathMissing(msg)
        self.folder = os.path.realpath(folder)
        _refuse_inside(ledger, self.folder)
        self._ledger = ledger
        self._hooks = hooks or Hooks()
        self._options = options or Options()
        self._seams = seams or Seams()
        self._clock = self._seams.clock
        self._waker = Waker()
        self._lock = WatchLock(ledger, self.folder)
        self._desk = Desk(patience=self._options.patience)
        self._desk.remember(*self._judged_before())
        self._companions = Companions()
        self._numbering = Numbering()
        self._scribe = Scribe(
            ledger, on_kept=self._kept, on_note=self._tell, on_renewed=self._begin_anew
        )
        self._pool = self._seams.pool or ProcessPool(
            assess,
            prepare=self._hooks.prepare,
            size=self._options.workers,
            limits=self._options.limits,
        )
        self._ahead: Any = None
        self._works = Works(self.folder, self._pool, wake=self._waker.wake)
        self._eyes: Sight = self._seams.sight or self._new_eyes()
        self._surroundings = Surroundings(self.folder)
        self._troubles: dict[str, str] = {}
        self._has_looked = False
        self._backlog = Backlog(self.folder, flood=self._options.patience.flood)

    def run(self, stop: threading.Event) -> None:
        """Watch until `stop` is set; call `wake` after setting it, to end at once."""
        try:
            self._wait_for_others(stop)
            self._eyes.start()
            while not stop.is_set():
                self.step()
                self._waker.wait(self._pool.waitables(), self._pause_s())
        finally:
            self.close()

    @property
    def is_watching(self) -> bool:
        """Whether the folder has been looked through once, so that what lands now is new."""
        return self._has_looked

    def is_fresh(self, file: str) -> bool:
        """Tell whether a file in the folder landed while watching; for hooks, in their thread."""
        return self._desk.is_fresh(file)

    def wake(self) -> None:
        """Have the loop look round now; may be called from any thread or signal handler."""
        self._waker.wake()

    def close(self) -> None:
        """End worker processes and threads; frames not yet judged are judged at the next start."""
        with ExitStack() as closing:  # each is closed, though one before it fails
            closing.callback(self._waker.close)
            closing.callback(self._lock.drop)
            closing.callback(self._works.close)
            closing.callback(self._eyes.close)

    def status(self) -> Status:
        """Return how far the watcher is; may be called from any thread."""
        fresh, backlog = self._desk.queued
        working, working_old = self._works.counts
        return Status(
            fresh + working, backlog + working_old, self._scribe.waiting, self._works.reading
        )

    def step(self) -> None:
        """Do once all that can be done now without waiting."""
        now = self._clock()
        self._hooks.between()
        self._prepare()
        for listing in self._eyes.listings():
            self._take_in(listing, now)
        self._tell_all(self._desk.move_on(now))
        self._tell_all(self._companions.move_on(now))
        self._tell_all(self._numbering.move_on(now))
        self._scribe.work(now)
        self._works.hear(self._ledger)
        self._finish(now)
        self._begin_jobs(now)
        if self._has_looked and self._backlog.is_due(now):
            self._tell_all(self._backlog.see(self.status().backlog, now))

    def _prepare(self) -> None:
        """Have workers get ready for frames to come, when what they need is other than before."""
        ahead = self._hooks.ahead()
        if ahead is not None and ahead is not self._ahead:
            self._ahead = ahead
            self._pool.prepare(ahead)

    def _wait_for_others(self, stop: threading.Event) -> None:
        """Wait while another watcher works on this folder with this ledger, then read it anew."""
        if self._lock.take():
            return
        self._tell(note("other_watcher", self.folder))
        while not stop.is_set() and not self._lock.take():
            self._waker.wait([], None)
        self._desk.remember(*self._judged_before())

    def _take_in(self, listing: Listing, now: float) -> None:
        self._tell_all(self._surroundings.see(listing))
        changes = self._desk.see(listing, now)
        self._tell_all(changes.notes)
        self._scribe.note_places(self.folder, gone=changes.gone, back=changes.back)
        if not listing.is_folder_there:
            return
        self._tell_all(self._companions.see(listing, now))
        self._numbering.saw(sighting.path for sighting in listing.raws)
        self._numbering.saw(listing.pictures)
        self._numbering.saw(listing.odd)
        self._tell_backlog(listing)

    def _begin_jobs(self, now: float) -> None:
        while self._works.room and not self._scribe.waiting >= _MOST_UNWRITTEN:
            job = self._desk.next_job()
            if job is None:
                return
            if job.is_fresh:
                self._numbering.landed(job.path, now)
            self._works.begin(job, self._ledger, brief=self._hooks.brief)

    def _finish(self, now: float) -> None:
        """Decide on each answer whose turn it is, and write what holds."""
        for work in self._works.ready(now):
            self._tell_trouble(work.job.path, work.trouble)
            if work.is_lost:
                self._desk.look_again(work.job, work.stamp_now(), now)
                continue
            outcome = self._desk.finished(
                work.job, stamp=work.stamp_now(), is_unreadable=work.is_unreadable, now=now
            )
            if outcome is Outcome.HOLD:
                self._works.hold(work)
            elif outcome is Outcome.KEEP:
                self._write(work.finished(), now)
        for path in self._desk.released(now):
            held = self._works.release(path)
            if held is not None:
                self._write(held.finished(), now)

    def _write(self, finished: Finished, now: float) -> None:
        if finished.record is not None:
            record = self._hooks.complete(finished.record, finished.assessment)
            finished = finished.with_record(record)
        self._scribe.write(finished, now)

    def _kept(self, kept: Kept, finished: Finished) -> None:
        if kept.is_new:
            path = Path(self.folder, finished.place.path)
            self._hooks.on_record(Landing(path, kept, finished.assessment))
        elif self._is_copy(kept, finished):
            self._tell(note("same_content", finished.place.path, str(kept.row.get("file"))))

    def _is_copy(self, kept: Kept, finished: Finished) -> bool:
        """Tell a second file with the same content from one that was renamed or touched."""
        here = (finished.place.folder, finished.place.path)
        places = self._ledger.frames.places_of(kept.frame)
        earlier = places[: places.index(here)] if here in places else places
        return any(os.path.lexists(os.path.join(*place)) for place in earlier)  # noqa: PTH118

    def _begin_anew(self) -> None:
        """Find all frames again, since the ledger that knew them was set aside."""
        self._desk.forget()
        self._eyes.sweep_soon()

    def _tell(self, told: Note) -> None:
        self._hooks.on_note(told)

    def _tell_all(self, notes: list[Note]) -> None:
        for told in notes:
            self._tell(told)

    def _tell_trouble(self, path: str, trouble: str | None) -> None:
        """Tell once, until it changes, why a file can't be read."""
        if trouble is not None and self._troubles.get(path) != trouble:
            self._tell(note("read_fails", path, trouble))
        if trouble is None:
            self._troubles.pop(path, None)
        else:
            self._troubles[path] = trouble

    def _tell_backlog(self, listing: Listing) -> None:
        if self._has_looked or not listing.is_sweep:
            return
        self._has_looked = True
        self._tell_all(self._backlog.found(self._desk.queued[1]))

    def _pause_s(self) -> float | None:
        dues = (
            self._desk.next_due(),
            self._companions.next_due(),
            self._numbering.next_due(),
            self._works.next_due(),
            self._scribe.next_due(),
            self._pool.next_deadline(),
        )
        due = min((time for time in dues if time is not None), default=None)
        return None if due is None else due - self._clock()

    def _judged_before(self) -> tuple[dict[str, Known], int]:
        """Return what the ledger knows of this folder, and when its last frame landed."""
        try:
            frames = self._ledger.frames
            return frames.known(self.folder), frames.last_landed_ns()
        except LedgerDamaged as error:
            aside = self._ledger.renew()
            self._tell(note("ledger_set_aside", self._ledger.place, f"now {aside}: {error}"))
            return {}, 0

    def _new_eyes(self) -> Eyes:
        return Eyes(
            self.folder,
            needs_look=self._desk.needs_look,
            wake=self._waker.wake,
            sweep_s=self._options.sweep_s,
            events=lambda hint: Events(self.folder, hint, is_polling=self._options.is_polling),
        )


def _refuse_inside(ledger: Ledger, folder: str) -> None:
    place = os.path.realpath(ledger.place)
    if not ledger.in_memory and place.startswith(os.path.join(folder, "")):  # noqa: PTH118
        msg = (
            f"{ledger.place}: the ledger lies in the watched folder, where nothing is written. "
            "Give a place outside it with --ledger."
        )
        raise WrongUse(msg)
