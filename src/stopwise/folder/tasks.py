"""Tasks: what is to be done in a worker process, what comes of it, and who hands it out."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from multiprocessing.connection import Connection


class Act(Enum):
    """What a worker does."""

    START = "start"
    NOTHING = "nothing"
    PREPARE = "prepare"
    """See which of the plan's own frames files with a brief need."""
    SUPPLY = "supply"
    """Read one of them."""
    ASSESS = "assess"


@dataclass(slots=True)
class Task:
    """Something for a worker, as a rule one file to assess.

    Attributes
    ----------
    ticket
        Comes back with the answer.
    arguments
        What is to be done it with.
    size
        Bytes of the file.
    act
        What is to be done.
    key
        Of a supply: by what it is asked for.
    tries
        How often a worker was given it and didn't say that it needs something first.
    waits
        How often it did say so.
    gave_way
        Whether it was ended once so that others could be begun.
    """

    ticket: int
    arguments: tuple[Any, ...]
    size: int
    act: Act = Act.ASSESS
    key: Any = None
    tries: int = 0
    waits: int = 0
    gave_way: bool = False


@dataclass(frozen=True, slots=True)
class Failure:
    """Why nothing came back: what the worker did, as a part of a sentence."""

    what: str


@dataclass(frozen=True, slots=True)
class Done:
    """An answer: what `assess` returned, or a Failure."""

    ticket: int
    value: Any


class Pool(Protocol):
    """What the watch loop asks of whoever assesses files."""

    @property
    def room(self) -> int:
        """How many tasks can be begun now."""

    @property
    def slow(self) -> set[int]:
        """Tickets of tasks that take long, failed or gave way: none is to wait for their answer."""

    def start(self, task: Task) -> None:
        """Begin a task."""

    def prepare(self, brief: Any) -> None:
        """Have what tasks with this brief need read before any of them."""

    def finished(self) -> list[Done]:
        """Return the answers that have come, and see to workers that have failed."""

    def waitables(self) -> list[Connection | int]:
        """Return what becomes ready when an answer comes or a worker ends."""

    def next_due(self) -> float | None:
        """Return when a worker will have taken too long, on `time.monotonic`."""

    def close(self) -> None:
        """End all work at once."""
