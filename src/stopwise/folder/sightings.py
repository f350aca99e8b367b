"""What looking at the folder gives: plain facts, with nothing decided yet."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stopwise.ledger.frames import Stamp


class Wholeness(Enum):
    """Whether a file holds all that its own directory promises."""

    WHOLE = "whole"
    """Every promised byte is there."""
    SHORT = "short"
    """Bytes are missing, or a stretch was reserved and not yet filled."""
    UNKNOWN = "unknown"
    """The file doesn't say; only rest can tell."""
    DENIED = "denied"
    """It can't be opened."""
    UNSEEN = "unseen"
    """Nobody has looked into it yet."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """A raw file as it was seen once.

    Attributes
    ----------
    path
        Relative to the folder, with ``/``; bytes that are no UTF-8 as surrogate escapes.
    stamp
        Size, time of change and file number.
    landed_ns
        When the system says that it came to lie here, nanoseconds since 1970.
    wholeness
        Whether all of it is there; a sweep leaves it UNSEEN.
    detail
        Why it can't be opened.
    """

    path: str
    stamp: Stamp
    landed_ns: int
    wholeness: Wholeness = Wholeness.UNSEEN
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Listing:
    """What one look at the folder saw.

    Attributes
    ----------
    raws
        Regular files with a raw file's name.
    pictures
        Paths of JPEGs and the like.
    missing
        Paths that were looked at and aren't there.
    odd
        Links, pipes, sockets and devices with a raw file's name, and linked folders: path to kind.
    closed
        Paths that couldn't be looked at ("" for the watched folder), with the reason. Nothing is
        known of them, nor of what lies in them.
    no_events
        Why the system gives no folder events, None where it does.
    is_sweep
        Whether the whole folder was looked through, so that what isn't in it is gone.
    """

    raws: tuple[Sighting, ...] = ()
    pictures: frozenset[str] = frozenset()
    missing: frozenset[str] = frozenset()
    odd: dict[str, str] = field(default_factory=dict)
    closed: dict[str, str] = field(default_factory=dict)
    no_events: str | None = None
    is_sweep: bool = False

    @property
    def is_folder_there(self) -> bool:
        """Whether the watched folder itself could be read."""
        return "" not in self.closed

    def covers(self, path: str) -> bool:
        """Tell whether this look would have shown a path, had it been there."""
        if path in self.missing:
            return True
        return self.is_sweep and not any(
            folder in ("", path) or path.startswith(folder + "/") for folder in self.closed
        )
