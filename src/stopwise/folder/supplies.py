"""What files need besides themselves: read by workers like any file, once, and handed to all."""

from __future__ import annotations

import pickle
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from stopwise.errors import StopwiseError
from stopwise.folder.tasks import Act, Failure, Task
from stopwise.raw.bounds import FailedOnFileError

if TYPE_CHECKING:
    from collections import deque
    from collections.abc import Collection, Hashable, Iterator, Mapping, Sequence

    from stopwise.pipeline.brief import Need

_MOST_WAITS = 8
"""Times that a file waits for what it needs before others need not wait for it: the plan's
reference, then its solos, then those of another look. A frame of the plan may be written for ever.
"""

_ASK_AGAIN_S = 60.0
"""Seconds after which what couldn't be read is tried again: its disk may be back."""


Supply = object
"""What was read; or an error: why it can't be used, or what it did to the workers that read it."""


@dataclass(frozen=True, slots=True)
class PackedSupply:
    """A supply as bytes, which the watch hands from the worker that read it to all others.

    It neither unpacks it nor packs it again for each: where a dozen begin at once, that would hold
    up the file behind them by seconds.

    Attributes
    ----------
    data
        Pickled, by a process of ours.
    is_refused
        Whether it is an error that may pass.
    """

    data: bytes
    is_refused: bool

    @classmethod
    def of(cls, supply: Supply) -> PackedSupply:
        """Pack a supply."""
        return cls(pickle.dumps(supply), isinstance(supply, StopwiseError))

    def unpacked(self) -> Supply:
        """Return the supply."""
        return pickle.loads(self.data)  # noqa: S301 (a process of ours packed it)


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
            self._there.pop(key, None)
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
        """Let go of what isn't needed any more."""
        self._there = {key: value for key, value in self._there.items() if key in keys}

    def _put(self, key: Hashable, value: PackedSupply) -> None:
        self._there[key] = value
        for _, keys in self._parked:
            keys.discard(key)
