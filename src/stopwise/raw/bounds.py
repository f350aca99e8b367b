"""How much any file may take, whatever it says of itself: the one place for such bounds.

Directories, boxes and tags may point anywhere, claim any count and lead round in circles. All of
them are read through :class:`FileBytes` and held to what stands here; a file beyond a bound is
unreadable. Where no source is named a bound is our own choice, far above what any camera writes and
far below what hurts.
"""

from __future__ import annotations

import mmap
import os
import sys
import threading
import time
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any, Protocol

from stopwise.conditions import condition
from stopwise.errors import StopwiseError, Unreadable, what_failed

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

MOST_BYTES = 1 << 30
"""Greatest file, and greatest decoded picture: 512 million photosites of two bytes."""

MOST_MEMORY = 3 << 29
"""Address space for one file, 1.5 GiB: a frame of 150 million photosites was measured to take 1.01
GiB at its height, file and picture together."""

LEAST_S, LEAST_S_PER_MEGABYTE = 30.0, 0.5
"""Seconds that any file has, and by its size: a lossless frame of 150 million photosites in 156 MB
took 18 s on two cores that nine others used."""

MOST_WORKERS = 24
"""Processes that read files at once, where most of them hang; fewer where the machine's memory
doesn't hold as many at the height of what each may take."""

MOST_BUSY_TIMES = 10.0
"""How much longer a file may take in one's own process on a machine that is busy with others."""

MOST_PHOTOSITES_PER_BYTE = 1032
"""No packing of raw files beats deflate's bound (RFC 1951: 258 bytes from 2 bits)."""

MOST_TAKEN = 1 << 24
"""Bytes that all directories and the values of their tags may have together."""

MOST_DIRECTORIES = 100
"""In one file, and so also pointers to sub-directories in one tag."""

MOST_ENTRIES = 1000
"""In one directory, or characters in a text."""

MOST_VALUES = 1 << 18
"""Under one tag: a delta for each row, a table of 65 536 levels, offsets of tiles."""

MOST_BOXES = 4096
"""In one file of boxes (ISO/IEC 14496-12), or samples in one of its tables."""

MOST_DEPTH = 16
"""Of boxes within boxes; tables of samples lie five deep (ISO/IEC 14496-12, table 1)."""

MOST_CELL = 16
"""Photosites along a side of the colour filter array's repeat, and greatest number of masked areas;
no array in use repeats after more than six (common practice)."""

MOST_BLACKS = 4096
"""Values in a repeat pattern of black, one for each photosite of 64 x 64."""

MOST_FOLLOWED = 1_500_000
"""Differences of a coded picture that are followed one by one, about a tenth of a second."""

MOST_LEVEL = 65535
"""That 16 bits hold; no black, white or delta is greater."""

MOST_FACTOR = 1e6
"""Of a colour matrix or balance, and its inverse the least; those in use are of 0.01 to 10."""

MOST_NUMBER = 1 << 62
"""Size or offset; a greater one is on no disk, and its sums would leave 64 bits."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What may be used for one file.

    Attributes
    ----------
    least_s, per_megabyte_s
        Time: the greater of `least_s` and the file's size times `per_megabyte_s`.
    memory_bytes
        Address space of a worker. The system holds to it on Linux.
    """

    least_s: float = LEAST_S
    per_megabyte_s: float = LEAST_S_PER_MEGABYTE
    memory_bytes: int = MOST_MEMORY

    def time_s(self, size: int) -> float:
        """Return the seconds that a file of `size` bytes may take; a greater one has no more."""
        return max(self.least_s, self.per_megabyte_s * min(size, MOST_BYTES) / 1e6)

    @property
    def most_workers(self) -> int:
        """How many workers the machine's memory holds, at most; 0 where it doesn't say."""
        try:
            memory_bytes = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
        except (AttributeError, ValueError, OSError):
            return 0
        return min(memory_bytes // self.memory_bytes, MOST_WORKERS)


def hold_memory(most: int = MOST_MEMORY, *, beyond_now: bool = False) -> Callable[[], None]:
    """Have the system refuse this process more memory, where it can; return what lets go again.

    Parameters
    ----------
    most
        Bytes of address space.
    beyond_now
        Whether they are counted beyond what the process holds already.
    """
    if sys.platform == "win32":
        return lambda: None
    import resource

    before = soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    limit = most + (_held_now() if beyond_now else 0)
    limits = [one for one in (limit, soft, hard) if one != resource.RLIM_INFINITY]
    try:
        resource.setrlimit(resource.RLIMIT_AS, (min(limits), hard))
    except (ValueError, OSError):
        return lambda: None
    return lambda: resource.setrlimit(resource.RLIMIT_AS, before)


def _held_now() -> int:
    """Return the bytes of address space that this process has (proc(5), statm), 0 if untold."""
    try:
        with open("/proc/self/statm", encoding="ascii") as stream:  # noqa: PTH123 (a quick start)
            return int(stream.read().split()[0]) * mmap.PAGESIZE
    except (OSError, ValueError):
        return 0


def size_of(path: Path) -> int:
    """Return a file's size in bytes, 0 where it can't be told."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


class FailedOnFileError(Exception):
    """Whatever read a file failed on it; the text is a part of a sentence."""


class Reads(Protocol):
    """What reads files one after another."""

    def answer(self, path: Path, /, *rest: Any) -> Any:
        """Return what comes of a file."""

    def close(self) -> None:
        """End what it began."""


class InTime:
    """Reads files one after another in this process, each within its time.

    That is time of the processor: on a machine that is busy with other things a file takes longer,
    but no more than ten times as long. Nothing ends a decoder that hangs in one's own process: it
    is left behind in its thread, with its file, and whoever comes `then` reads those after it.

    Parameters
    ----------
    read
        Reads one file, given what `answer` is given.
    then
        Makes what reads the files after one that took too long; None where none come.
    limits
        How long a file may take.
    spent_besides_s
        Seconds that `read` has spent so far on what isn't the file's own.
    """

    def __init__(
        self,
        read: Callable[..., Any],
        *,
        then: Callable[[], Reads] | None = None,
        limits: Limits,
        spent_besides_s: Callable[[], float] = lambda: 0.0,
    ) -> None:
        self._read, self._then, self._limits = read, then, limits
        self._spent_besides_s = spent_besides_s
        self._asked: SimpleQueue[tuple[Any, ...] | None] = SimpleQueue()
        self._answers: SimpleQueue[tuple[Any, BaseException | None]] = SimpleQueue()
        self._after: Reads | None = None
        self._is_reading = False
        self._thread = threading.Thread(target=self._read_all, name="stopwise-reader", daemon=True)
        self._thread.start()  # before any file is read, since a thread needs memory to begin

    def answer(self, path: Path, *rest: Any) -> Any:
        """Return what `read` returns for a file.

        Raises
        ------
        FailedOnFileError
            If it takes too long.
        Exception
            Whatever `read` raises.
        """
        if self._after is not None:
            return self._after.answer(path, *rest)
        left_s = self._left_s(self._limits.time_s(size_of(path)))
        self._asked.put((path, *rest))
        self._is_reading = True
        while True:
            try:
                value, error = self._answers.get(timeout=max(left_s(), 0.05))
                break
            except Empty as late:
                if left_s() <= 0:
                    self._after = None if self._then is None else self._then()
                    raise FailedOnFileError(what_failed(TimeoutError())) from late
        self._is_reading = False
        if error is not None:
            raise error
        return value

    def close(self) -> None:
        """End the thread, unless it hangs with a file, and what came after it."""
        self._asked.put(None)
        if not self._is_reading:
            self._thread.join()
        if self._after is not None:
            self._after.close()

    def _left_s(self, most_s: float) -> Callable[[], float]:
        """Return what tells the seconds that a file which begins now has left at least."""
        besides_s, began, had = self._spent_besides_s(), time.monotonic(), time.process_time()

        def left_s() -> float:
            of_processor = most_s - (time.process_time() - had)
            in_all = MOST_BUSY_TIMES * most_s - (time.monotonic() - began)
            return min(of_processor, in_all) + self._spent_besides_s() - besides_s

        return left_s

    def _read_all(self) -> None:
        while (arguments := self._asked.get()) is not None:
            try:
                self._answers.put((self._read(*arguments), None))
            except BaseException as error:  # noqa: BLE001 (raised where the answer is waited for)
                self._answers.put((None, error))


def in_bounds(
    read: Callable[..., Any],
    path: Path,
    *rest: Any,
    spent_besides_s: Callable[[], float] = lambda: 0.0,
) -> Any:
    """Return what `read` returns for one file, held to what any file may take of this process.

    Parameters
    ----------
    read
        Reads the file, given its path and the rest.
    path, rest
        What it is given.
    spent_besides_s
        See :class:`InTime`.

    Raises
    ------
    Unreadable
        If it takes too long or too much memory, or `read` fails otherwise than by a
        `StopwiseError`. What hangs is held to its memory from then on.
    """
    files = InTime(read, limits=Limits(), spent_besides_s=spent_besides_s)
    let_go = hold_memory(beyond_now=True)
    try:
        value = files.answer(path, *rest)
    except FailedOnFileError as error:
        raise Unreadable(path, condition("decoder_failed"), str(error)) from error
    except StopwiseError:
        let_go()
        raise
    except Exception as error:
        let_go()
        raise Unreadable(path, condition("decoder_failed"), what_failed(error)) from error
    finally:
        files.close()
    let_go()
    return value


class BeyondBoundsError(ValueError):
    """A file says of itself what no camera writes; the text is a part of a sentence."""


class FileBytes:
    """Bytes at any place of a file or buffer; has no position, so that threads may share it.

    Parameters
    ----------
    size
        How many bytes there are.
    read
        Returns so many bytes from an offset within the size.
    """

    def __init__(self, size: int, read: Callable[[int, int], bytes]) -> None:
        self.size = size
        self._read = read
        self._taken = 0

    @classmethod
    def of(cls, data: bytes) -> FileBytes:
        """Return the bytes of a buffer."""
        return cls(len(data), lambda offset, length: data[offset : offset + length])

    def at(self, offset: int, length: int) -> bytes:
        """Return up to `length` bytes from `offset`; fewer, or none, past the end."""
        if not 0 <= offset < self.size:
            return b""
        return self._read(offset, max(min(length, self.size - offset), 0))

    def take(self, offset: int, length: int) -> bytes:
        """Return bytes as `at` does, and count them.

        Raises
        ------
        BeyondBoundsError
            If directories and tags have taken more than `MOST_TAKEN` by now.
        """
        found = self.at(offset, min(length, MOST_TAKEN))
        self._taken += len(found)
        if self._taken > MOST_TAKEN:
            msg = f"its tags hold more than {MOST_TAKEN >> 20} MB"
            raise BeyondBoundsError(msg)
        return found
