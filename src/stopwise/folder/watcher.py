"""The watch loop: what is seen becomes jobs, jobs become records, records are kept and told."""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import time
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stopwise.errors import LedgerDamaged, LedgerError, PathMissing, WrongUse
from stopwise.folder.in_progress import FilesInProgress
from stopwise.folder.lock import WatchLock
from stopwise.folder.one_file import Lost, NotYet, WasRead, read_one
from stopwise.folder.record_writer import Finished, RecordWriter
from stopwise.folder.scanner import FolderScanner
from stopwise.folder.states import FileStates, Outcome, Waits
from stopwise.folder.watch_notes import (
    BacklogNotes,
    FolderNotes,
    LonePictures,
    Note,
    NumberGaps,
    note,
)
from stopwise.folder.workers import ProcessPool
from stopwise.ledger.database import MEMORY
from stopwise.ledger.frames import Stamp
from stopwise.raw.bounds import Limits

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable, Iterable, Sequence
    from multiprocessing.connection import Connection

    from stopwise.folder.in_progress import FileInProgress
    from stopwise.folder.listing import Listing
    from stopwise.folder.one_file import Assess
    from stopwise.folder.scanner import Sight
    from stopwise.folder.supplies import Pool, Supplied
    from stopwise.ledger import Kept, KnownPath, Ledger
    from stopwise.record import Record

_MOST_UNWRITTEN = 200
"""Records that wait in memory while the ledger can't be written; then no more files are begun."""

_LONGEST_WAIT_S = 0.5
"""No wait of the loop is longer, since on some systems a signal can't end one."""


@dataclass(frozen=True, slots=True)
class Landing:
    """A frame that was judged and is kept.

    Attributes
    ----------
    path
        The file.
    kept
        Its row in the ledger; `kept.record` is the record with its hash.
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
    """What the watch loop calls, from its own thread.

    Attributes
    ----------
    brief
        Gives what `assess` needs besides the path; called for each file as its turn comes.
    is_stale
        Given a file's name in the folder, in landing order: whether what its brief said doesn't
        hold any more, so that it is assessed anew before any that follow it.
    complete
        Given a record and its assessment in landing order, before it is kept: may return the record
        with what depends on the frames before it.
    on_record
        Called once for each frame, after its record is kept.
    on_note
        Called with everything else that is worth telling.
    between
        Called at least every half second, and before each frame: plan file, orders.
    ahead
        Called after `between`: gives the brief that workers should be ready for, None for none. The
        same object means the same.
    supplied
        Each worker has one of its own: it tells what files with a brief need besides, and holds it.
    """

    brief: Callable[[Path], Any] = _nothing
    is_stale: Callable[[str], bool] = lambda _: False
    complete: Callable[[Record, Any], Record] = lambda record, _: record
    on_record: Callable[[Landing], None] = _nothing
    on_note: Callable[[Note], None] = _nothing
    between: Callable[[], None] = lambda: None
    ahead: Callable[[], Any] = lambda: None
    supplied: Supplied | None = None


@dataclass(frozen=True, slots=True)
class Options:
    """How to watch.

    Attributes
    ----------
    waits
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

    waits: Waits = field(default_factory=Waits)
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
        Has files read by `one_file.read_one`; None for worker processes.
    sight
        Looks at the folder; None for a thread with events and sweeps.
    """

    clock: Callable[[], float] = time.monotonic
    pool: Pool | None = None
    sight: Sight | None = None


@dataclass(frozen=True, slots=True)
class WatchProgress:
    """How far the watcher is.

    Attributes
    ----------
    behind
        Frames that landed while watching and aren't kept yet.
    backlog
        Frames that lay there already and aren't kept yet.
    unwritten
        Records that wait for the ledger.
    reading
        Paths of the files that are being assessed now, in the folder.
    """

    behind: int = 0
    backlog: int = 0
    unwritten: int = 0
    reading: tuple[str, ...] = ()


class Waker:
    """A pipe that ends a wait. `wake` takes no lock, so that a signal's handler may call it."""

    def __init__(self) -> None:
        self._receiver, self._sender = multiprocessing.Pipe(duplex=False)
        self._is_awake = False

    def wake(self) -> None:
        """End the wait that is on, or the next one."""
        if self._is_awake:
            return
        self._is_awake = True
        try:
            self._sender.send_bytes(b"!")
        except OSError:  # closed: nobody waits any more
            return

    def wait(self, others: Sequence[Connection | int], timeout_s: float | None) -> None:
        """Wait until `wake`, or something in `others` is ready, or the time is over."""
        limit = _LONGEST_WAIT_S
        if timeout_s is not None:
            limit = min(max(timeout_s, 0.0), limit)
        multiprocessing.connection.wait([self._receiver, *others], limit)
        while self._receiver.poll():
            self._receiver.recv_bytes()
        self._is_awake = False

    def close(self) -> None:
        """Close the pipe."""
        self._receiver.close()
        self._sender.close()


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
        refuse_ledger_inside(ledger.place, self.folder)
        self._ledger = ledger
        self._hooks = hooks = hooks or Hooks()
        options, seams = options or Options(), seams or Seams()
        self._clock = seams.clock
        self._waker = Waker()
        self._lock = WatchLock(ledger, self.folder)
        self._files = FileStates(options.waits)
        self._files.remember(*self._judged_before())
        self._folder_notes = FolderNotes(self.folder)
        self._backlog = BacklogNotes(self.folder, flood=options.waits.flood)
        self._pictures = LonePictures()
        self._gaps = NumberGaps()
        self._writer = RecordWriter(
            ledger, on_kept=self._kept, on_note=hooks.on_note, on_renewed=self._begin_anew
        )
        self._pool = seams.pool or ProcessPool(
            partial(read_one, assess),
            supplied=hooks.supplied,
            size=options.workers,
            limits=options.limits,
        )
        self._brief_ahead: Any = None
        self._in_progress = FilesInProgress(self.folder, ledger, self._pool, brief=hooks.brief)
        self._scanner: Sight = seams.sight or FolderScanner(
            self.folder,
            wake=self._waker.wake,
            settled=self._files.settled,
            is_polling=options.is_polling,
            sweep_s=options.sweep_s,
        )
        self._troubles: dict[str, str] = {}
        self._has_looked = False

    def run(self, stop: threading.Event) -> None:
        """Watch until `stop` is set; call `wake` after setting it, to end at once."""
        self._ledger.on_wait = lambda: not stop.is_set()
        try:
            self._wait_for_others(stop)
            self._scanner.start()
            while not stop.is_set():
                self.step()
                self._waker.wait(self._pool.waitables(), self._pause_s())
        except LedgerError:
            if not stop.is_set():  # else it was locked, and the wait for it was cut short
                raise
        finally:
            self.close()

    @property
    def is_watching(self) -> bool:
        """Whether the folder has been looked through once, so that what lands now is new."""
        return self._has_looked

    def is_fresh(self, file: str) -> bool:
        """Tell whether a file in the folder landed while watching; for hooks, in their thread."""
        return self._files.is_fresh(file)

    def wake(self) -> None:
        """Have the loop look round now; may be called from any thread or signal handler."""
        self._waker.wake()

    def close(self) -> None:
        """End worker processes and threads; frames not yet judged are judged at the next start."""
        with ExitStack() as closing:  # each is closed, though one before it fails
            closing.callback(self._waker.close)
            closing.callback(self._lock.drop)
            closing.callback(self._in_progress.close)
            closing.callback(self._scanner.close)

    def status(self) -> WatchProgress:
        """Return how far the watcher is; may be called from any thread."""
        fresh, backlog = self._files.queued
        working, working_old = self._in_progress.counts
        return WatchProgress(
            behind=fresh + working,
            backlog=backlog + working_old,
            unwritten=self._writer.waiting,
            reading=self._in_progress.reading,
        )

    def step(self) -> None:
        """Do once all that can be done now without waiting."""
        now = self._clock()
        self._hooks.between()
        ahead = self._hooks.ahead()
        if ahead is not None and ahead is not self._brief_ahead:
            self._brief_ahead = ahead
            self._pool.prepare(ahead)
        for listing in self._scanner.listings():
            self._take_in(listing, now)
        for part in (self._files, self._pictures, self._gaps):
            self._tell(part.move_on(now))
        self._writer.work(now)
        self._in_progress.hear()
        self._decide(now)
        self._begin_jobs()
        if self._has_looked and self._backlog.is_due(now):
            self._tell(self._backlog.see(self.status().backlog, now))

    def _wait_for_others(self, stop: threading.Event) -> None:
        """Wait while another watcher works on this folder with this ledger, then read it anew."""
        if self._lock.take():
            return
        self._tell([note("other_watcher", self.folder)])
        while not stop.is_set() and not self._lock.take():
            self._waker.wait([], None)
        self._files.remember(*self._judged_before())

    def _take_in(self, listing: Listing, now: float) -> None:
        self._tell(self._folder_notes.see(listing))
        changes = self._files.see(listing, now)
        self._tell(changes.notes)
        self._writer.note_moves(self.folder, gone=changes.gone, back=changes.back)
        if not listing.is_folder_there:
            return
        self._tell(self._pictures.see(listing, now, has_new_raw=changes.has_new))
        self._gaps.saw(listing, now)
        if listing.is_sweep and self._troubles:
            there = {seen.path for seen in listing.raws}
            self._troubles = {path: why for path, why in self._troubles.items() if path in there}
        if listing.is_sweep and not self._has_looked:
            self._has_looked = True
            self._tell(self._backlog.found(self._files.queued[1]))

    def _begin_jobs(self) -> None:
        while self._in_progress.room and self._writer.waiting < _MOST_UNWRITTEN:
            job = self._files.next_job()
            if job is None:
                return
            self._in_progress.begin(job)

    def _decide(self, now: float) -> None:
        """Decide on each answer whose turn it is, and write what holds."""
        for file in self._in_progress.ready(now):
            self._decide_on(file, now)
        for finished in self._files.released(now):
            self._write(finished(), now)

    def _decide_on(self, file: FileInProgress, now: float) -> None:
        job, answer = file.job, file.answer
        self._tell_trouble(job.path, answer.trouble if isinstance(answer, Lost) else None)
        if isinstance(answer, NotYet):
            self._tell(self._files.not_yet(job, answer))
            return
        if file.assessment is not None and self._hooks.is_stale(job.path):
            self._in_progress.again(file)
            return
        if job.is_fresh:
            self._gaps.landed(job.path, now)
        stamp = Stamp.at(file.whole_path)
        if not isinstance(answer, WasRead):
            self._files.look_again(job, stamp, now)
            return
        finished = partial(file.finished, answer)
        outcome = self._files.finished(
            job, finished, stamp=stamp, is_unreadable=file.is_unreadable, now=now
        )
        if outcome is Outcome.KEEP:
            self._write(finished(), now)

    def _write(self, finished: Finished, now: float) -> None:
        if finished.record is not None:
            record = self._hooks.complete(finished.record, finished.assessment)
            finished = replace(finished, record=record)
        self._writer.write(finished, now)

    def _kept(self, kept: Kept, finished: Finished) -> None:
        """Tell of a frame that is kept, or of a second file with the content of another."""
        place = finished.place
        if kept.is_new:
            self._hooks.on_record(Landing(Path(self.folder, place.path), kept, finished.assessment))
            return
        here = (place.folder, place.path)
        places = self._ledger.frames.places_of(kept.frame)
        earlier = places[: places.index(here)] if here in places else places
        if any(os.path.lexists(os.path.join(*other)) for other in earlier):  # noqa: PTH118
            # else it was renamed or touched
            self._tell([note("same_content", place.path, str(kept.row.get("file")))])

    def _begin_anew(self) -> None:
        """Find all frames again, since the ledger that knew them is another."""
        self._files.remember(*self._judged_before())
        self._in_progress.drop_all()
        self._scanner.sweep_soon()

    def _tell(self, notes: Iterable[Note]) -> None:
        for told in notes:
            self._hooks.on_note(told)

    def _tell_trouble(self, path: str, trouble: str | None) -> None:
        """Tell once, until it changes, why a file can't be read."""
        if trouble is None:
            self._troubles.pop(path, None)
        elif self._troubles.get(path) != trouble:
            self._troubles[path] = trouble
            self._tell([note("read_fails", path, trouble)])

    def _pause_s(self) -> float | None:
        timed = (
            *(self._files, self._pictures, self._gaps),
            *(self._in_progress, self._writer, self._pool),
        )
        dues = [due for part in timed if (due := part.next_due()) is not None]
        return min(dues) - self._clock() if dues else None

    def _judged_before(self) -> tuple[dict[str, KnownPath], int]:
        """Return what the ledger knows of this folder, and when its last frame landed."""
        try:
            frames = self._ledger.frames
            return frames.known(self.folder), frames.last_landed_ns()
        except LedgerDamaged as error:
            aside = self._ledger.renew()
            detail = f"now {aside}: {error}"
            self._tell([note("ledger_set_aside", self._ledger.place, detail)])
            return {}, 0


def refuse_ledger_inside(place: str | Path, folder: str | Path) -> None:
    """Refuse a ledger that lies in the watched folder; to be asked before it is opened.

    Raises
    ------
    WrongUse
        If it does: nothing is ever written there.
    """
    whole = os.path.join(os.path.realpath(folder), "")  # noqa: PTH118 (names may hold any byte)
    if str(place) != MEMORY and os.path.realpath(place).startswith(whole):
        msg = (
            f"{place}: the ledger lies in the watched folder, where nothing is written. "
            "Give a place outside it with --ledger."
        )
        raise WrongUse(msg)
