"""The one root of all errors a user can meet, its kinds, and the exit code of each."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.conditions import Condition


class StopwiseError(Exception):
    """Something a user can mend; its text says what, where and what to do."""

    exit_code = 2


class WrongUse(StopwiseError):
    """A command or function was given what it can't take."""


class PlanError(StopwiseError):
    """A plan file is wrong; the text names the line, what stands there and what would be right.

    Parameters
    ----------
    problems
        One sentence or two for each mistake, in the order of the file.
    """

    def __init__(self, *problems: str) -> None:
        self.problems = problems
        super().__init__("\n".join(problems))


class PathMissing(StopwiseError):
    """A path that was named isn't there, or isn't of the kind that is needed."""


class Unreadable(StopwiseError):
    """A file gives no pixels that can be trusted.

    Parameters
    ----------
    path
        The file.
    condition
        Which of the conditions of a file this is, see :mod:`stopwise.conditions`.
    detail
        What was seen in this file, as a part of a sentence.
    """

    exit_code = 3

    def __init__(self, path: Path, condition: Condition, detail: str = "") -> None:
        self.path = path
        self.condition = condition
        self.detail = detail
        super().__init__(f"{path}: {self.reason}")

    @property
    def reason(self) -> str:
        """What is wrong with the file, without its name, as the record keeps it."""
        return f"{self.condition.short}: {self.detail}" if self.detail else self.condition.short

    def __reduce__(self) -> tuple[object, ...]:
        """Cross a process boundary whole."""
        return (Unreadable, (self.path, self.condition, self.detail))


class LedgerError(StopwiseError):
    """The ledger can't be opened, read or written."""


class LedgerFull(LedgerError):
    """There is no room for a record now, or its disk fails; nothing was written, it is retried."""


class LedgerDamaged(LedgerError):
    """The ledger's file is no sound SQLite file any more; it is set aside."""


def refusal(error: Exception) -> str:
    """Return what the system says of what it refused, as it says it."""
    return getattr(error, "strerror", None) or str(error) or type(error).__name__


def what_failed(error: Exception) -> str:
    """Return what went wrong over a file in no way of ours, as a part of a sentence."""
    if isinstance(error, MemoryError):
        return "it ran out of memory"
    if isinstance(error, TimeoutError):
        return "it took too long"
    return f"{type(error).__name__}: {error}"
