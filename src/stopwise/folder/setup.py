"""What a watcher is given: what judges, what is called, how to watch; and what it gives back."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from stopwise.folder.pool import Limits
from stopwise.folder.turns import Patience

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stopwise.folder.eyes import Sight
    from stopwise.folder.notes import Note
    from stopwise.folder.pool import Pool
    from stopwise.ledger import Kept
    from stopwise.record import Record


class Assess(Protocol):
    """What judges one file: `stopwise.pipeline.assess`. It must be a module's own function."""

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
    """What the watch loop calls: all but `prepare` from its own thread.

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
    ahead
        Called after `between`: gives the brief that workers should be ready for, None for none. The
        same object means the same.
    prepare
        A module's own function: called in worker processes, while they are idle, with what `ahead`
        gave.
    """

    brief: Callable[[Path], Any] = _nothing
    complete: Callable[[Record, Any], Record] = lambda record, _: record
    on_record: Callable[[Landing], None] = _nothing
    on_note: Callable[[Note], None] = _nothing
    between: Callable[[], None] = lambda: None
    ahead: Callable[[], Any] = lambda: None
    prepare: Callable[[Any], Any] | None = None


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
    reading
        Paths of the files that are being assessed now, in the folder.
    """

    behind: int = 0
    backlog: int = 0
    unwritten: int = 0
    reading: tuple[str, ...] = ()
