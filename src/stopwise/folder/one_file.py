"""What a worker does with one file: see whether it is whole, hash it, and have it assessed.

The watch's own process opens no file of the folder: whatever bytes do to those who read them is
held by a worker's limits.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Protocol

from stopwise.errors import refusal
from stopwise.ledger.frames import FileChangedError, Stamp, content_hash

if TYPE_CHECKING:
    from stopwise.record import Record

_SAMPLES, _SAMPLE_BYTES = 64, 512
"""A copy that sets the length first is looked for at 64 places of 512 bytes: 32 KiB are read of a
file, and an unwritten stretch of a thirtieth of it is met twice."""

_TAIL_BYTES = 32
"""Zeros at a file's end that look unwritten: four times the longest padding to 8 bytes."""

_MAY_PASS = frozenset({"no_access", "changed"})
"""Conditions of a record that say nothing of the file itself, but of the moment."""


class Assessed(Protocol):
    """What comes of a file that was assessed."""

    @property
    def record(self) -> Record:
        """Its record, the hash still missing."""

    @property
    def sha256(self) -> str | None:
        """Of the very bytes that were decoded, hexadecimal; None where none were."""


class Assess(Protocol):
    """What judges one file: `stopwise.pipeline.assess_file`. It must be a module's own function."""

    def __call__(self, path: Path, brief: Any, /) -> Assessed:
        """Return all that comes of a file."""


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


@dataclass(frozen=True, slots=True)
class FileAsked:
    """What is asked of a worker.

    Attributes
    ----------
    path, stamp
        Which file, as it was when it was asked for.
    is_rested
        Whether it has been at rest so long that it is taken as it is, though bytes may be missing.
    brief
        What `assess` needs besides the path.
    is_hash_only
        Whether only its hash is asked for: its content may be known.
    """

    path: str
    stamp: Stamp
    is_rested: bool = False
    brief: Any = None
    is_hash_only: bool = False


@dataclass(frozen=True, slots=True)
class NotYet:
    """A file that isn't taken yet: why, and for one that can't be opened what the system says."""

    wholeness: Wholeness
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Lost:
    """A file that changed or went while it was read, or, with `trouble`, can't be read now."""

    trouble: str | None = None


@dataclass(frozen=True, slots=True)
class WasRead:
    """A file that was read: the hash of its bytes, and unless only that was asked for the rest."""

    sha256: str
    assessment: Any = None


def read_one(assess: Assess, asked: FileAsked) -> NotYet | Lost | WasRead:
    """Read one file as far as it is asked for; it must be the same at the end as at the beginning.

    Parameters
    ----------
    assess
        Judges a file.
    asked
        Which file, and what for.
    """
    if Stamp.at(asked.path) != asked.stamp:
        return Lost()
    if not asked.is_rested:
        try:
            whole, detail = wholeness(asked.path, asked.stamp.size), ""
        except OSError as error:
            whole, detail = Wholeness.DENIED, refusal(error).lower()
        if whole is not Wholeness.WHOLE:
            return NotYet(whole, detail)
    assessment = None if asked.is_hash_only else assess(Path(asked.path), asked.brief)
    reason = None if assessment is None else assessment.record.reason
    if reason is not None and reason.condition in _MAY_PASS:
        return Lost(reason.detail or None)
    sha256 = None if assessment is None else assessment.sha256
    try:
        sha256 = sha256 or content_hash(asked.path, asked.stamp)
    except (FileChangedError, FileNotFoundError):
        pass
    except OSError as error:
        return Lost(refusal(error).lower())
    if sha256 is None or Stamp.at(asked.path) not in {asked.stamp, None}:
        return Lost()
    return WasRead(sha256, assessment)


def wholeness(path: str, size: int) -> Wholeness:
    """Tell whether a file holds what its own directory promises, and no reserved empty stretch.

    Raises
    ------
    OSError
        If it can't be opened.
    """
    from stopwise.raw.lossless import would_show
    from stopwise.raw.whole import declared_end

    end = declared_end(Path(path))
    if end is None:
        return Wholeness.UNKNOWN if size else Wholeness.SHORT
    with open(path, "rb", buffering=0) as stream:  # noqa: PTH123 (names may hold any byte)
        if size < end or _has_hole(stream.fileno(), size):
            return Wholeness.SHORT
        blank = _blank_places(stream, size)
    return Wholeness.WHOLE if not blank or would_show(path, blank) else Wholeness.SHORT


def _blank_places(stream: IO[bytes], size: int) -> list[range]:
    """Return which bytes of a file look as if room had been reserved for others still to come.

    Copying programs may set the length first. The file is sampled at even distances: two samples of
    nothing but zeros next to each other, or an end of zeros, look so. A whole file may look so too,
    as a code of much that is blown or black does.
    """
    if size < 2 * _SAMPLES * _SAMPLE_BYTES:
        return []
    step = (size - _SAMPLE_BYTES) / (_SAMPLES - 1)
    empty: list[int] = []
    for number in range(_SAMPLES):
        stream.seek(int(number * step))
        sample = stream.read(_SAMPLE_BYTES)
        if not any(sample):
            empty.append(number)
    beside = [number for number in empty if {number - 1, number + 1} & {*empty}]
    places = [range(int(number * step), int(number * step) + _SAMPLE_BYTES) for number in beside]
    return places if any(sample[-_TAIL_BYTES:]) else [*places, range(size - _TAIL_BYTES, size)]


def _has_hole(descriptor: int, size: int) -> bool:
    """Tell whether the file system knows of bytes before the end that were never written.

    One without such a map says that the first hole is the file's end (lseek(2), SEEK_HOLE).
    """
    if not size or not hasattr(os, "SEEK_HOLE"):
        return False
    try:
        return os.lseek(descriptor, 0, os.SEEK_HOLE) < size
    except OSError:
        return False
