"""Small raw-like files, a stand-in for the assessment, and watchers to run in tests."""

from __future__ import annotations

import os
import struct
import sys
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from random import Random
from typing import TYPE_CHECKING, Any

from stopwise.conditions import condition
from stopwise.errors import Unreadable
from stopwise.folder.one_file import read_one
from stopwise.folder.supplies import Done, Failure, Task
from stopwise.folder.watcher import Hooks, Landing, Options, Seams, Waits, Watcher
from stopwise.pipeline.brief import Need, UnreadNeedsError
from stopwise.raw.whole import declared_end
from stopwise.record import Record, unreadable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from multiprocessing.connection import Connection
    from pathlib import Path

    from stopwise.folder.watch_notes import Note
    from stopwise.ledger import Ledger

QUICK = Waits(settle_s=0.6, rest_s=0.2, tell_s=0.2, retry_s=0.3)
"""Waits short enough for tests."""

PATIENCE_S = 120.0
"""What comes is waited for, however busy the machine is; only what never comes takes so long."""

_HEAD = struct.Struct("<2sHI")
_ENTRY = struct.Struct("<HHII")
_SHORT, _LONG = 3, 4


def tiny_raw(seed: int, *, size: int = 4096, part: bytes = b"") -> bytes:
    """Return a file in TIFF's form (TIFF 6.0, section 2) that promises one strip of `size` bytes.

    `part` stands at the strip's beginning and tells the stand-in what to do. The rest is random, so
    that no two seeds give one content.
    """
    entries = [(256, _LONG, size), (257, _LONG, 1), (273, _LONG, 0), (279, _LONG, size)]
    start = _HEAD.size + 2 + len(entries) * _ENTRY.size + 4
    values = [(tag, kind, start if tag == 273 else value) for tag, kind, value in entries]
    rows = b"".join(_ENTRY.pack(tag, kind, 1, value) for tag, kind, value in values)
    head = _HEAD.pack(b"II", 42, _HEAD.size) + struct.pack("<H", len(entries)) + rows + bytes(4)
    return head + part + Random(seed).randbytes(size - len(part))


@dataclass(frozen=True, slots=True)
class StandIn:
    """What the stand-in assessment returns."""

    record: Record
    picture: bytes = b""
    sha256: str | None = None


@dataclass
class Stock:
    """Stand in for the plan's own frames: a brief is the words that files need."""

    words: dict[str, Any] = field(default_factory=dict)

    def prepare(self, brief: str) -> list[str]:
        """Return the words of a brief; ask for those that aren't there."""
        brief = brief.replace("CHANGES", f"at-{time.time_ns()}")
        missing = [Need(word, (word,), 1) for word in brief.split() if word not in self.words]
        if missing:
            raise UnreadNeedsError(tuple(missing))
        return brief.split()

    def read_needed(self, word: str) -> bytes:
        """Read a word, or do what it says."""
        _misbehave(word.encode())
        return f"{word} read by {os.getpid()}".encode().ljust(100_000 if word == "LARGE" else 0)

    def supply(self, keys: Sequence[str], new: dict[str, Any]) -> None:
        """Take words in."""
        whole = {**self.words, **new}
        self.words = {key: whole[key] for key in keys if key in whole}


def assess_from(path: Path, brief: str, *, stock: Stock) -> StandIn:
    """Tell what there is in stock, once all of a brief is."""
    stock.prepare(brief)
    told = [f"{word}: {value}" for word, value in stock.words.items() if not _is_read(value)]
    return StandIn(Record(path.name, "measured", look="; ".join(told)), repr(stock.words).encode())


def _is_read(value: object) -> bool:
    return isinstance(value, bytes)


def assess(path: Path, brief: object = None) -> StandIn:
    """Stand in for the assessment: say "measured" of a whole file, do what its `part` says."""
    content = path.read_bytes()
    _misbehave(content[:200])
    if b"SLOW" in content[:200]:
        time.sleep(0.3)
    while b"WAITS" in content[:200] and not (path.parent / "go on").exists():
        time.sleep(0.01)
    end = declared_end(path)
    if end is None or end > len(content):
        error = Unreadable(path, condition("not_raw" if end is None else "cut_short"))
        return StandIn(unreadable(str(path), error))
    told = None if brief is None else str(brief)
    record = Record(str(path), "measured", look=told, timing_ms={"pid": os.getpid()})
    return StandIn(record, content[:16])


read = partial(read_one, assess)
"""What a worker does with a file where the stand-in assesses."""


def _misbehave(head: bytes) -> None:
    if b"CRASH" in head:
        os.abort()
    if b"HANG" in head:
        time.sleep(3600)
    if b"MEMORY" in head:
        sys.exit(len(bytearray(3 << 30)))
    if b"RAISE" in head:
        msg = "made to fail"
        raise RuntimeError(msg)


class InlinePool:
    """Reads files in the test's own process, one at a time: most tests don't need workers."""

    def __init__(self, answer: Callable[..., Any], *, supplied: Any = None) -> None:
        self._answer = answer
        self._supplied = supplied
        self._supplies: dict[Any, Any] = {}
        self._done: list[Done] = []

    @property
    def room(self) -> int:
        """One where no answer waits to be fetched."""
        return 0 if self._done else 1

    @property
    def slow(self) -> set[int]:
        """None: each is answered at once."""
        return set()

    def start(self, task: Task) -> None:
        """Assess a file now."""
        try:
            value = self._supplied_answer(task)
        except Exception as error:  # noqa: BLE001 (as a worker would answer)
            value = Failure(f"{type(error).__name__}: {error}")
        self._done.append(Done(task.ticket, value))

    def _supplied_answer(self, task: Task) -> Any:
        """Answer as soon as all that is needed was read."""
        while True:
            try:
                return self._answer(*task.arguments)
            except UnreadNeedsError as error:
                supplied = self._supplied
                new = {need.key: supplied.read_needed(*need.arguments) for need in error.needs}
                self._supplies |= new
                supplied.supply(tuple(self._supplies), new)

    def prepare(self, brief: Any) -> None:
        """Do nothing: this process reads what it needs as it goes."""

    def finished(self) -> list[Done]:
        """Return the answers since the last call."""
        done, self._done = self._done, []
        return done

    def waitables(self) -> list[Connection | int]:
        """Return nothing: answers are there at once."""
        return []

    def next_due(self) -> float | None:
        """Return now where answers wait, so that nobody sleeps over them."""
        return time.monotonic() if self._done else None

    def close(self) -> None:
        """Do nothing; there is no worker."""


@dataclass
class Heard:
    """What a watcher has told."""

    landings: list[Landing] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)

    @property
    def files(self) -> list[str]:
        """The records' files, in the order in which they were told."""
        return [landing.kept.record.file for landing in self.landings]

    @property
    def named(self) -> list[str]:
        """The notes' conditions."""
        return [told.condition.name for told in self.notes]

    def hooks(self, **more: Any) -> Hooks:
        """Return hooks that fill this."""
        return Hooks(on_record=self.landings.append, on_note=self.notes.append, **more)


@contextmanager
def watching(
    folder: Path,
    ledger: Ledger,
    *,
    heard: Heard | None = None,
    options: Options | None = None,
    seams: Seams | None = None,
    hooks: Hooks | None = None,
) -> Iterator[Heard]:
    """Run a watcher in a thread while the block runs."""
    heard = heard or Heard()
    watcher = Watcher(
        folder,
        ledger,
        assess,
        hooks=hooks or heard.hooks(),
        options=options or Options(waits=QUICK, sweep_s=0.2),
        seams=seams,
    )
    stop = threading.Event()
    failed: list[BaseException] = []
    thread = threading.Thread(target=_run, args=(watcher, stop, failed))
    thread.start()
    try:
        wait_until(lambda: watcher.is_watching or "other_watcher" in heard.named or failed)
        yield heard
    finally:
        stop.set()
        watcher.wake()
        thread.join(PATIENCE_S)
    assert not thread.is_alive(), "the watcher did not stop"
    if failed:
        raise failed[0]


def _run(watcher: Watcher, stop: threading.Event, failed: list[BaseException]) -> None:
    try:
        watcher.run(stop)
    except BaseException as error:  # noqa: BLE001 (handed to the test)
        failed.append(error)


def wait_until(condition_holds: Callable[[], object], *, limit_s: float = PATIENCE_S) -> None:
    """Wait until something holds; fail when it doesn't in time."""
    end = time.monotonic() + limit_s
    while not condition_holds():
        assert time.monotonic() < end, "what was waited for did not come"
        time.sleep(0.01)


def write_in_pieces(path: Path, content: bytes, *, pieces: int = 8, pause_s: float = 0.01) -> None:
    """Write a file slowly under its own name, as a camera's program may."""
    step = -(-len(content) // pieces)
    with path.open("wb") as stream:
        for start in range(0, len(content), step):
            stream.write(content[start : start + step])
            stream.flush()
            time.sleep(pause_s)


def write_and_rename(path: Path, content: bytes) -> None:
    """Write a file under a temporary name and rename it when it is whole."""
    part = path.with_name(f".{path.name}.part")
    part.write_bytes(content)
    part.replace(path)


def write_and_set_time(path: Path, content: bytes) -> None:
    """Write a file and set its time back, as a copy that keeps times does."""
    path.write_bytes(content)
    os.utime(path, (1_000_000_000, 1_000_000_000))


def write_reserved(path: Path, content: bytes) -> None:
    """Set a file's length first and fill it then, as some copying programs do."""
    with path.open("wb") as stream:
        stream.truncate(len(content))
        time.sleep(0.02)
        stream.write(content)


WAYS = (write_in_pieces, write_and_rename, write_and_set_time, write_reserved)
"""Four ways in which files land."""
