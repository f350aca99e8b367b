"""Files in hand: each is hashed and assessed side by side, and leaves when its turn comes."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stopwise.conditions import condition
from stopwise.errors import LedgerError, Unreadable
from stopwise.folder.hashing import FileChanged, Hasher
from stopwise.folder.keeping import Finished
from stopwise.folder.ordering import Line
from stopwise.folder.pool import Failure, Task
from stopwise.ledger.frames import Place, Stamp
from stopwise.record import Record, unreadable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from concurrent.futures import Future

    from stopwise.folder.pool import Pool
    from stopwise.folder.turns import Job
    from stopwise.ledger import Ledger


@dataclass(slots=True)
class Work:
    """One file in hand.

    Attributes
    ----------
    job
        Which file.
    place
        Where it lies.
    hashing
        Its content hash, when it is there.
    answer
        What `assess` returned, or a Failure; None until then, and where the content is known.
    trouble
        Why its bytes can't be read now, or it can't be assessed.
    """

    job: Job
    place: Place
    hashing: Future[str]
    brief: Callable[[Path], Any]
    is_asked: bool = False
    is_same: bool = False
    answer: Any = None
    trouble: str | None = None

    @property
    def whole_path(self) -> str:
        """The file's whole path."""
        return os.path.join(self.place.folder, *self.place.path.split("/"))  # noqa: PTH118

    @property
    def is_lost(self) -> bool:
        """Whether the file changed or went before its bytes were read, or wasn't assessed."""
        return self.trouble is not None or self.hashing.exception() is not None

    @property
    def record(self) -> Record | None:
        """The record as it stands; None where the content is in the ledger already."""
        if self.is_same:
            return None
        if isinstance(self.answer, Failure):
            failed = condition("decoder_failed")
            error = Unreadable(Path(self.whole_path), failed, self.answer.what)
            return unreadable(self.place.path, error)
        record: Record = self.answer.record
        return replace(record, file=self.place.path)

    @property
    def is_unreadable(self) -> bool:
        """Whether the file gave no pixels to be trusted."""
        record = self.record
        return record is not None and record.verdict == "unreadable"

    @property
    def refusal(self) -> str | None:
        """Why a worker was refused the file's bytes, which may pass; None where none was."""
        record = None if self.answer is None else self.record
        reason = None if record is None else record.reason
        if reason is None or reason.condition != "no_access":
            return None
        return reason.detail or condition("no_access").short

    def stamp_now(self) -> Stamp | None:
        """Return the file's stamp now, None where it is gone."""
        try:
            status = os.lstat(self.whole_path)
        except OSError:
            return None
        return Stamp.of(status) if stat.S_ISREG(status.st_mode) else None

    def finished(self) -> Finished:
        """Return what is to be written."""
        return Finished(
            record=self.record,
            place=self.place,
            sha256=self.hashing.result(),
            landed_ns=self.job.landed_ns,
            assessment=None if isinstance(self.answer, Failure) else self.answer,
            is_gone=self.stamp_now() is None,
        )


class Works:
    """All files in hand.

    A path whose bytes may well be known (it was judged before, was renamed, or lay there at the
    start) is hashed first and only assessed if its content is new. All others are hashed and
    assessed at the same time.

    Parameters
    ----------
    folder
        The watched folder.
    pool
        Assesses files.
    wake
        Called when a hash is done.
    """

    def __init__(self, folder: str, pool: Pool, *, wake: Callable[[], None]) -> None:
        self._folder = folder
        self._pool = pool
        self._hasher = Hasher(wake)
        self._line: Line[Work] = Line()
        self._open: dict[int, Work] = {}
        self._held: dict[str, Work] = {}
        self._tickets = 0

    @property
    def room(self) -> bool:
        """Whether another file can be taken in hand."""
        asked = sum(not work.is_asked for work in self._open.values())
        return self._pool.room > asked

    @property
    def counts(self) -> tuple[int, int]:
        """How many files are in hand: fresh ones, and old ones."""
        fresh = [work.job.is_fresh for work in list(self._open.values())]
        return sum(fresh), len(fresh) - sum(fresh)

    @property
    def reading(self) -> tuple[str, ...]:
        """Paths of the files that are being assessed."""
        works = list(self._open.values())
        return tuple(work.job.path for work in works if work.is_asked and work.answer is None)

    def begin(self, job: Job, ledger: Ledger, *, brief: Callable[[Path], Any]) -> None:
        """Take a file in hand."""
        self._tickets += 1
        place = Place(self._folder, job.path, job.stamp)
        whole = os.path.join(self._folder, *job.path.split("/"))  # noqa: PTH118
        work = Work(job, place, self._hasher.begin(whole, job.stamp), brief)
        self._open[self._tickets] = work
        self._line.join(self._tickets)
        if job.is_fresh and not job.is_known and not _has_stamp(ledger, job.stamp):
            self._ask(self._tickets, work)

    def hear(self, ledger: Ledger) -> None:
        """Take in the answers and hashes that have come."""
        for done in self._pool.finished():
            if done.ticket in self._open:
                self._open[done.ticket].answer = done.value
        for ticket, work in list(self._open.items()):
            if work.hashing.done():
                self._hashed(ticket, work, ledger)

    def ready(self, now: float) -> Iterator[Work]:
        """Yield the files whose turn it is to be decided on."""
        return self._line.ready(now)

    def hold(self, work: Work) -> None:
        """Keep an unreadable file's answer until it has rested."""
        self._held[work.job.path] = work

    def release(self, path: str) -> Work | None:
        """Give back a held file's answer."""
        return self._held.pop(path, None)

    def next_due(self) -> float | None:
        """Return when a slow file may be passed by those behind it."""
        return self._line.next_due()

    def close(self) -> None:
        """End all work at once."""
        try:
            self._pool.close()
        finally:
            self._hasher.close()

    def _ask(self, ticket: int, work: Work) -> None:
        """Have a file assessed; a brief that the ledger can't give now is trouble."""
        work.is_asked = True
        path = Path(work.whole_path)
        try:
            brief = work.brief(path)
        except LedgerError as error:
            work.trouble = str(error)
            self._leave(ticket, work)
            return
        self._pool.start(Task(ticket, (path, brief), work.job.stamp.size))

    def _hashed(self, ticket: int, work: Work, ledger: Ledger) -> None:
        error = work.hashing.exception()
        if error is not None and not isinstance(error, FileChanged | FileNotFoundError):
            work.trouble = getattr(error, "strerror", None) or str(error)
            self._leave(ticket, work)
        elif work.answer is not None or (error is not None and not work.is_asked):
            work.trouble = work.refusal
            self._leave(ticket, work)
        elif not work.is_asked and _is_kept(ledger, work.hashing.result()):
            work.is_same = True
            self._leave(ticket, work)
        elif not work.is_asked:
            self._ask(ticket, work)

    def _leave(self, ticket: int, work: Work) -> None:
        del self._open[ticket]
        self._line.fill(ticket, work)


def _is_kept(ledger: Ledger, sha256: str) -> bool:
    try:
        return ledger.frames.by_hash(sha256) is not None
    except LedgerError:
        return False


def _has_stamp(ledger: Ledger, stamp: Stamp) -> bool:
    try:
        return ledger.frames.by_stamp(stamp) is not None
    except LedgerError:
        return False
