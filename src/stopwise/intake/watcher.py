"""The watch loop: what is seen becomes jobs, jobs become records, records are kept and told."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from stopwise.errors import LedgerError, PathMissing
from stopwise.intake.companions import Companions, Numbering
from stopwise.intake.desk import Desk, Outcome, Patience
from stopwise.intake.events import Events
from stopwise.intake.eyes import Eyes
from stopwise.intake.keeping import Finished, Scribe
from stopwise.intake.notes import Note, note
from stopwise.intake.pool import Limits, ProcessPool
from stopwise.intake.waking import Waker
from stopwise.intake.works import Works

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable

    from stopwise.intake.eyes import Sight
    from stopwise.intake.pool import Pool
    from stopwise.intake.sightings import Listing
    from stopwise.ledger import Kept, Ledger


class Assess(Protocol):
    """What judges one file: `stopwise.assessing.assess`. It must be a module's own function."""

    def __call__(self, path: Path, brief: Any, /) -> Any:
        """Return an object with a `record` (the JSON record without hash)."""


@dataclass(frozen=True, slots=True)
class Landing:
    """A frame that was judged and is kept.

    Attributes
    ----------
    path
        The file.
    kept
        Its row in the ledger; `kept.record` is the JSON record with its hash.
    assessment
        What `assess` returned, with the reduced picture; None if a worker failed on the file.
    """

    path: Path
    kept: Kept
    assessment: Any


def _nothing(_: Any) -> None:
    """Take no notice."""


@dataclass(frozen=True, slots=True)
class Hooks:
    """What the watch loop calls, always from its own thread.

    Attributes
    ----------
    brief
        Gives what `assess` needs besides the path; called for each file as its turn comes.
    complete
        Given a record and its assessment in landing order, before it is kept: may return the record
        with what depends on the frames before it.
    on_record
        Called once for each frame, after its record is kept.
    on_note
        Called with everything else that is worth telling.
    between
        Called at least every half second, and before each frame: plan file, orders.
    """

    brief: Callable[[Path], Any] = _nothing
    complete: Callable[[dict[str, Any], Any], dict[str, Any]] = lambda record, _: record
    on_record: Callable[[Landing], None] = _nothing
    on_note: Callable[[Note], None] = _nothing
    between: Callable[[], None] = lambda: None


@dataclass(frozen=True, slots=True)
class Options:
    """How to watch.

    Attributes
    ----------
    patience
        How long files are waited for.
    sweep_s
        Seconds between looks through the whole folder.
    is_polling
        Whether folder events come from comparing listings, as network shares need.
    workers
        Number of worker processes.
    limits
        What a worker may use for one file.
    """

    patience: Patience = field(default_factory=Patience)
    sweep_s: float = 2.0
    is_polling: bool = False
    workers: int = 2
    limits: Limits = field(default_factory=Limits)


@dataclass(frozen=True, slots=True)
class Seams:
    """Parts that tests replace.

    Attributes
    ----------
    clock
        Seconds, steady.
    pool
        Assesses files; None for worker processes.
    sight
        Looks at the folder; None for a thread with events and sweeps.
    """

    clock: Callable[[], float] = time.monotonic
    pool: Pool | None = None
    sight: Sight | None = None


@dataclass(frozen=True, slots=True)
class Status:
    """How far the watcher is.

    Attributes
    ----------
    behind
        Frames that landed while watching and aren't kept yet.
    backlog
        Frames that lay there already and aren't kept yet.
    unwritten
        Records that wait for the ledger.
    """

    behind: int = 0
    backlog: int = 0
    unwritten: int = 0


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
        self._ledger = ledger
        self._hooks = hooks or Hooks()
        self._options = options or Options()
        self._seams = seams or Seams()
        self._clock = self._seams.clock
        self._waker = Waker()
        self._desk = self._new_desk()
        self._companions = Companions()
        self._numbering = Numbering()
        self._scribe = Scribe(
            ledger, on_kept=self._kept, on_note=self._tell, on_renewed=self._begin_anew
        )
        self._pool = self._seams.pool or ProcessPool(
            assess, size=self._options.workers, limits=self._options.limits
        )
        self._works = Works(self.folder, self._pool, wake=self._waker.wake)
        self._eyes: Sight = self._seams.sight or self._new_eyes()
        self._is_folder_there = True
        self._no_events: str | None = None
        self._told_closed: set[str] = set()
        self._told_odd: set[str] = set()
        self._is_backlog_told = False

    def run(self, stop: threading.Event) -> None:
        """Watch until `stop` is set; call `wake` after setting it, to end at once."""
        try:
            self._eyes.start()
            while not stop.is_set():
                self.step()
                self._waker.wait(self._pool.waitables(), self._pause_s())
        finally:
            self.close()

    def wake(self) -> None:
        """Have the loop look round now; may be called from any thread or signal handler."""
        self._waker.wake()

    def close(self) -> None:
        """End worker processes and threads; frames not yet judged are judged at the next start."""
        self._eyes.close()
        self._works.close()
        self._waker.close()

    def status(self) -> Status:
        """Return how far the watcher is; may be called from any thread."""
        fresh, backlog = self._desk.queued
        working, working_old = self._works.counts
        return Status(fresh + working, backlog + working_old, self._scribe.waiting)

    def step(self) -> None:
        """Do once all that can be done now without waiting."""
        now = self._clock()
        self._hooks.between()
        for listing in self._eyes.listings():
            self._take_in(listing, now)
        self._tell_all(self._desk.move_on(now))
        self._tell_all(self._companions.move_on(now))
        self._tell_all(self._numbering.move_on(now))
        self._scribe.work(now)
        self._works.hear(self._ledger)
        self._finish(now)
        self._begin_jobs(now)

    def _take_in(self, listing: Listing, now: float) -> None:
        self._tell_folder(listing)
        notes, gone = self._desk.see(listing, now)
        self._tell_all(notes)
        if gone:
            self._scribe.mark_gone(self.folder, gone, now)
        if not listing.is_folder_there:
            return
        self._tell_all(self._companions.see(listing, now))
        self._numbering.saw(sighting.path for sighting in listing.raws)
        self._numbering.saw(listing.pictures)
        self._tell_backlog(listing)

    def _begin_jobs(self, now: float) -> None:
        while self._works.room and not self._scribe.waiting >= _MOST_UNWRITTEN:
            job = self._desk.next_job()
            if job is None:
                return
            if job.is_fresh:
                self._numbering.landed(job.path, now)
            self._works.begin(job, self._ledger, brief=self._hooks.brief)
        self._works.hear(self._ledger)

    def _finish(self, now: float) -> None:
        """Decide on each answer whose turn it is, and write what holds."""
        for work in self._works.ready(now):
            if work.trouble is not None:
                self._tell(note("read_fails", work.job.path, work.trouble))
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
            record = self._hooks.complete(dict(finished.record), finished.assessment)
            finished = finished.with_record(record)
        self._scribe.write(finished, now)

    def _kept(self, kept: Kept, finished: Finished) -> None:
        if kept.is_new:
            path = Path(self.folder, finished.place.path)
            self._hooks.on_record(Landing(path, kept, finished.assessment))
        elif self._is_copy(kept, finished):
            self._tell(note("same_content", finished.place.path, str(kept.record.get("file"))))

    def _is_copy(self, kept: Kept, finished: Finished) -> bool:
        """Tell a second file with the same content from one that was renamed or touched."""
        return self._ledger.frames.paths_of(kept.frame)[0] != finished.place.path

    def _begin_anew(self) -> None:
        """Find all frames again, since the ledger that knew them was set aside."""
        self._desk.forget()
        self._eyes.sweep_soon()

    def _tell(self, told: Note) -> None:
        self._hooks.on_note(told)

    def _tell_all(self, notes: list[Note]) -> None:
        for told in notes:
            self._tell(told)

    def _tell_folder(self, listing: Listing) -> None:
        """Tell once what can't be reached and what is passed over, and when it is back."""
        if listing.is_folder_there != self._is_folder_there and listing.is_sweep:
            self._is_folder_there = listing.is_folder_there
            name = "folder_back" if listing.is_folder_there else "folder_gone"
            self._tell(note(name, self.folder, listing.closed.get("", "")))
        if listing.is_sweep and listing.no_events != self._no_events:
            self._no_events = listing.no_events
            if listing.no_events:
                self._tell(note("sweep_only", self.folder, listing.no_events))
        for path, why in listing.closed.items():
            if path and path not in self._told_closed:
                self._told_closed.add(path)
                self._tell(note("no_access", path, why))
        for path, kind in listing.odd.items():
            if path not in self._told_odd:
                self._told_odd.add(path)
                self._tell(note("passed_over", path, kind))
        if listing.is_sweep:
            self._told_closed &= set(listing.closed)
            self._told_odd &= set(listing.odd)

    def _tell_backlog(self, listing: Listing) -> None:
        if self._is_backlog_told or not listing.is_sweep:
            return
        self._is_backlog_told = True
        _, backlog = self._desk.queued
        if backlog:
            self._tell(note("backlog", self.folder, f"{backlog} to judge"))

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

    def _new_desk(self) -> Desk:
        try:
            known = self._ledger.frames.known(self.folder)
            last = self._ledger.frames.last_landed_ns()
        except LedgerError:
            self._ledger.renew()
            known, last = {}, 0
        return Desk(
            {path: there.stamp for path, there in known.items()},
            patience=self._options.patience,
            last_landed_ns=last,
        )

    def _new_eyes(self) -> Eyes:
        return Eyes(
            self.folder,
            needs_look=self._desk.needs_look,
            wake=self._waker.wake,
            sweep_s=self._options.sweep_s,
            events=lambda hint: Events(self.folder, hint, is_polling=self._options.is_polling),
        )


_MOST_UNWRITTEN = 200
