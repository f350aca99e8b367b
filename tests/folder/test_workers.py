"""Worker processes: what one file does to its worker costs no other file."""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from stopwise.errors import WrongUse
from stopwise.folder import workers
from stopwise.folder.one_file import FileAsked
from stopwise.folder.workers import Done, Failure, ProcessPool, Task
from stopwise.ledger import Stamp
from stopwise.raw.bounds import Limits
from support.watching import (
    InlinePool,
    StandIn,
    assess,
    assess_ready,
    make_ready,
    read,
    tiny_raw,
    wait_until,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

TIGHT = Limits(least_s=1.5, memory_bytes=2 << 30)


class Working:
    """A pool and the answers that it has given."""

    def __init__(self, pool: ProcessPool, folder: Path) -> None:
        self.pool = pool
        self.folder = folder
        self.done: dict[int, object] = {}

    def start(self, ticket: int, part: bytes = b"") -> None:
        path = self.folder / f"F{ticket}.dng"
        path.write_bytes(tiny_raw(ticket, part=part))
        self.pool.start(Task(ticket, (path, None), path.stat().st_size))

    def wait(self, *tickets: int) -> None:
        def are_done() -> bool:
            multiprocessing.connection.wait(self.pool.waitables(), 0.2)
            self.done |= {done.ticket: done.value for done in self.pool.finished()}
            return set(tickets) <= set(self.done)

        wait_until(are_done, limit_s=60)

    def verdict(self, ticket: int) -> str:
        answer = self.done[ticket]
        return (
            (answer.record.look or answer.record.verdict)
            if isinstance(answer, StandIn)
            else f"failed: {answer}"
        )


@pytest.fixture
def working(tmp_path: Path) -> Iterator[Working]:
    pool = ProcessPool(assess, size=1, limits=TIGHT)
    try:
        yield Working(pool, tmp_path)
    finally:
        pool.close()


def test_files_are_assessed_in_another_process(working: Working) -> None:
    working.start(1)
    working.start(2)
    working.wait(1, 2)
    for ticket in (1, 2):
        answer = working.done[ticket]
        assert isinstance(answer, StandIn)
        assert answer.record.timing_ms["pid"] != os.getpid()
    assert working.pool.room == 1


@pytest.mark.parametrize(
    ("part", "told"),
    [
        pytest.param(b"CRASH", "it crashed (exit -6), 2 times", id="crash"),
        pytest.param(b"HANG", "it took too long, 2 times", id="hang"),
        pytest.param(b"MEMORY", "it ran out of memory", id="memory"),
        pytest.param(b"RAISE", "RuntimeError: made to fail", id="error"),
    ],
)
@pytest.mark.skipif(sys.platform != "linux", reason="signals and memory limits are Linux's here")
def test_a_file_that_breaks_its_worker_costs_only_itself(
    working: Working, part: bytes, told: str
) -> None:
    working.start(1, part)
    working.start(2)
    working.wait(1, 2)
    assert working.done[1] == Failure(told)
    assert working.verdict(2) == "measured"
    working.start(3)
    working.wait(3)
    assert working.verdict(3) == "measured"


@pytest.fixture(params=[1, 2], ids=["one worker", "two workers"])
def readied(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Working]:
    pool = ProcessPool(assess_ready, prepare=make_ready, size=request.param, limits=TIGHT)
    try:
        yield Working(pool, tmp_path)
    finally:
        pool.close()


def test_a_worker_gets_ready_before_it_is_given_a_file(readied: Working) -> None:
    readied.pool.prepare("plan A")
    readied.start(1)
    readied.start(2)
    readied.wait(1, 2)
    readied.pool.prepare("plan B")
    readied.start(3)
    readied.wait(3)
    assert [readied.verdict(ticket) for ticket in (1, 2, 3)] == ["plan A", "plan A", "plan B"]


def test_getting_ready_takes_nothing_from_the_time_that_a_file_has(readied: Working) -> None:
    readied.pool.prepare("SLOW")
    readied.start(1)
    readied.wait(1)
    assert readied.verdict(1) == "SLOW"


@pytest.mark.skipif(sys.platform != "linux", reason="signals are Linux's here")
def test_getting_ready_that_ends_a_worker_is_not_tried_again(readied: Working) -> None:
    readied.pool.prepare("CRASH")
    for ticket in (1, 2):
        readied.start(ticket)
        readied.wait(ticket)
        assert readied.verdict(ticket) == "nothing"


@pytest.fixture
def hanging(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Working]:
    """Work with one worker, for which a file that hangs is slow at once and never too late."""
    monkeypatch.setattr(workers, "_SLOW_S", 0.2)
    with closing(ProcessPool(assess, size=1, limits=Limits(least_s=300))) as pool:
        yield Working(pool, tmp_path)


@pytest.mark.skipif(sys.platform != "linux", reason="signals are Linux's here")
def test_a_file_that_takes_long_gives_its_place_to_another_worker(hanging: Working) -> None:
    hanging.start(1, b"HANG")
    hanging.start(2)
    hanging.wait(2)
    assert set(hanging.done) == {2}
    assert hanging.pool.room == 1
    assert hanging.pool.slow == {1}


@pytest.mark.skipif(sys.platform != "linux", reason="signals are Linux's here")
def test_once_every_worker_hangs_one_gives_way_to_a_file_that_waits_and_its_own_comes_again(
    hanging: Working,
) -> None:
    pool = hanging.pool
    for ticket in (1, 2):
        hanging.start(ticket, b"HANG")
        wait_until(lambda ticket=ticket: pool.finished() == [] and ticket in pool.slow)
    wait_until(lambda: pool.finished() == [] and pool.room == 1)
    hanging.start(3)
    hanging.wait(3)
    assert hanging.verdict(3) == "measured"
    wait_until(lambda: pool.finished() == [] and pool.slow == {1, 2} and pool.room == 1)
    assert len(pool.waitables()) == 2  # never more than as many again
    hanging.start(4)
    hanging.wait(4)
    assert set(hanging.done) == {3, 4}


def test_where_workers_get_ready_slowly_a_file_is_called_slow_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workers, "_SLOW_S", 0.1)
    pool = ProcessPool(assess_ready, prepare=make_ready, size=1, limits=Limits(least_s=300))
    try:
        working = Working(pool, tmp_path)
        pool.prepare("SLOW")  # takes 2.5 s
        working.start(1)
        working.wait(1)
        began = time.monotonic()
        working.start(2)
        due = pool.next_due()
        assert due is not None
        assert due >= began + 2.5 / 2
    finally:
        pool.close()


def test_a_worker_that_was_begun_for_slow_files_is_kept_for_those_that_follow(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workers, "_SLOW_S", 0.0)
    monkeypatch.setattr(workers._Worker, "ready_s", 0.0)
    new_worker, begun = ProcessPool._new_worker, []
    monkeypatch.setattr(
        ProcessPool, "_new_worker", lambda pool: begun.append(pool) or new_worker(pool)
    )
    pool = ProcessPool(assess, size=1, limits=Limits(least_s=300))
    try:
        working = Working(pool, tmp_path)
        for ticket in range(4):
            working.start(ticket, b"SLOW")
            working.wait(ticket)
        assert len(begun) == 2
    finally:
        pool.close()


def test_large_files_are_given_more_time() -> None:
    limits = Limits()
    assert limits.time_s(1000) == 30
    assert limits.time_s(200_000_000) == 100


def fails_on_import(path: Path, brief: object) -> None:
    """Never reached: the worker's module can't be found."""


def test_a_worker_that_is_slow_to_start_is_given_more_time_and_never_given_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workers, "_START_S", 0.001)  # seven and more starts come too late
    pool = ProcessPool(assess, size=1, limits=TIGHT)
    try:
        working = Working(pool, tmp_path)
        working.start(1)
        working.wait(1)
        assert working.verdict(1) == "measured"
    finally:
        pool.close()


def test_workers_that_never_start_are_given_up_with_a_word(monkeypatch: pytest.MonkeyPatch) -> None:
    fails_on_import.__module__ = "support.not_there"
    monkeypatch.setitem(sys.modules, "support.not_there", sys.modules[__name__])
    pool = ProcessPool(fails_on_import, size=1)
    try:
        with pytest.raises(WrongUse, match="Worker processes can't be started"):
            ask_until(pool.finished)
    finally:
        pool.close()


def ask_until(ask: Callable[[], list[Done]], *, limit_s: float = 60) -> None:
    """Ask until it raises."""
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        ask()
        time.sleep(0.02)


PARENT = """
import os, signal, sys, time
sys.path[:0] = {paths!r}
from stopwise.folder.one_file import FileAsked
from stopwise.folder.workers import ProcessPool
from support.watching import assess
if __name__ == "__main__":
    pool = ProcessPool(assess, size=2)
    while not all(worker.doing.value == "nothing" for worker in pool._workers):
        pool.finished()
        time.sleep(0.02)
    print(*[worker.process.pid for worker in pool._workers], flush=True)
    os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
def test_workers_end_when_their_parent_is_killed(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    paths = [path for path in sys.path if path]
    script.write_text(PARENT.format(paths=paths), encoding="utf-8")
    ended = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=60, check=False
    )
    assert ended.returncode == -9, ended.stderr
    for pid in ended.stdout.split():
        wait_until(lambda pid=pid: not is_running(pid))


def is_running(pid: str) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return False
    return state != "Z"


def test_the_inline_pool_answers_as_a_worker_would(tmp_path: Path) -> None:
    pool = InlinePool(read)
    for ticket, part in enumerate((b"", b"RAISE")):
        path = tmp_path / f"F{ticket}.dng"
        path.write_bytes(tiny_raw(ticket, part=part))
        pool.start(Task(ticket, (FileAsked(str(path), Stamp.of(path.stat())),), 1))
    one, two = pool.finished()
    assert one.value.assessment.record.verdict == "measured"
    assert two.value == Failure("RuntimeError: made to fail")
    assert pool.finished() == []
