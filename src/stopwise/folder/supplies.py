"""What workers are given: tasks, and what files need besides themselves, read once for all."""

from __future__ import annotations

import os
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from multiprocessing.reduction import ForkingPickler
from typing import TYPE_CHECKING, Any, Protocol

from stopwise.errors import StopwiseError
from stopwise.raw.bounds import FailedOnFileError

if TYPE_CHECKING:
    from collections import deque
    from collections.abc import Collection, Hashable, Iterator, Mapping, Sequence
    from multiprocessing.connection import Connection

    from stopwise.pipeline.brief import Need


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


_MOST_WAITS = 8
"""Times that a file waits for what it needs before others need not wait for it: the plan's
reference, then its solos, then those of another look. A frame of the plan may be written for ever.
"""

_ASK_AGAIN_S = 60.0
"""Seconds after which what couldn't be read is tried again: its disk may be back."""

_SMALL_BYTES = 1 << 16
"""A supply of fewer, as an error is, needs no file: that fits into a pipe."""

Supply = object
"""What was read; or an error: why it can't be used, or what it did to the workers that read it."""


@dataclass(frozen=True, slots=True)
class PackedSupply:
    """A supply in a file, which the watch's own process never unpacks or holds.

    Those of a plan have tens of megabytes: handed over one worker after another, they would hold
    up a file behind a dozen new workers by seconds.

    Attributes
    ----------
    data
        The supply as a pipe between processes packs it; empty where it lies in `place`.
    is_refused
        Whether it is an error that may pass.
    place
        The file; None where it is small, or no file could be written.
    """

    data: bytes
    is_refused: bool = False
    place: str | None = None

    @classmethod
    def of(cls, supply: Supply, folder: str | None = None) -> PackedSupply:
        """Pack a supply; in a file of a folder that is this user's alone, where one is given."""
        data, is_refused = bytes(ForkingPickler.dumps(supply)), isinstance(supply, StopwiseError)
        if folder is None or len(data) < _SMALL_BYTES:
            return cls(data, is_refused)
        descriptor, place = -1, None
        try:
            descriptor, place = tempfile.mkstemp(dir=folder)
            with os.fdopen(descriptor, "wb") as file:
                file.write(data)
        except OSError:
            kept = cls(b"", is_refused, place)
            kept.drop()
            return cls(data, is_refused)
        return cls(b"", is_refused, place)

    def unpacked(self) -> Supply:
        """Return the supply.

        Raises
        ------
        OSError
            If its file is gone.
        """
        if self.place is None:
            return ForkingPickler.loads(self.data)
        with open(self.place, "rb") as file:  # noqa: PTH123 (a quick start)
            return ForkingPickler.loads(file.read())

    def drop(self) -> None:
        """Take its file away."""
        if self.place is not None:
            with suppress(OSError):
                os.unlink(self.place)  # noqa: PTH108 (a quick start)


class Supplied(Protocol):
    """What in each worker holds what files need besides."""

    def prepare(self, brief: Any) -> Collection[Hashable]:
        """Return the keys of all that files with a brief need.

        Raises
        ------
        UnreadNeedsError
            If some of it isn't there.
        """

    def read_needed(self, *arguments: Any) -> Supply:
        """Read something that is needed."""

    def supply(self, keys: Sequence[Hashable], new: Mapping[Hashable, Any]) -> None:
        """Take in what is new, and let go of what has none of the keys."""


class Supplies:
    """All that was read for files so far, and the tasks that wait for what is being read."""

    def __init__(self) -> None:
        self._there: dict[Hashable, PackedSupply] = {}
        self._ask_again: dict[Hashable, float] = {}
        self._reading: set[Hashable] = set()
        self._parked: list[tuple[Task, set[Hashable]]] = []

    def given(self) -> dict[Hashable, PackedSupply]:
        """Return what there is to be handed to a worker."""
        now = time.monotonic()
        for key in [key for key, at in self._ask_again.items() if at <= now]:
            del self._ask_again[key]
            self.lose(key)
        return dict(self._there)

    def wanted_by(self, task: Task, needs: Collection[Need]) -> Iterator[Task]:
        """Have a task wait for what it needs; yield what must be read for it."""
        task.waits += 1
        self._parked.append((task, {need.key for need in needs} - self._there.keys()))
        for need in needs:
            if need.key not in self._there and need.key not in self._reading:
                self._reading.add(need.key)
                yield Task(0, need.arguments, need.size, Act.SUPPLY, need.key)

    def take(self, task: Task, value: PackedSupply | Failure) -> None:
        """Take in what was read, or why it wasn't."""
        if isinstance(value, Failure):
            value = PackedSupply.of(FailedOnFileError(value.what))
        self._reading.discard(task.key)
        self._put(task.key, value)
        self._ask_again.pop(task.key, None)
        if value.is_refused:
            self._ask_again[task.key] = time.monotonic() + _ASK_AGAIN_S

    def pass_over(self, task: Task) -> None:
        """Have nobody wait for something that takes long; where it comes after all it counts."""
        if task.key not in self._there:
            self._put(task.key, PackedSupply.of(FailedOnFileError("it isn't read yet")))

    def put_in_line(self, line: deque[Task]) -> None:
        """Put the tasks that wait for nothing any more first; last if they waited long already."""
        for task, keys in self._parked:
            if not keys:
                (line.append if task.waits > _MOST_WAITS else line.appendleft)(task)
        self._parked = [(task, keys) for task, keys in self._parked if keys]

    def waits_long(self) -> Iterator[Task]:
        """Yield the tasks that nobody is to wait for, since what they need changes all the time."""
        yield from (task for task, _ in self._parked if task.waits > _MOST_WAITS)

    def forget(self, task: Task | None) -> None:
        """Have a task wait no longer, and never begin."""
        self._parked = [(one, keys) for one, keys in self._parked if one is not task]

    def keep_only(self, keys: Collection[Hashable]) -> None:
        """Let go of what isn't needed any more; a worker that is late for it asks for it anew."""
        for key in self._there.keys() - set(keys):
            self.lose(key)

    def lose(self, key: Hashable) -> None:
        """Let go of one, or of nothing where it isn't there."""
        if (had := self._there.pop(key, None)) is not None:
            had.drop()

    def _put(self, key: Hashable, value: PackedSupply) -> None:
        self.lose(key)
        self._there[key] = value
        for _, keys in self._parked:
            keys.discard(key)
