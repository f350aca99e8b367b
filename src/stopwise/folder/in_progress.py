"""Files in progress: a worker has each, and each leaves when its turn comes."""

from __future__ import annotations

import os
from collections import OrderedDict
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from stopwise.conditions import condition
from stopwise.errors import LedgerError, Unreadable
from stopwise.folder.one_file import FileAsked, Lost, NotYet, WasRead
from stopwise.folder.record_writer import Finished
from stopwise.folder.supplies import Failure, Task
from stopwise.ledger.frames import Place, Stamp
from stopwise.record import Record, unreadable

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator

    from stopwise.folder.states import Job
    from stopwise.folder.supplies import Pool
    from stopwise.ledger import Ledger

T = TypeVar("T")


class Line(Generic[T]):
    """A line in which each place is taken first and filled later.

    Parameters
    ----------
    hold_s
        How long a place may keep those behind it waiting once one of them is filled. A file on
        which the decoder hangs must not hide the frames that follow, and one that is known to be
        slow keeps nobody.
    """

    def __init__(self, hold_s: float = 3.0) -> None:
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

    def rejoin(self, ticket: int) -> None:
        """Take the first place: one that left must be filled once more."""
        self._places[ticket] = None
        self._places.move_to_end(ticket, last=False)
        self._blocked_since = None

    def ready(self, now: float, *, slow: Collection[int] = ()) -> Iterator[T]:
        """Yield what may leave now, in order; `now` in seconds of any steady clock.

        Places that are `slow` may be passed.
        """
        while (answer := self._next(now, slow)) is not None:
            yield answer

    def next_due(self) -> float | None:
        """Return when those behind a slow one may pass it."""
        return None if self._blocked_since is None else self._blocked_since + self._hold_s

    def _next(self, now: float, slow: Collection[int]) -> T | None:
        for ticket, answer in self._places.items():
            if answer is not None:
                del self._places[ticket]
                return answer
            if ticket not in slow and not self._may_be_passed(now):
                return None
        self._blocked_since = None
        return None

    def _may_be_passed(self, now: float) -> bool:
        if not any(answer is not None for answer in self._places.values()):
            self._blocked_since = None
            return False
        if self._blocked_since is None:
            self._blocked_since = now
        return now >= self._blocked_since + self._hold_s


@dataclass(slots=True)
class FileInProgress:
    """One file that a worker has.

    Attributes
    ----------
    job
        Which file.
    place
        Where it lies.
    failure
        What a worker did on it in the place of an answer.
    answer
        What came of it; None until then.
    is_same
        Whether its content is in the ledger already.
    """

    job: Job
    place: Place
    failure: Failure | None = None
    answer: NotYet | Lost | WasRead | None = None
    is_same: bool = False

    @property
    def whole_path(self) -> str:
        """The file's whole path."""
        return os.path.join(self.place.folder, *self.place.path.split("/"))  # noqa: PTH118

    @property
    def assessment(self) -> Any:
        """What came of assessing it; None where that failed or wasn't needed."""
        return self.answer.assessment if isinstance(self.answer, WasRead) else None

    @property
    def record(self) -> Record | None:
        """The record as it stands; None where the content is in the ledger already."""
        if self.failure is not None:
            failed = condition("decoder_failed")
            error = Unreadable(Path(self.whole_path), failed, self.failure.what)
            return unreadable(self.place.path, error)
        if self.is_same:
            return None
        record: Record = self.assessment.record
        return replace(record, file=self.place.path)

    @property
    def is_unreadable(self) -> bool:
        """Whether the file gave no pixels to be trusted."""
        record = self.record
        return record is not None and record.verdict == "unreadable"

    def finished(self, read: WasRead) -> Finished:
        """Return what is to be written."""
        return Finished(
            record=self.record,
            place=self.place,
            sha256=read.sha256,
            landed_ns=self.job.landed_ns,
            assessment=read.assessment,
            is_gone=Stamp.at(self.whole_path) is None,
        )


class FilesInProgress:
    """All files that workers have now.

    A path whose bytes may well be known (it was judged before, was renamed, or lay there at the
    start) is hashed first and only assessed if its content is new.

    Parameters
    ----------
    folder
        The watched folder.
    ledger
        Tells which contents are known.
    pool
        Has files read by `one_file.read_one`.
    brief
        Gives what `assess` needs besides the path.
    """

    def __init__(
        self, folder: str, ledger: Ledger, pool: Pool, *, brief: Callable[[Path], Any]
    ) -> None:
        self._folder = folder
        self._ledger = ledger
        self._pool = pool
        self._brief = brief
        self._line: Line[FileInProgress] = Line()
        self._open: dict[int, FileInProgress] = {}
        self._tickets = 0

    @property
    def room(self) -> bool:
        """Whether another file can be begun."""
        return self._pool.room > 0

    @property
    def counts(self) -> tuple[int, int]:
        """How many files are in progress: fresh ones, and old ones; safe from any thread."""
        fresh = [file.job.is_fresh for file in list(self._open.values())]
        return sum(fresh), len(fresh) - sum(fresh)

    @property
    def reading(self) -> tuple[str, ...]:
        """Paths of the files that are being read; safe from any thread."""
        return tuple(file.job.path for file in list(self._open.values()))

    def begin(self, job: Job) -> None:
        """Begin a file."""
        file = FileInProgress(job, Place(self._folder, job.path, job.stamp))
        self._line.join(self._open_one(file))
        may_be_known = job.is_known or not job.is_fresh or self._had_stamp(job.stamp)
        self._ask(self._tickets, file, is_hash_only=may_be_known)

    def again(self, file: FileInProgress) -> None:
        """Have a file assessed anew by another brief; those behind it wait."""
        file.answer = None
        self._line.rejoin(self._open_one(file))
        self._ask(self._tickets, file)

    def hear(self) -> None:
        """Take in the answers that have come."""
        for done in self._pool.finished():
            file = self._open.get(done.ticket)
            if file is not None:
                self._take(done.ticket, file, done.value)

    def ready(self, now: float) -> Iterator[FileInProgress]:
        """Yield the files whose turn it is to be decided on."""
        return self._line.ready(now, slow=self._pool.slow)

    def next_due(self) -> float | None:
        """Return when a slow file may be passed by those behind it."""
        return self._line.next_due()

    def drop_all(self) -> None:
        """Forget all files: another ledger knows other contents, and they are found again."""
        self._open, self._line = {}, Line()

    def close(self) -> None:
        """End all work at once, and leave what hasn't begun."""
        self._pool.close()

    def _open_one(self, file: FileInProgress) -> int:
        self._tickets += 1
        self._open[self._tickets] = file
        return self._tickets

    def _take(self, ticket: int, file: FileInProgress, value: Any) -> None:
        """Take in a worker's answer; where it failed on a file, ask once more for its hash."""
        if isinstance(value, Failure):
            if file.failure is None:
                file.failure = value
                self._ask(ticket, file, is_hash_only=True)
                return
            value = Lost(value.what)
        if isinstance(value, WasRead) and value.assessment is None and file.failure is None:
            file.is_same = self._is_kept(value.sha256)
            if not file.is_same:
                self._ask(ticket, file)
                return
        self._leave(ticket, file, value)

    def _ask(self, ticket: int, file: FileInProgress, *, is_hash_only: bool = False) -> None:
        """Ask a worker for a file; a brief that the ledger can't give now is trouble."""
        path, brief = file.whole_path, None
        if not is_hash_only:
            try:
                brief = self._brief(Path(path))
            except LedgerError as error:
                self._leave(ticket, file, Lost(str(error)))
                return
        job = file.job
        is_rested = job.is_rested or file.failure is not None
        asked = FileAsked(path, job.stamp, is_rested, brief, is_hash_only)
        self._pool.start(Task(ticket, (asked,), job.stamp.size))

    def _had_stamp(self, stamp: Stamp) -> bool:
        """Tell whether some path held this very stamp, as after a rename."""
        try:
            return self._ledger.frames.by_stamp(stamp) is not None
        except LedgerError:
            return False

    def _is_kept(self, sha256: str) -> bool:
        try:
            return self._ledger.frames.by_hash(sha256) is not None
        except LedgerError:
            return False

    def _leave(self, ticket: int, file: FileInProgress, answer: NotYet | Lost | WasRead) -> None:
        file.answer = answer
        del self._open[ticket]
        self._line.fill(ticket, file)
