"""Write records into the ledger in order, and wait with them where it can't be written."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from stopwise.errors import LedgerDamaged, LedgerError
from stopwise.folder.watch_notes import note

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from stopwise.folder.watch_notes import Note
    from stopwise.ledger import Kept, Ledger, Place, Stamp
    from stopwise.record import Record

_RETRY_S = 2.0
"""Pause before a ledger that couldn't be written is tried again: room is made by a person."""

_LOCKED_S = 0.4
"""Wait for another program's lock: then the verdict is told, and the record waits in memory, so
that the first word comes within a second."""


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


@dataclass(frozen=True, slots=True)
class Moves:
    """Files of a folder that were deleted, and such as are there again as they were."""

    folder: str
    gone: tuple[str, ...]
    back: Mapping[str, Stamp]


class RecordWriter:
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
        Called when another ledger was begun or put back in the place of this one.
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
        """How many records wait because the ledger can't be written; safe from any thread."""
        return sum(isinstance(entry, Finished) for entry in list(self._waiting))

    def write(self, finished: Finished, now: float) -> None:
        """Write a record, behind those that wait."""
        self._waiting.append(finished)
        if self._next_try is not None and finished.record is not None:
            self._tell_waiting(finished, "")
        self.work(now)

    def note_moves(self, folder: str, *, gone: Iterable[str], back: Mapping[str, Stamp]) -> None:
        """Note with the next work that files were deleted, or are there again as they were."""
        moves = Moves(folder, tuple(gone), dict(back))
        if moves.gone or moves.back:
            self._waiting.append(moves)

    def work(self, now: float) -> None:
        """Write what waits, unless it is too soon after a failure."""
        if self._next_try is not None and now < self._next_try:
            return
        try:
            while self._waiting:
                self._write_first()
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

    def _write_first(self) -> None:
        first, frames, kept = self._waiting[0], self._ledger.frames, None
        with self._ledger.atomic(wait_s=_LOCKED_S):
            if isinstance(first, Moves):
                frames.mark_gone(first.folder, first.gone)
                frames.mark_back(first.folder, first.back)
            else:
                place, sha256 = first.place, first.sha256
                if first.record is None:
                    kept = frames.add_place(place, sha256)
                else:
                    kept = frames.keep(
                        first.record, place, sha256=sha256, landed_ns=first.landed_ns
                    )
                if first.is_gone:
                    frames.mark_gone(place.folder, [place.path])
        self._waiting.popleft()
        if kept is not None and isinstance(first, Finished):
            self._on_kept(kept, first)

    def _wait(self, error: LedgerError, now: float) -> None:
        is_first = self._next_try is None
        self._next_try = now + _RETRY_S
        if is_first:
            records = (entry for entry in self._waiting if isinstance(entry, Finished))
            self._tell_waiting(next(records, None), str(error))

    def _tell_waiting(self, finished: Finished | None, why: str) -> None:
        record = None if finished is None else finished.record
        self._on_note(replace(note("ledger_waits", self._ledger.place, why), record=record))

    def _begin_anew(self, why: str, now: float) -> None:
        """Go on with another ledger; what is known of its own content isn't known of this one's."""
        try:
            aside = self._ledger.renew()
        except (LedgerError, OSError) as error:
            self._wait(LedgerError(f"{why} {error}"), now)
            return
        if aside is None:
            self._on_note(note("ledger_other", self._ledger.place))
        else:
            self._on_note(note("ledger_set_aside", self._ledger.place, f"now {aside}"))
        self._waiting = deque(
            entry for entry in self._waiting if isinstance(entry, Moves) or entry.record is not None
        )
        self._next_try = now
        self._on_renewed()
