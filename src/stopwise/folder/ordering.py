"""Answers come back in any order and leave in the order in which their files' turn came."""

from __future__ import annotations

from collections import OrderedDict
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import Iterator

T = TypeVar("T")


class Line(Generic[T]):
    """A line in which each place is taken first and filled later.

    Parameters
    ----------
    hold_s
        How long a place may keep those behind it waiting once one of them is filled. A file on
        which the decoder hangs must not hide the frames that follow.
    """

    def __init__(self, hold_s: float = 5.0) -> None:
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

    def ready(self, now: float) -> Iterator[T]:
        """Yield what may leave now, in order; `now` in seconds of any steady clock."""
        for ticket in list(self._places):
            answer = self._places[ticket]
            if answer is not None:
                del self._places[ticket]
                yield answer
            elif not self._may_be_passed(now):
                return
        self._blocked_since = None

    def next_due(self) -> float | None:
        """Return when those behind a slow one may pass it."""
        return None if self._blocked_since is None else self._blocked_since + self._hold_s

    def _may_be_passed(self, now: float) -> bool:
        if not any(answer is not None for answer in self._places.values()):
            self._blocked_since = None
            return False
        if self._blocked_since is None:
            self._blocked_since = now
        return now >= self._blocked_since + self._hold_s
