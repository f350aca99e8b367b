"""What a watcher tells besides records: one condition, where, and a detail."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.conditions import condition
from stopwise.folder.names import shown

if TYPE_CHECKING:
    from stopwise.conditions import Condition
    from stopwise.record import Record


@dataclass(frozen=True, slots=True)
class Note:
    """One thing to tell.

    Attributes
    ----------
    condition
        The row of :mod:`stopwise.conditions`.
    file
        The file or folder that it is about, as its name is; None for the watch as a whole.
    detail
        What was seen, as a part of a sentence.
    record
        With `ledger_waits`: the frame's record, which is not kept yet.
    """

    condition: Condition
    file: str | None = None
    detail: str = ""
    record: Record | None = None

    @property
    def text(self) -> str:
        """The note as one line of safe text, without a full stop."""
        where = f"{shown(self.file)}: " if self.file else ""
        detail = f": {shown(self.detail)}" if self.detail else ""
        return where + self.condition.short + detail + self._unkept()

    def _unkept(self) -> str:
        """Name the frame that isn't kept yet, with its verdict, so that nobody waits for it."""
        if self.record is None:
            return ""
        return f" (not kept yet: {shown(self.record.file)}, {self.record.verdict})"


def note(name: str, file: str | None = None, detail: str = "") -> Note:
    """Return a note on the condition called `name`."""
    return Note(condition(name), file, detail)
