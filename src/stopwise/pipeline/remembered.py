"""The last few results of a costly function, for as long as what it was made from is the same."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")


class Remembered(Generic[T]):
    """Results by what they were made from, compared by `==`: nothing needs to be hashable.

    Parameters
    ----------
    most
        How many are kept.
    """

    def __init__(self, *, most: int = 4) -> None:
        self._kept: deque[tuple[tuple[object, ...], T]] = deque(maxlen=most)

    def of(self, *parts: object, make: Callable[[], T]) -> T:
        """Return what was made from equal parts, or make it now."""
        for known, value in self._kept:
            if known == parts:
                return value
        value = make()
        self._kept.append((parts, value))
        return value
