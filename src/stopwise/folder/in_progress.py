"""Files in progress: each is hashed and assessed side by side, and leaves when its turn comes."""

from __future__ import annotations

import os
import stat
from collections import OrderedDict
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from stopwise.conditions import condition
from stopwise.errors import LedgerError, Unreadable
from stopwise.folder.record_writer import Finished
from stopwise.folder.workers import Failure, Task
from stopwise.ledger.frames import FileChangedError, Place, Stamp, content_hash
from stopwise.record import Record, unreadable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from concurrent.futures import Future

    from stopwise.folder.states import Job
    from stopwise.folder.workers import Pool
    from stopwise.ledger import Ledger

T = TypeVar("T")


class Line(Generic[T]):
    """A line in which each place is taken first and filled later.

    Parameters
    ----------
    hold_s
        How long a place may keep those behind it waiting once one of them is filled. A file on
        which the decoder hangs must not hide the frames that follow.
    """

    def __init__(self, hold_s: float = 5.0) -> None:
        self._hold_s = hold_s
        self._places: OrderedDict[int, T | None] = OrderedDict()
        self._blocked_since: float | None = None

    def __len__(self) -> int:
        return len(self._places)

    def join(self, ticket: int) -> None:
        """Take the last place."""
        self._places[ticket] = None

    def fill(self, ticket: int, answer: T) -> None:
        """Put an answer into its place."""
        self._places[ticket] = answer

    def ready(self, now: float) -> Iterator[T]:
        """Yield what may leave now, in order; `now` in seconds of any steady clock."""
        for ticket in list(self._places):
            answer = self._places[ticket]
            if answer is not None:
                del self._places[ticket]
                yield answer
            elif not self._may_be_passed(now):
                return
        self._blocked_since = None

    def next_due(self) -> float | None:
        """Return when those behind a slow one may pass it."""
        return None if self._blocked_since is None else self._blocked_since + self._hold_s

    def _may_be_passed(self, now: float) -> bool:
        if not any(answer is not None for answer in self._places.values()):
            self._blocked_since = None
            return False
        if self._blocked_since is None:
            self._blocked_since = now
        return now >= self._blocked_since + self._hold_s


@dataclass(slots=True)
class FileInProgress:
    """One file that is hashed and assessed.

    Attributes
    ----------
    job
        Which file.
    place
        Where it lies.
    hashing
        Its content hash, when it is there.
    is_asked
        Whether its assessment was begun.
    is_same
        Whether its content is in the ledger already.
    answer
        What `assess` returned, or a Failure; None until then, and where the content is known.
    trouble
        Why its bytes can't be read now, or it can't be assessed.
    """

    job: Job
    place: Place
    hashing: Future[str]
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


class FilesInProgress:
    """All files that are hashed and assessed now.

    A path whose bytes may well be known (it was judged before, was renamed, or lay there at the
    start) is hashed first and only assessed if its content is new. All others are hashed and
    assessed at the same time. Hashing goes on in a thread; hashlib lets the others run meanwhile.

    Parameters
    ----------
    folder
        The watched folder.
    ledger
        Tells which contents are known.
    pool
        Assesses files.
    brief
        Gives what `assess` needs besides the path.
    wake
        Called when a hash is done.
    """

    def __init__(
        self,
        folder: str,
        ledger: Ledger,
        pool: Pool,
        *,
        brief: Callable[[Path], Any],
        wake: Callable[[], None],
    ) -> None:
        self._folder = folder
        self._ledger = ledger
        self._pool = pool
        self._brief = brief
        self._wake = wake
        self._hashes = ThreadPoolExecutor(1, thread_name_prefix="stopwise-hash")
        self._line: Line[FileInProgress] = Line()
        self._open: dict[int, FileInProgress] = {}
        self._held: dict[str, FileInProgress] = {}
        self._tickets = 0

    @property
    def room(self) -> bool:
        """Whether another file can be begun."""
        not_asked = sum(not file.is_asked for file in self._open.values())
        return self._pool.room > not_asked

    @property
    def counts(self) -> tuple[int, int]:
        """How many files are in progress: fresh ones, and old ones; safe from any thread."""
        fresh = [file.job.is_fresh for file in list(self._open.values())]
        return sum(fresh), len(fresh) - sum(fresh)

    @property
    def reading(self) -> tuple[str, ...]:
        """Paths of the files that are being assessed; safe from any thread."""
        files = list(self._open.values())
        return tuple(file.job.path for file in files if file.is_asked and file.answer is None)

    def begin(self, job: Job) -> None:
        """Begin a file."""
        self._tickets += 1
        place = Place(self._folder, job.path, job.stamp)
        whole = os.path.join(self._folder, *job.path.split("/"))  # noqa: PTH118
        hashing = self._hashes.submit(content_hash, whole, job.stamp)
        hashing.add_done_callback(lambda _: self._wake())
        file = self._open[self._tickets] = FileInProgress(job, place, hashing)
        self._line.join(self._tickets)
        if job.is_fresh and not job.is_known:
            try:
                was_renamed = self._ledger.frames.by_stamp(job.stamp) is not None
            except LedgerError:
                was_renamed = False
            if not was_renamed:
                self._ask(self._tickets, file)

    def hear(self) -> None:
        """Take in the answers and hashes that have come."""
        for done in self._pool.finished():
            if done.ticket in self._open:
                self._open[done.ticket].answer = done.value
        for ticket, file in list(self._open.items()):
            if file.hashing.done():
                self._hashed(ticket, file)

    def ready(self, now: float) -> Iterator[FileInProgress]:
        """Yield the files whose turn it is to be decided on."""
        return self._line.ready(now)

    def hold(self, file: FileInProgress) -> None:
        """Keep an unreadable file's answer until it has rested."""
        self._held[file.job.path] = file

    def release(self, path: str) -> FileInProgress | None:
        """Give back a held file's answer."""
        return self._held.pop(path, None)

    def next_due(self) -> float | None:
        """Return when a slow file may be passed by those behind it."""
        return self._line.next_due()

    def drop_all(self) -> None:
        """Forget all files: another ledger knows other contents, and they are found again."""
        self._open, self._held, self._line = {}, {}, Line()

    def close(self) -> None:
        """End all work at once, and leave what hasn't begun."""
        try:
            self._pool.close()
        finally:
            self._hashes.shutdown(wait=True, cancel_futures=True)

    def _ask(self, ticket: int, file: FileInProgress) -> None:
        """Have a file assessed; a brief that the ledger can't give now is trouble."""
        file.is_asked = True
        path = Path(file.whole_path)
        try:
            brief = self._brief(path)
        except LedgerError as error:
            file.trouble = str(error)
            self._leave(ticket, file)
            return
        self._pool.start(Task(ticket, (path, brief), file.job.stamp.size))

    def _hashed(self, ticket: int, file: FileInProgress) -> None:
        """Have a file that was hashed assessed, or leave once all is known of it."""
        error = file.hashing.exception()
        if error is not None and not isinstance(error, FileChangedError | FileNotFoundError):
            file.trouble = getattr(error, "strerror", None) or str(error)
        elif file.answer is not None or (error is not None and not file.is_asked):
            file.trouble = file.refusal
        elif not file.is_asked and self._is_kept(file.hashing.result()):
            file.is_same = True
        elif not file.is_asked:
            self._ask(ticket, file)
            return
        else:
            return
        self._leave(ticket, file)

    def _is_kept(self, sha256: str) -> bool:
        try:
            return self._ledger.frames.by_hash(sha256) is not None
        except LedgerError:
            return False

    def _leave(self, ticket: int, file: FileInProgress) -> None:
        del self._open[ticket]
        self._line.fill(ticket, file)
