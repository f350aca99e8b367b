"""Worker processes: a crash, a hang or a flood of memory in one costs its file, not the watch."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from dataclasses import dataclass, field
from enum import Enum
from multiprocessing import parent_process
from multiprocessing.connection import wait
from typing import TYPE_CHECKING, Any, Protocol

from stopwise.errors import WrongUse, what_failed
from stopwise.folder.signals import beginning_a_process
from stopwise.raw.bounds import Limits, hold_memory

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from multiprocessing.connection import Connection
    from multiprocessing.context import SpawnProcess

_MOST_TRIES = 2
"""Times that a file is given to a worker: the first may have been ended by something else."""

_START_S = 60.0
"""Seconds that a worker may take to start, Python and our libraries from a cold disk; twice as many
after each that took longer, since a machine that others use may need minutes."""

_SLOW_S = 4.0
"""Seconds at one file after which a worker doesn't count as one any more, and another is begun in
its place, so that files which take long don't hold up the others. As many again as there are; once
all of these are slow too, the one that is longest at its file is ended where another waits."""

_SLOW_SHARE = 0.5
"""Of the time that a worker takes to get ready, which any file may take too: on a machine that is
busy with other things the watch would else do little but begin workers. A sample frame with its
plan was measured to take a ninth of it."""

_LATE_SHARE = 10.0
"""Likewise, after which a file is given up: 30 s where a worker takes three to get ready."""

_KEEP_S = 60.0
"""Seconds after which an idle worker over those that there are to be is ended."""

_END_S = 5.0  # for which a process that was killed is waited for
_PREPARE_TIMES = 10.0
"""How much longer than a small file's getting ready may take: a plan names ten frames or so."""

_MOST_FAILED_STARTS = 4  # in a row, before the watch says that workers can't be started
_NEVER = float("inf")
_LATE, _GAVE_WAY = what_failed(TimeoutError()), "others waited"


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

    @property
    def slow(self) -> set[int]:
        """Tickets of tasks that take long or have failed once: none is to wait for their answer."""

    def start(self, task: Task) -> None:
        """Begin a task."""

    def prepare(self, brief: Any) -> None:
        """Have workers that are idle get ready for tasks with this brief."""

    def finished(self) -> list[Done]:
        """Return the answers that have come, and see to workers that have failed."""

    def waitables(self) -> list[Connection | int]:
        """Return what becomes ready when an answer comes or a worker ends."""

    def next_due(self) -> float | None:
        """Return when a worker will have taken too long, on `time.monotonic`."""

    def close(self) -> None:
        """End all work at once."""


class _Doing(Enum):
    STARTING = "starting"
    NOTHING = "nothing"
    PREPARING = "preparing"
    ASSESSING = "assessing"


@dataclass(slots=True)
class _Worker:
    """A process with its pipe; `brief` is what it was made ready for, `failed` how it ended.

    It does what it does since `since`, and took `took` for what it did before.
    """

    process: SpawnProcess
    pipe: Connection
    since: float
    deadline: float
    took: dict[_Doing, float] = field(default_factory=dict)
    slow_at: float = _NEVER
    doing: _Doing = _Doing.STARTING
    task: Task | None = None
    brief: Any = None
    failed: str | None = None

    @property
    def ready_s(self) -> float:
        """Seconds that it took to start, and to get ready for what it is ready for."""
        return sum(self.took.get(doing, 0.0) for doing in (_Doing.STARTING, _Doing.PREPARING))

    def send(
        self, doing: _Doing, arguments: tuple[Any, ...], most_s: float, slow_s: float = _NEVER
    ) -> None:
        """Give it something to do, which is slow after `slow_s`."""
        self.doing, self.since = doing, time.monotonic()
        self.deadline, self.slow_at = self.since + most_s, self.since + slow_s
        try:
            self.pipe.send((doing is _Doing.PREPARING, arguments))
        except OSError:
            self.failed = "the worker ended"

    def hear(self) -> Iterator[Done]:
        """Yield the answer that has come, if one has."""
        while self.failed is None and self.pipe.poll():
            try:
                is_good, value = self.pipe.recv()
            except (EOFError, OSError):
                self.failed = "it crashed"
                return
            now = time.monotonic()
            self.took[self.doing] = now - self.since
            self.doing, self.since, self.deadline, self.slow_at = (
                _Doing.NOTHING,
                now,
                _NEVER,
                _NEVER,
            )
            task, self.task = self.task, None
            if task is not None:
                yield Done(task.ticket, value if is_good else Failure(value))


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
        self._brief: Any = None
        self._limits = limits or Limits()
        self._context = multiprocessing.get_context("spawn")
        self._size = size
        self._waiting: deque[Task] = deque()
        self._again: deque[Task] = deque()
        self._lost: list[Done] = []
        self._failed_starts, self._start_s = 0, _START_S
        self._workers: list[_Worker] = []
        try:
            self._workers += (self._new_worker() for _ in range(size))
        except BaseException:
            self.close()
            raise

    @property
    def room(self) -> int:
        """How many tasks can be begun now without waiting for another to end."""
        idle = sum(worker.task is None for worker in self._workers)
        if self._longest() is not None:
            idle += 1  # it gives way
        return max(idle - len(self._waiting), 0)

    @property
    def slow(self) -> set[int]:
        """Tickets of tasks that take long or have failed once: none is to wait for their answer."""
        now = time.monotonic()
        doing = [(worker.task, worker.slow_at) for worker in self._workers]
        slow = {task.ticket for task, at in doing if task and (at <= now or task.tries > 1)}
        return slow | {task.ticket for task in self._again}

    def start(self, task: Task) -> None:
        """Begin a task, or let it wait for a worker."""
        self._waiting.append(task)
        self._hand_out(self._waiting)

    def prepare(self, brief: Any) -> None:
        """Have each worker get ready for tasks with this brief, once, before it is given any."""
        if self._prepare is not None:
            self._brief = brief
            self._hand_out(self._waiting)

    def finished(self) -> list[Done]:
        """Return the answers that have come; replace workers that crashed or took too long."""
        self._hand_out(self._again)  # what still is idle now was idle when no other file waited
        starting = [worker for worker in self._workers if worker.doing is _Doing.STARTING]
        answers = [done for worker in self._workers for done in worker.hear()]
        if any(worker.doing is not _Doing.STARTING for worker in starting):
            self._failed_starts = 0
        now, longest = time.monotonic(), self._longest()
        for place, worker in enumerate(self._workers):
            if worker.failed is None and now >= worker.deadline:
                worker.failed = _LATE
            elif worker.failed is None and worker is longest and self._waiting and worker.task:
                worker.failed, worker.task.tries = _GAVE_WAY, worker.task.tries - 1
            if worker.failed is not None:
                self._end(worker)
                self._workers[place] = self._new_worker()
        self._make_up_for_slow(now)
        self._hand_out(self._waiting)
        lost, self._lost = self._lost, []
        return answers + lost

    def waitables(self) -> list[Connection | int]:
        """Return the workers' pipes; one whose process has ended becomes ready too."""
        return [worker.pipe for worker in self._workers]

    def next_due(self) -> float | None:
        """Return when a worker will have been slow, or taken too long, on `time.monotonic`."""
        now = time.monotonic()
        dues = (
            worker.deadline if worker.slow_at <= now else min(worker.slow_at, worker.deadline)
            for worker in self._workers
        )
        return min(dues, default=None)

    def close(self) -> None:
        """End all workers at once; what they were doing is lost."""
        ended, self._workers = self._workers, []
        _put_away(ended)

    def _new_worker(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(
            target=serve,
            args=(theirs, self._assess, self._prepare, self._limits.memory_bytes),
            name="stopwise-worker",
            daemon=True,
        )
        with beginning_a_process():
            process.start()
        theirs.close()
        now = time.monotonic()
        return _Worker(process, ours, now, now + self._start_s)

    def _make_up_for_slow(self, now: float) -> None:
        """Have as many workers as there are to be that aren't long at one file."""
        slow = sum(worker.slow_at <= now for worker in self._workers)
        wanted = self._size + min(slow, self._size)
        while len(self._workers) < wanted:
            self._workers.append(self._new_worker())
        for worker in list(self._workers):
            is_idle = worker.doing is _Doing.NOTHING and now >= worker.since + _KEEP_S
            if len(self._workers) > wanted and is_idle:
                self._workers.remove(worker)
                _put_away([worker])

    def _longest(self) -> _Worker | None:
        """Return who is longest at its file, once every worker that there may be is slow."""
        now = time.monotonic()
        if len(self._workers) < 2 * self._size or any(one.slow_at > now for one in self._workers):
            return None
        return min(self._workers, key=lambda worker: worker.slow_at)

    def _hand_out(self, tasks: deque[Task]) -> None:
        """Get idle workers ready first: what a file needs anyway mustn't count as its own time."""
        for worker in self._workers:
            if worker.doing is not _Doing.NOTHING:
                continue
            if self._brief is not None and worker.brief is not self._brief:
                worker.brief = self._brief
                most_s = _PREPARE_TIMES * self._limits.least_s
                worker.send(_Doing.PREPARING, (self._brief,), most_s)
            elif tasks:
                worker.task = tasks.popleft()
                worker.task.tries += 1
                ready_s = max(one.ready_s for one in self._workers)
                most_s = max(self._limits.time_s(worker.task.size), _LATE_SHARE * ready_s)
                slow_s = max(_SLOW_S, _SLOW_SHARE * ready_s)
                worker.send(_Doing.ASSESSING, worker.task.arguments, most_s, slow_s)

    def _end(self, worker: _Worker) -> None:
        """End a worker that failed; its file is tried once more, when no other waits."""
        worker.process.kill()
        worker.process.join(_END_S)
        code = worker.process.exitcode
        worker.pipe.close()
        if worker.doing is _Doing.STARTING and worker.failed == _LATE:
            self._start_s *= 2
        elif worker.doing is _Doing.STARTING:
            self._failed_starts += 1
            if self._failed_starts >= _MOST_FAILED_STARTS:
                msg = (
                    f"Worker processes can't be started (exit {code}, {self._failed_starts} "
                    "times). Run stopwise check on one frame: it needs none, and says what fails."
                )
                raise WrongUse(msg)
        if worker.doing is _Doing.PREPARING:
            self._brief = None  # what ended one worker would end the next
        task = worker.task
        if task is not None and task.tries < _MOST_TRIES:
            self._again.append(task)
        elif task is not None:
            told = f" (exit {code})" if worker.failed == "it crashed" else ""
            self._lost.append(
                Done(task.ticket, Failure(f"{worker.failed}{told}, {task.tries} times"))
            )


def _put_away(workers: list[_Worker]) -> None:
    for worker in workers:
        worker.pipe.close()
        worker.process.kill()
    for worker in workers:
        worker.process.join(_END_S)
        worker.process.close()


def serve(
    connection: Connection,
    assess: Callable[..., Any],
    prepare: Callable[..., Any] | None,
    memory_bytes: int,
) -> None:
    """Run a worker process: answer each request until the pipe is closed.

    A request is whether to prepare, and the arguments of `prepare` or `assess`; the answer is True
    and the value, or False and what happened. Ctrl-C is left to the parent, and nothing that a
    decoder prints reaches the terminal.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for output in (1, 2):
        os.dup2(nowhere, output)
    threading.Thread(target=_end_with_parent, name="stopwise-parent", daemon=True).start()
    hold_memory(memory_bytes)
    connection.send((True, os.getpid()))
    while True:
        try:
            is_ahead, arguments = connection.recv()
        except (EOFError, OSError):
            return
        try:
            act = prepare if is_ahead and prepare else assess
            answer: tuple[bool, Any] = (True, act(*arguments))
        except Exception as error:  # noqa: BLE001 (whatever it is, it costs this file and no other)
            answer = (False, what_failed(error))
        try:
            connection.send(answer)
        except (MemoryError, ValueError, TypeError, AttributeError) as error:
            connection.send((False, f"its answer can't be handed over: {error}"))


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(0)
