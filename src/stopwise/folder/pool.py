"""Worker processes: a crash, a hang or a flood of memory in one costs its file, not the watcher."""

from __future__ import annotations

import multiprocessing
import signal
import time
from collections import deque
from contextlib import contextmanager
from dataclasses import dataclass, field
from multiprocessing import resource_tracker
from typing import TYPE_CHECKING, Any, Protocol

from stopwise.errors import WrongUse
from stopwise.folder.worker import serve

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from multiprocessing.connection import Connection
    from multiprocessing.context import SpawnProcess

_MEGABYTE = 1_000_000
_MOST_TRIES = 2
_START_S = 60.0
_END_S = 5.0
_PREPARE_TIMES = 10.0
"""How much longer than a small file's getting ready may take: a plan names ten frames or so."""

_MOST_FAILED_STARTS = 4


@dataclass(frozen=True, slots=True)
class Limits:
    """What a worker may use for one file.

    Attributes
    ----------
    least_s, per_megabyte_s
        Time: the greater of `least_s` and the file's size times `per_megabyte_s`.
    memory_bytes
        Address space of a worker; None for no limit. The system holds to it on Linux.
    """

    least_s: float = 30.0
    per_megabyte_s: float = 0.5
    memory_bytes: int | None = 8 << 30

    def time_s(self, size: int) -> float:
        """Return the seconds that a file of `size` bytes may take."""
        return max(self.least_s, self.per_megabyte_s * size / _MEGABYTE)


@dataclass(frozen=True, slots=True)
class Failure:
    """Why no assessment came back: what the worker did, as a part of a sentence."""

    what: str


@dataclass(slots=True)
class Task:
    """One file to assess: a ticket that comes back with the answer, arguments, size in bytes."""

    ticket: int
    arguments: tuple[Any, ...]
    size: int
    tries: int = 0


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

    def start(self, task: Task) -> None:
        """Begin a task."""

    def prepare(self, brief: Any) -> None:
        """Have workers that are idle get ready for tasks with this brief."""

    def finished(self) -> list[Done]:
        """Return the answers that have come, and see to workers that have failed."""

    def waitables(self) -> list[Connection | int]:
        """Return what becomes ready when an answer comes or a worker ends."""

    def next_deadline(self) -> float | None:
        """Return when a worker will have taken too long, on `time.monotonic`."""

    def close(self) -> None:
        """End all work at once."""


@dataclass(slots=True)
class _Worker:
    process: SpawnProcess
    pipe: Connection
    deadline: float
    is_ready: bool = False
    task: Task | None = None
    ahead: Any = None
    is_preparing: bool = False
    what_failed: str | None = field(default=None)

    @property
    def is_free(self) -> bool:
        """Whether it can be given something now."""
        return self.is_ready and self.task is None and not self.is_preparing


class ProcessPool:
    """Workers that are spawned, never forked: decoders can lock up in a forked child.

    Parameters
    ----------
    assess
        A function of a module's top level; it and its arguments and answers are pickled.
    prepare
        A function like it, called in a worker that is idle with what `prepare` of the pool is
        given; its answer counts for nothing.
    size
        Number of workers.
    limits
        What each may use.
    """

    def __init__(
        self,
        assess: Callable[..., Any],
        *,
        prepare: Callable[..., Any] | None = None,
        size: int = 2,
        limits: Limits | None = None,
    ) -> None:
        self._assess = assess
        self._prepare = prepare
        self._ahead: Any = None
        self._limits = limits or Limits()
        self._context = multiprocessing.get_context("spawn")
        self._waiting: deque[Task] = deque()
        self._lost: list[Done] = []
        self._failed_starts = 0
        self._workers: list[_Worker] = []
        try:
            self._workers += (self._new_worker() for _ in range(size))
        except BaseException:
            self.close()
            raise

    @property
    def room(self) -> int:
        """How many tasks can be begun now without waiting for another to end."""
        busy = sum(worker.task is not None for worker in self._workers)
        return max(len(self._workers) - busy - len(self._waiting), 0)

    def start(self, task: Task) -> None:
        """Begin a task, or let it wait for a worker."""
        self._waiting.append(task)
        self._hand_out()

    def prepare(self, brief: Any) -> None:
        """Have each worker get ready for tasks with this brief, once, before it is given any."""
        if self._prepare is not None:
            self._ahead = brief
            self._hand_out()

    def finished(self) -> list[Done]:
        """Return the answers that have come; replace workers that crashed or took too long."""
        now = time.monotonic()
        answers = [done for worker in self._workers for done in self._hear(worker)]
        for place, worker in enumerate(self._workers):
            if worker.what_failed is None and now >= worker.deadline:
                worker.what_failed = "it took too long"
            if worker.what_failed is not None:
                self._workers[place] = self._replace(worker)
        self._hand_out()
        lost, self._lost = self._lost, []
        return answers + lost

    def waitables(self) -> list[Connection | int]:
        """Return the workers' pipes; one whose process has ended becomes ready too."""
        return [worker.pipe for worker in self._workers]

    def next_deadline(self) -> float | None:
        """Return when a worker will have taken too long, on `time.monotonic`."""
        return min((worker.deadline for worker in self._workers), default=None)

    def close(self) -> None:
        """End all workers at once; what they were doing is lost."""
        for worker in self._workers:
            worker.pipe.close()
            worker.process.kill()
        ended, self._workers = self._workers, []
        for worker in ended:
            worker.process.join(_END_S)
            worker.process.close()

    def _new_worker(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(
            target=serve,
            args=(theirs, self._assess, self._prepare, self._limits.memory_bytes),
            name="stopwise-worker",
            daemon=True,
        )
        with _deaf_to_interrupt():
            process.start()
        theirs.close()
        return _Worker(process, ours, time.monotonic() + _START_S)

    def _hand_out(self) -> None:
        """Get idle workers ready first: what a file needs anyway mustn't count as its own time."""
        for worker in self._workers:
            if worker.is_free and self._ahead is not None and worker.ahead is not self._ahead:
                self._get_ready(worker)
            elif self._waiting and worker.is_free:
                self._give(worker, self._waiting.popleft())

    def _give(self, worker: _Worker, task: Task) -> None:
        task.tries += 1
        worker.task = task
        self._send(worker, (False, task.arguments), self._limits.time_s(task.size))

    def _get_ready(self, worker: _Worker) -> None:
        worker.ahead, worker.is_preparing = self._ahead, True
        self._send(worker, (True, (self._ahead,)), _PREPARE_TIMES * self._limits.least_s)

    def _send(self, worker: _Worker, request: tuple[bool, tuple[Any, ...]], most_s: float) -> None:
        worker.deadline = time.monotonic() + most_s
        try:
            worker.pipe.send(request)
        except OSError:
            worker.what_failed = "the worker ended"

    def _hear(self, worker: _Worker) -> Iterator[Done]:
        while worker.what_failed is None and worker.pipe.poll():
            try:
                is_good, value = worker.pipe.recv()
            except (EOFError, OSError):
                worker.what_failed = "it crashed"
                return
            worker.deadline = _NEVER
            if not worker.is_ready:
                worker.is_ready = True
                self._failed_starts = 0
            elif worker.is_preparing:
                worker.is_preparing = False
            elif worker.task is not None:
                task, worker.task = worker.task, None
                yield Done(task.ticket, value if is_good else Failure(value))

    def _replace(self, worker: _Worker) -> _Worker:
        """End a worker and put a new one in its place; its file is tried once more."""
        worker.process.kill()
        worker.process.join(_END_S)
        code = worker.process.exitcode
        worker.pipe.close()
        if not worker.is_ready:
            self._count_failed_start(code)
        if worker.is_preparing:
            self._ahead = None  # what ended one worker would end the next
        task = worker.task
        if task is not None and task.tries < _MOST_TRIES:
            self._waiting.appendleft(task)
        elif task is not None:
            how = worker.what_failed or "it failed"
            told = f" (exit {code})" if how == "it crashed" else ""
            self._lost.append(Done(task.ticket, Failure(f"{how}{told}, {task.tries} times")))
        return self._new_worker()

    def _count_failed_start(self, code: int | None) -> None:
        self._failed_starts += 1
        if self._failed_starts >= _MOST_FAILED_STARTS:
            msg = (
                f"Worker processes can't be started (exit {code}, {self._failed_starts} times). "
                "Run stopwise check on one frame: it needs none, and says what fails."
            )
            raise WrongUse(msg)


@contextmanager
def _deaf_to_interrupt() -> Iterator[None]:
    """Have a process that is begun meanwhile never hear Ctrl-C, from its first moment on."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # it would let Ctrl-C through again while it starts
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


_NEVER = float("inf")


class InlinePool:
    """Assesses in the caller's own process, one file at a time: for tests and for short runs."""

    def __init__(self, assess: Callable[..., Any]) -> None:
        self._assess = assess
        self._done: list[Done] = []

    @property
    def room(self) -> int:
        """One where no answer waits to be fetched."""
        return 0 if self._done else 1

    def start(self, task: Task) -> None:
        """Assess a file now."""
        try:
            value = self._assess(*task.arguments)
        except Exception as error:  # noqa: BLE001 (as a worker would answer)
            value = Failure(f"{type(error).__name__}: {error}")
        self._done.append(Done(task.ticket, value))

    def prepare(self, brief: Any) -> None:
        """Do nothing: this process reads what it needs as it goes."""

    def finished(self) -> list[Done]:
        """Return the answers since the last call."""
        done, self._done = self._done, []
        return done

    def waitables(self) -> list[Connection | int]:
        """Return nothing: answers are there at once."""
        return []

    def next_deadline(self) -> float | None:
        """Return now where answers wait, so that nobody sleeps over them."""
        return time.monotonic() if self._done else None

    def close(self) -> None:
        """Do nothing; there is no worker."""
