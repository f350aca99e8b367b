"""Write records into the ledger in order, and wait with them where it can't be written."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from stopwise.errors import LedgerDamaged, LedgerError
from stopwise.folder.notes import Note, note

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from stopwise.ledger import Kept, Ledger, Place, Stamp
    from stopwise.record import Record

_RETRY_S = 2.0


@dataclass(frozen=True, slots=True)
class Finished:
    """A record that may be written: where its file lies, its hash, its landing, what came with it.

    Attributes
    ----------
    record
        The record; None where the content is known to be in the ledger already.
    place
        Folder, path and stamp.
    sha256
        Of the file's bytes.
    landed_ns
        When it landed, nanoseconds since 1970.
    assessment
        All that came back with the record.
    is_gone
        Whether the file was taken away after it was read.
    """

    record: Record | None
    place: Place
    sha256: str
    landed_ns: int
    assessment: Any = None
    is_gone: bool = False

    def with_record(self, record: Record) -> Finished:
        """Return the same with another record."""
        return replace(self, record=record)


@dataclass(frozen=True, slots=True)
class Moves:
    """Files of a folder that were deleted, and such as are there again as they were."""

    folder: str
    gone: tuple[str, ...]
    back: Mapping[str, Stamp]


class Scribe:
    """Writes finished frames one by one; what is told as kept is kept.

    Records and moves of files stand in one line and are written as they came: a path that was
    deleted and taken by another file while the ledger was full would else be noted as gone last.

    Parameters
    ----------
    ledger
        Where to.
    on_kept
        Called after each commit with the row and what was written.
    on_note
        Called with what went wrong or is well again.
    on_renewed
        Called when a damaged ledger was set aside and a new one begun.
    """

    def __init__(
        self,
        ledger: Ledger,
        *,
        on_kept: Callable[[Kept, Finished], None],
        on_note: Callable[[Note], None],
        on_renewed: Callable[[], None],
    ) -> None:
        self._ledger = ledger
        self._on_kept = on_kept
        self._on_note = on_note
        self._on_renewed = on_renewed
        self._waiting: deque[Finished | Moves] = deque()
        self._next_try: float | None = None

    @property
    def waiting(self) -> int:
        """How many records wait because the ledger can't be written."""
        return len(self._records())

    def write(self, finished: Finished, now: float) -> None:
        """Write a record, behind those that wait."""
        self._waiting.append(finished)
        if self._next_try is not None and finished.record is not None:
            self._tell_waiting(finished, "")
        self.work(now)

    def note_places(self, folder: str, *, gone: Iterable[str], back: Mapping[str, Stamp]) -> None:
        """Note with the next work that files were deleted, or are there again as they were."""
        moves = Moves(folder, tuple(gone), dict(back))
        if moves.gone or moves.back:
            self._waiting.append(moves)

    def work(self, now: float) -> None:
        """Write what waits, unless it is too soon after a failure."""
        if self._next_try is not None and now < self._next_try:
            return
        try:
            self._write_all()
        except LedgerDamaged as error:
            self._begin_anew(str(error), now)
        except LedgerError as error:
            self._wait(error, now)
        else:
            if self._next_try is not None:
                self._on_note(note("ledger_writes", self._ledger.place))
            self._next_try = None

    def next_due(self) -> float | None:
        """Return when waiting records are tried again."""
        return self._next_try

    def _write_all(self) -> None:
        while self._waiting:
            first = self._waiting[0]
            kept = None
            if isinstance(first, Moves):
                self._write_moves(first)
            else:
                kept = self._write_one(first)
            self._waiting.popleft()
            if kept is not None and isinstance(first, Finished):
                self._on_kept(kept, first)

    def _write_moves(self, moves: Moves) -> None:
        with self._ledger.atomic():
            self._ledger.frames.mark_gone(moves.folder, moves.gone)
            self._ledger.frames.mark_back(moves.folder, moves.back)

    def _write_one(self, finished: Finished) -> Kept | None:
        frames = self._ledger.frames
        place = finished.place
        with self._ledger.atomic():
            if finished.record is None:
                kept = frames.add_place(place, finished.sha256)
            else:
                kept = frames.keep(
                    finished.record, place, sha256=finished.sha256, landed_ns=finished.landed_ns
                )
            if finished.is_gone:
                frames.mark_gone(place.folder, [place.path])
        return kept

    def _wait(self, error: LedgerError, now: float) -> None:
        is_first = self._next_try is None
        self._next_try = now + _RETRY_S
        if is_first:
            self._tell_waiting(next(iter(self._records()), None), str(error))

    def _records(self) -> list[Finished]:
        return [entry for entry in self._waiting if isinstance(entry, Finished)]

    def _tell_waiting(self, finished: Finished | None, why: str) -> None:
        told = note("ledger_waits", self._ledger.place, why)
        record = None if finished is None else finished.record
        self._on_note(Note(told.condition, told.file, told.detail, record))

    def _begin_anew(self, why: str, now: float) -> None:
        try:
            aside = self._ledger.renew()
        except (LedgerError, OSError) as error:
            self._wait(LedgerError(f"{why} {error}"), now)
            return
        self._on_note(note("ledger_set_aside", self._ledger.place, f"now {aside}"))
        self._waiting = deque(
            entry for entry in self._waiting if isinstance(entry, Moves) or entry.record is not None
        )
        self._next_try = now
        self._on_renewed()
