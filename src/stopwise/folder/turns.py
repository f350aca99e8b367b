"""What the desk knows of each file: how long it is waited for, its state, its job, its outcome."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING

from stopwise.folder.sightings import Wholeness

if TYPE_CHECKING:
    from stopwise.folder.notes import Note
    from stopwise.ledger.frames import Stamp


@dataclass(frozen=True, slots=True)
class Patience:
    """How long files are waited for, seconds.

    Attributes
    ----------
    settle_s
        Rest after the last change before a file may be called unreadable.
    rest_s
        Rest before a file that doesn't say its length is tried.
    tell_s
        Wait after which it is told that a file is still being written.
    retry_s
        Pause before a file that couldn't be read is tried again.
    flood
        New files found by one sweep above which they count as a backlog.
    """

    settle_s: float = 10.0
    rest_s: float = 1.0
    tell_s: float = 2.0
    retry_s: float = 5.0
    flood: int = 50


class State(Enum):
    """Where a file stands."""

    WAITING = "waiting"
    QUEUED = "queued"
    JUDGING = "judging"
    HELD = "held"
    DONE = "done"


class Outcome(Enum):
    """What is to be done with an assessment that has come back."""

    KEEP = "keep"
    """It holds: write it."""
    HOLD = "hold"
    """Unreadable, and not at rest long enough to say so."""
    DROP = "drop"
    """The file has changed or is gone: it doesn't hold any more."""


@dataclass(frozen=True, slots=True)
class Job:
    """A file whose turn has come.

    Attributes
    ----------
    path, stamp
        Which file, as it was when it was queued.
    landed_ns
        When it landed, nanoseconds since 1970; later for each frame that lands while watching.
    is_fresh
        False for what lay there at the start or came in a flood.
    is_known
        Whether this path was judged before, so that its bytes may well be the same.
    """

    path: str
    stamp: Stamp
    landed_ns: int
    is_fresh: bool
    is_known: bool


@dataclass(frozen=True, slots=True)
class Changes:
    """What a look at the folder has changed.

    Attributes
    ----------
    notes
        What is to be told.
    gone
        Judged paths that aren't there any more.
    back
        Paths that were gone and are there again as they were, with their stamps.
    """

    notes: list[Note] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)
    back: dict[str, Stamp] = field(default_factory=dict)


@dataclass(slots=True)
class File:
    """One file on the desk; times are on the caller's clock, `landed_ns` since 1970."""

    stamp: Stamp
    changed_at: float
    landed_ns: int
    wholeness: Wholeness = Wholeness.UNSEEN
    state: State = State.WAITING
    is_fresh: bool = True
    is_known: bool = False
    is_told: bool = False
    not_before: float = 0.0
    place: tuple[int, int] = (0, 0)
