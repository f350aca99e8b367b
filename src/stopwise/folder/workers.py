"""Worker processes: a crash, a hang or a flood of memory in one costs its file, not the watch."""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import tempfile
import threading
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import chain
from multiprocessing import parent_process
from multiprocessing.connection import wait
from multiprocessing.util import get_temp_dir
from statistics import median
from typing import TYPE_CHECKING, Any

from stopwise.errors import WrongUse, what_failed
from stopwise.folder.signals import beginning_a_process
from stopwise.folder.supplies import Act, Done, Failure, PackedSupply, Supplies, Task
from stopwise.pipeline.brief import UnreadNeedsError
from stopwise.raw.bounds import FailedOnFileError, Limits, hold_memory, size_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from multiprocessing.connection import Connection
    from multiprocessing.process import BaseProcess
    from pathlib import Path

    from stopwise.folder.supplies import Supplied

_MOST_TRIES = 2
"""Times that a file is given to a worker: the first may have been ended by something else."""

_START_S = 60.0
"""Seconds that a worker may take to start, Python and our libraries from a cold disk; twice as many
after each that took longer, since a machine that others use may need minutes."""

_SLOW_S, _SLOW_TIMES = 4.0, 4.0
"""Seconds at one file, or times what files took lately where that is more, after which nobody waits
for a worker: other files' verdicts pass its own. At half of that it is long at it: others read in
its place, and it leaves the processor to them. So a good file behind such as hang is begun after
two seconds, and told at most three after it was read (`in_progress.Line`)."""

_STARVED_S = 10.0
"""Seconds more that files wait for what they need, while that waits for a processor."""

_LATE_TIMES = 30.0
"""Times what files took lately after which a file is given up, where that is more than its limit:
on a machine that is busy with other things any file takes long."""

_LATELY = 9  # files whose median that is
_LOW_PRIORITY = 10
"""Of a process that is slow (setpriority(2)): under Linux a ninth of the share that others have, so
that a dozen which hang leave nearly all of the processor, and one that only is slow still ends."""


_KEEP_S = 60.0
"""Seconds after which an idle worker over those that there are to be is ended."""

_END_S = 5.0  # for which a process that was killed is waited for
_MOST_FAILED_STARTS = 4  # in a row, before the watch says that workers can't be started
_NEVER = float("inf")
_LATE = what_failed(TimeoutError())

_LONGEST_FOLDER = 107 - len("/pymp-12345678/listener-12345678")
"""Bytes of the path of a temporary folder in which a fork server can listen (unix(7): 108 and the
zero at the end)."""

_CAN_LISTEN = len(os.fsencode(tempfile.gettempdir())) <= _LONGEST_FOLDER
_HOW = "forkserver" if sys.platform == "linux" and _CAN_LISTEN else "spawn"
"""Never a fork of a process that has decoded, which can lock up. The fork server only imports, so
that a worker is there within hundredths of a second; other systems' libraries don't bear a fork."""

_IMPORTED = [
    *("stopwise.pipeline", "stopwise.folder.one_file", "stopwise.raw.whole"),
    "stopwise.folder.fork_server",
    *("rawpy", "scipy.fft", "scipy.ndimage", "scipy.optimize", "scipy.special"),
]
"""What the fork server imports, so that every worker has it: of libraries what frames need."""


@dataclass(slots=True)
class _Worker:
    """A process with its pipe; it does what it does since `since`.

    `long_at` is when others are begun for it, `slow_at` when nobody waits for it any more; `has` is
    what it was supplied with, `failed` how it ended, `kept_waiting_s` how long it had waited for a
    processor before.
    """

    process: BaseProcess
    pipe: Connection
    since: float
    deadline: float
    long_at: float = _NEVER
    slow_at: float = _NEVER
    act: Act = Act.START
    task: Task | None = None
    has: dict[Any, Any] = field(default_factory=dict)
    failed: str | None = None
    is_low: bool = False
    kept_waiting_s: float = 0.0

    def give(self, task: Task, supplies: dict[Any, Any], *, slow_s: float, most_s: float) -> None:
        """Give it something to do, with what it lacks of what there is to have."""
        lacks = {key: value for key, value in supplies.items() if self.has.get(key) is not value}
        self.task, self.act, self.has, self.since = task, task.act, supplies, time.monotonic()
        self.long_at, self.slow_at = self.since + slow_s / 2, self.since + slow_s
        self.deadline = self.since + most_s
        self.kept_waiting_s = _kept_waiting_s(self.process.pid)
        task.tries += 1
        try:
            self.pipe.send((task.act, tuple(supplies), lacks, task.arguments))
        except OSError:
            self.failed = "the worker ended"

    def hear(self) -> Iterator[tuple[Task | None, Any, float]]:
        """Yield the answer that has come, if one has.

        First to which task (None: it has started), last after how many seconds.
        """
        while self.failed is None and self.pipe.poll():
            try:
                is_good, value = self.pipe.recv()
            except (EOFError, OSError):
                self.failed = "it crashed"
                return
            now = time.monotonic()
            task, took = self.task, now - self.since
            self.task, self.act, self.since = None, Act.NOTHING, now
            self.deadline = self.long_at = self.slow_at = _NEVER
            yield task, value if is_good else Failure(value), took

    def has_had_its_time(self, due: float) -> bool:
        """Tell whether a time has come for it without its having waited for a processor meanwhile.

        Such is due after so long at a file: `long_at`, `slow_at`.
        """
        waited_s = _kept_waiting_s(self.process.pid) - self.kept_waiting_s
        return time.monotonic() - waited_s >= due

    def lower_priority(self) -> None:
        """Leave the processor to others; it can't be undone without the rights of the system."""
        self.is_low = True
        if not hasattr(os, "setpriority"):
            return
        threads = [self.process.pid or 0]
        with suppress(OSError):  # where the system lists threads, each has its own priority
            threads = [int(name) for name in os.listdir(f"/proc/{self.process.pid}/task")]  # noqa: PTH208 (a quick start)
        for thread in threads:
            with suppress(OSError):
                os.setpriority(os.PRIO_PROCESS, thread, _LOW_PRIORITY)


class ProcessPool:
    """Workers that are begun in a process of their own making, never forked from one that decodes.

    Parameters
    ----------
    assess
        A function of a module's top level; it and its arguments and answers are pickled.
    supplied
        What in each worker holds what files need besides; None where they need nothing.
    size
        Number of workers.
    limits
        What each may use.
    """

    def __init__(
        self,
        assess: Callable[..., Any],
        *,
        supplied: Supplied | None = None,
        size: int = 2,
        limits: Limits | None = None,
    ) -> None:
        self._assess, self._supplied = assess, supplied
        self._limits = limits or Limits()
        self._context: Any = multiprocessing.get_context(_HOW)
        self._context.set_forkserver_preload(_IMPORTED)
        self._size, self._most = size, max(2 * size, self._limits.most_workers)
        self._abreast, self._answered_at = size, 0.0
        self._waiting: deque[Task] = deque()
        self._again: deque[Task] = deque()
        self._supplies = Supplies()
        self._preparing: Task | None = None
        self._lost: list[Done] = []
        self._failed_starts, self._start_s = 0, _START_S
        self._took: deque[float] = deque(maxlen=_LATELY)
        self._workers: list[_Worker] = []
        try:
            self._see_to_workers()
        except BaseException:
            self.close()
            raise

    @property
    def room(self) -> int:
        """How many tasks can be begun now without waiting for another to end."""
        if self._preparing is not None:
            return 0
        return max(self._free() + len(self._too_many_long()) - len(self._waiting), 0)

    @property
    def slow(self) -> set[int]:
        """Tickets of tasks that take long, failed or gave way: none is to wait for their answer.

        While more read abreast than there are to be, who is long at a file may be passed already:
        most of them hang.
        """
        now = time.monotonic()
        by_most = self._workers if self._abreast > self._size else ()
        long = (worker.task for worker in by_most if worker.long_at <= now)
        return {task.ticket for task in chain(self._slow_tasks(), long) if task is not None}

    def start(self, task: Task) -> None:
        """Begin a task, or let it wait for a worker."""
        self._waiting.append(task)
        self._see_to_workers()
        self._hand_out(self._waiting)

    def prepare(self, brief: Any) -> None:
        """Have what tasks with this brief need read before any of them."""
        if self._supplied is not None:
            self._supplies.forget(self._preparing)
            self._preparing = Task(0, (brief,), 0, Act.PREPARE)
            self._waiting.appendleft(self._preparing)
            self._hand_out(self._waiting)

    def finished(self) -> list[Done]:
        """Return the answers that have come; replace workers that crashed or took too long."""
        self._hand_out(self._again)  # what still is idle now was idle when no other file waited
        answers = [done for worker in self._workers for done in self._hear(worker)]
        self._see_to_workers()
        for task in self._slow_tasks():
            if task.act is Act.SUPPLY:
                self._supplies.pass_over(task)
            elif task is self._preparing:
                self._preparing = None
        self._supplies.put_in_line(self._waiting)
        self._hand_out(self._waiting)
        lost, self._lost = self._lost, []
        return answers + lost

    def waitables(self) -> list[Connection | int]:
        """Return the workers' pipes; one whose process has ended becomes ready too."""
        return [worker.pipe for worker in self._workers]

    def next_due(self) -> float | None:
        """Return when a worker will have been slow, or taken too long, on `time.monotonic`."""
        now = time.monotonic()
        if self._waiting and self._too_many_long():
            return now
        dues = ((worker.long_at, worker.slow_at, worker.deadline) for worker in self._workers)
        return min((due for due in chain(*dues) if due > now), default=None)

    def close(self) -> None:
        """End all workers at once; what they were doing is lost."""
        ended, self._workers = self._workers, []
        _put_away(ended)
        self._supplies.keep_only(())

    def _hear(self, worker: _Worker) -> Iterator[Done]:
        """Yield a worker's answer to a file; what else it says is taken in."""
        for task, value, took in worker.hear():
            if task is None:
                self._failed_starts = 0
                if not self._took:
                    self._took.append(took)
                continue
            self._answered_at = time.monotonic()
            self._abreast = max(self._abreast - 1, self._size)
            if isinstance(value, UnreadNeedsError):
                task.tries -= 1
                for key in {need.key for need in value.needs} & worker.has.keys():
                    self._supplies.lose(key)  # its file was gone
                self._waiting.extendleft(self._supplies.wanted_by(task, value.needs))
                continue
            if task.act is not Act.PREPARE:
                self._took.append(took)
            yield from self._take(task, value)

    def _take(self, task: Task, value: Any) -> Iterator[Done]:
        """Take in what came of a task; yield it where it is a file's."""
        if task.act is Act.SUPPLY:
            self._supplies.take(task, value)
        elif task is self._preparing:
            self._preparing = None
            if not isinstance(value, Failure):
                self._supplies.keep_only(value)
        elif task.act is Act.ASSESS:
            yield Done(task.ticket, value)

    def _see_to_workers(self) -> None:
        """End those that failed or are to give way, and have as many as there are to be."""
        now = time.monotonic()
        is_any_fresh = any(worker.task and worker.long_at > now for worker in self._workers)
        for worker in self._workers:
            if worker.failed is None and now >= worker.deadline:
                worker.failed = _LATE
            gives_way_at = worker.long_at if is_any_fresh else worker.slow_at
            if gives_way_at <= now and not worker.is_low:
                worker.lower_priority()
        idle = sum(worker.task is None for worker in self._workers)
        for worker in self._too_many_long()[: max(len(self._waiting) - idle, 0)]:
            worker.failed = "others waited"
            if worker.task is not None:
                worker.task.tries -= 1
                worker.task.gave_way = True
        for worker in [worker for worker in self._workers if worker.failed is not None]:
            self._workers.remove(worker)
            self._end(worker)
        wanted = self._wanted(now)
        for worker in list(self._workers):
            is_idle = worker.act is Act.NOTHING
            is_spare = is_idle and now >= worker.since + _KEEP_S and len(self._workers) > wanted
            if is_spare or (is_idle and worker.is_low):
                self._workers.remove(worker)
                _put_away([worker])
        for _ in range(wanted - len(self._workers)):
            self._begin_worker()

    def _wanted(self, now: float) -> int:
        """Return how many workers there are to be, and see how many may read abreast.

        Where as many as there are to be are long at their files, and none has ended since they were
        begun, each file that waits is given a worker; every file that ends narrows that by one.
        """
        at_work = [worker for worker in self._workers if worker.task is not None]
        long = [worker for worker in at_work if worker.long_at <= now]
        if sum(worker.since > self._answered_at for worker in long) >= self._size:
            self._abreast = self._most
        reading = len(at_work) + min(len(self._waiting), self._free())
        return min(max(self._size + len(long), reading), self._most)

    def _free(self) -> int:
        """Return how many more may begin to read: who is long at a file isn't counted."""
        now = time.monotonic()
        at_work = [worker for worker in self._workers if worker.task is not None]
        fresh = sum(worker.long_at > now for worker in at_work)
        return max(min(self._abreast - fresh, self._most - len(at_work)), 0)

    def _too_many_long(self) -> list[_Worker]:
        """Return who is to give way where files wait, longest first.

        Once there are as many workers as there may be, no more than half are to be long at a file;
        who is so for want of a processor would take no less time if it began again.
        """
        now = time.monotonic()
        long = [worker for worker in self._workers if worker.long_at <= now]
        if len(self._workers) < self._most:
            return []
        most = max(len(long) - self._most // 2, 0)
        had = (worker for worker in long if worker.has_had_its_time(worker.long_at))
        return sorted(had, key=lambda worker: worker.since)[:most]

    def _slow_tasks(self) -> Iterator[Task]:
        now = time.monotonic()
        for worker in self._workers:
            task = worker.task
            if task is not None and (task.tries > 1 or task.gave_way or _is_slow(worker, now)):
                yield task
        yield from self._again
        yield from self._supplies.waits_long()

    def _hand_out(self, tasks: deque[Task]) -> None:
        for worker in self._workers:
            if tasks and worker.act is Act.NOTHING and not worker.is_low and self._free():
                lately = median(self._took or [0.0])
                most_s = max(self._limits.time_s(tasks[0].size), _LATE_TIMES * lately)
                slow_s = max(_SLOW_S, _SLOW_TIMES * lately)
                given = self._supplies.given()
                worker.give(tasks.popleft(), given, slow_s=slow_s, most_s=most_s)

    def _begin_worker(self) -> None:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(
            target=serve,
            args=(
                *(theirs, self._assess, self._supplied),
                *(_folder_of_supplies(), self._limits.memory_bytes),
            ),
            name="stopwise-worker",
            daemon=True,
        )
        began = time.monotonic()
        try:
            with beginning_a_process():
                process.start()
        except (OSError, EOFError) as error:  # the fork server was ended; the next try begins one
            ours.close()
            self._see_failed_start(what_failed(error))
        else:
            self._workers.append(_Worker(process, ours, began, began + self._start_s))
        finally:
            theirs.close()

    def _see_failed_start(self, what: str) -> None:
        """Count a start that failed.

        Raises
        ------
        WrongUse
            If it is one too many in a row.
        """
        self._failed_starts += 1
        if self._failed_starts >= _MOST_FAILED_STARTS:
            msg = (
                f"Worker processes can't be started ({what}, {self._failed_starts} times). "
                "Run stopwise check on one frame: it needs none, and says what fails."
            )
            raise WrongUse(msg)

    def _end(self, worker: _Worker) -> None:
        """End a worker that failed; its file is tried once more, when no other waits."""
        worker.process.kill()
        worker.process.join(_END_S)
        code = worker.process.exitcode
        worker.pipe.close()
        if worker.act is Act.START and worker.failed == _LATE:
            self._start_s *= 2
        elif worker.act is Act.START:
            self._see_failed_start(f"exit {code}")
        task = worker.task
        if task is not None and task.tries < _MOST_TRIES and task.act is not Act.PREPARE:
            self._again.append(task)
        elif task is not None:
            told = f" (exit {code})" if worker.failed == "it crashed" else ""
            failure = Failure(f"{worker.failed}{told}, {task.tries} times")
            self._lost.extend(self._take(task, failure))


def _is_slow(worker: _Worker, now: float) -> bool:
    """Tell whether nobody is to wait for a worker any more.

    A verdict without one of the solos is another verdict: what files need is waited for longer
    while it waits for a processor itself.
    """
    if worker.act is not Act.SUPPLY or worker.slow_at + _STARVED_S <= now:
        return worker.slow_at <= now
    return worker.has_had_its_time(worker.slow_at)


def _kept_waiting_s(pid: int | None) -> float:
    """Return the seconds that a process has waited for a processor, 0 where the system is silent.

    Linux tells them of its main thread (proc-schedstat: time on the run queue, nanoseconds).
    """
    try:
        with open(f"/proc/{pid}/schedstat", encoding="ascii") as told:  # noqa: PTH123 (quick start)
            return int(told.read().split()[1]) / 1e9
    except (OSError, ValueError, IndexError):
        return 0.0


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
    supplied: Supplied | None,
    folder: str | None,
    memory_bytes: int,
) -> None:
    """Run a worker process: answer each request until the pipe is closed.

    A request is what to do, the keys of all supplies, those that are new, and the arguments; the
    answer is True and the value, or False and what happened. Ctrl-C is left to the parent, and
    nothing that a decoder prints reaches the terminal.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for output in (1, 2):
        os.dup2(nowhere, output)
    end_with_parent()
    hold_memory(memory_bytes)
    does = {Act.ASSESS: assess}
    if (from_files := supplied) is not None:
        does |= {
            Act.PREPARE: from_files.prepare,
            Act.SUPPLY: lambda *file: PackedSupply.of(from_files.read_needed(*file), folder),
        }
    connection.send((True, os.getpid()))
    while True:
        try:
            act, keys, new, arguments = connection.recv()
        except (EOFError, OSError):
            return
        answer: tuple[bool, Any]
        try:
            if supplied is not None:
                supplied.supply(keys, dict(_unpacked(new)))
            answer = (True, does[act](*arguments))
        except UnreadNeedsError as error:
            answer = (True, error)
        except Exception as error:  # noqa: BLE001 (whatever it is, it costs this file and no other)
            answer = (False, what_failed(error))
        try:
            connection.send(answer)
        except (MemoryError, ValueError, TypeError, AttributeError) as error:
            connection.send((False, f"its answer can't be handed over: {error}"))


def _folder_of_supplies() -> str | None:
    """Return where workers put what they hand on: in a folder that our fork server takes away."""
    return get_temp_dir() if _HOW == "forkserver" else None


def _unpacked(new: dict[Any, PackedSupply]) -> Iterator[tuple[Any, Any]]:
    """Yield what is new; what was dropped meanwhile is asked for again where it is needed."""
    for key, packed in new.items():
        with suppress(OSError):
            yield key, packed.unpacked()


def end_with_parent() -> None:
    """Let this process end once the one that began it is gone, however that ended."""
    threading.Thread(target=_await_parent, name="stopwise-parent", daemon=True).start()


def _await_parent() -> None:
    parent = parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(0)


_LOOK_S = 0.5
"""Seconds of one wait for the worker, in which on some systems Ctrl-C isn't heard."""


class OneWorker:
    """Reads files one after another in a process of its own; see :class:`raw.bounds.InTime`."""

    def __init__(self, read: Callable[..., Any], limits: Limits) -> None:
        self._pool = ProcessPool(read, size=1, limits=limits)

    def answer(self, path: Path, *rest: Any) -> Any:
        """Return what `read` returns for a file.

        Raises
        ------
        FailedOnFileError
            If it raised anything, or the worker broke.
        """
        self._pool.start(Task(0, (path, *rest), size_of(path)))
        while not (done := self._pool.finished()):
            wait(self._pool.waitables(), _LOOK_S)
        value = done[0].value
        if isinstance(value, Failure):
            raise FailedOnFileError(value.what)
        return value

    def close(self) -> None:
        """End the worker."""
        self._pool.close()
