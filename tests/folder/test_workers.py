"""Worker processes: what one file does to its worker costs no other file."""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from functools import partial
from multiprocessing.util import get_temp_dir
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from stopwise.errors import WrongUse
from stopwise.folder import workers
from stopwise.folder.one_file import FileAsked
from stopwise.folder.supplies import Act, Done, Failure, PackedSupply, Task
from stopwise.folder.workers import ProcessPool
from stopwise.ledger import Stamp
from stopwise.raw.bounds import MOST_BYTES, Limits
from support.watching import (
    InlinePool,
    StandIn,
    Stock,
    assess,
    assess_from,
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

    def start(self, ticket: int, part: bytes = b"", *, brief: str | None = None) -> None:
        path = self.folder / f"F{ticket}.dng"
        path.write_bytes(tiny_raw(ticket, part=part))
        self.pool.start(Task(ticket, (path, brief), path.stat().st_size))

    def wait(self, *tickets: int) -> None:
        def are_done() -> bool:
            multiprocessing.connection.wait(self.pool.waitables(), 0.2)
            self.done |= {done.ticket: done.value for done in self.pool.finished()}
            return set(tickets) <= set(self.done)

        wait_until(are_done)

    def verdict(self, ticket: int) -> str:
        answer = self.done[ticket]
        return (
            (answer.record.look or answer.record.verdict)
            if isinstance(answer, StandIn)
            else f"failed: {answer}"
        )


@pytest.fixture
def working(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Working]:
    monkeypatch.setattr(workers, "_LATE_TIMES", 3.0)
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
def stocked(
    tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Working]:
    """Work with files that need words read first, for which anything is slow after a moment."""
    monkeypatch.setattr(workers, "_SLOW_S", 0.4)
    monkeypatch.setattr(workers, "_LATE_TIMES", 3.0)
    stock = Stock()
    with closing(
        ProcessPool(
            partial(assess_from, stock=stock), supplied=stock, size=request.param, limits=TIGHT
        )
    ) as pool:
        yield Working(pool, tmp_path)


def test_what_files_need_is_read_once_before_them_and_handed_to_every_worker(
    stocked: Working,
) -> None:
    pool = stocked.pool
    pool.prepare("one two")
    assert pool.room == 0
    wait_until(lambda: pool.finished() == [] and pool.room > 0)
    for ticket in range(4):
        stocked.start(ticket, brief="one two")
    stocked.wait(0, 1, 2, 3)
    assert len({stocked.done[ticket].picture for ticket in range(4)}) == 1
    assert {stocked.verdict(ticket) for ticket in range(4)} == {"measured"}


@pytest.mark.skipif(sys.platform != "linux", reason="the fork server is Linux's here")
def test_what_is_large_is_handed_on_in_a_file_and_read_again_where_that_is_gone(
    stocked: Working,
) -> None:
    def kept() -> list[Path]:
        return [path for path in Path(get_temp_dir()).iterdir() if path.is_file()]

    stocked.start(1, brief="LARGE")
    stocked.wait(1)
    [place] = kept()
    assert not stocked.pool._supplies.given()["LARGE"].data
    place.unlink()
    killed = list(stocked.pool._workers)
    for worker in killed:
        worker.process.kill()
    wait_until(
        lambda: (
            stocked.pool.finished() == []
            and not any(worker in stocked.pool._workers for worker in killed)
        )
    )
    stocked.start(2, brief="LARGE")
    stocked.wait(2)
    assert b"LARGE read by" in stocked.done[2].picture
    assert kept() not in ([], [place])
    stocked.pool.close()
    assert kept() == []


def test_what_no_file_can_hold_is_handed_on_as_it_is(tmp_path: Path) -> None:
    packed = PackedSupply.of(b"x" * 100_000, str(tmp_path / "gone"))
    assert packed.place is None
    assert packed.unpacked() == b"x" * 100_000


def test_a_file_that_needs_something_else_waits_until_it_is_read(stocked: Working) -> None:
    stocked.pool.prepare("one")
    stocked.start(1, brief="one")
    stocked.wait(1)
    stocked.start(2, brief="one three")
    stocked.wait(2)
    assert b"three read by" not in stocked.done[1].picture
    assert b"three read by" in stocked.done[2].picture
    stocked.pool.prepare("four")
    wait_until(lambda: stocked.pool.finished() == [] and stocked.pool.room > 0)
    stocked.start(3, brief="four")
    stocked.wait(3)
    assert b"three" not in stocked.done[3].picture  # nobody needs it any more


@pytest.mark.parametrize(
    ("does", "told"),
    [
        ("CRASH", "it crashed (exit -6), 2 times"),
        ("HANG", "it took too long, 2 times"),
        ("MEMORY", "it ran out of memory"),
        ("RAISE", "RuntimeError: made to fail"),
    ],
)
@pytest.mark.skipif(sys.platform != "linux", reason="signals and memory limits are Linux's here")
def test_something_needed_that_breaks_its_worker_costs_only_itself(
    stocked: Working, does: str, told: str
) -> None:
    stocked.pool.prepare(f"one {does}")
    wait_until(lambda: stocked.pool.finished() == [] and stocked.pool.room > 0)
    stocked.start(1, brief=f"one {does}")
    stocked.wait(1)
    assert b"one read by" in stocked.done[1].picture
    assert stocked.verdict(1) in {f"{does}: {told}", f"{does}: it isn't read yet"}
    wait_until(lambda: stocked.pool.finished() == [] and not stocked.pool.slow)
    stocked.start(2, brief=f"one {does}")
    stocked.wait(2)
    assert stocked.verdict(2) == f"{does}: {told}"


@pytest.mark.skipif(sys.platform != "linux", reason="signals are Linux's here")
def test_a_file_waits_longer_for_what_it_needs_while_that_waits_for_a_processor(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A verdict without one of the solos is another verdict, on a busy machine too."""
    monkeypatch.setattr(workers, "_SLOW_S", 0.4)
    monkeypatch.setattr(workers, "_SLOW_TIMES", 0.0)
    monkeypatch.setattr(workers, "_kept_waiting_s", lambda _: time.monotonic())
    stock = Stock()
    judge = partial(assess_from, stock=stock)
    with closing(ProcessPool(judge, supplied=stock, size=2, limits=Limits(least_s=300))) as pool:
        at_work = Working(pool, tmp_path)
        at_work.start(1, brief="HANG")
        at_work.start(2, brief="one")
        at_work.wait(2)
        until = time.monotonic() + 1.0
        while time.monotonic() < until:
            at_work.wait()
        assert 1 not in at_work.done
        monkeypatch.setattr(workers, "_kept_waiting_s", lambda _: 0.0)
        at_work.wait(1)
        assert at_work.verdict(1) == "HANG: it isn't read yet"


def test_nobody_waits_for_a_file_that_needs_something_which_changes_all_the_time(
    stocked: Working,
) -> None:
    stocked.start(1, brief="CHANGES")
    stocked.start(2, brief="one")
    stocked.wait(2)
    wait_until(lambda: stocked.pool.finished() == [] and stocked.pool.slow == {1})


@pytest.fixture
def hanging(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Working]:
    """Work with one worker, six at most, where files are slow soon and never too late."""
    monkeypatch.setattr(workers, "_SLOW_S", 0.4)
    monkeypatch.setattr(workers, "_SLOW_TIMES", 0.0)
    monkeypatch.setattr(Limits, "most_workers", 6)
    with closing(ProcessPool(assess, size=1, limits=Limits(least_s=300))) as pool:
        yield Working(pool, tmp_path)


@pytest.mark.skipif(sys.platform != "linux", reason="signals are Linux's here")
def test_where_all_take_long_each_that_waits_gets_a_worker_until_files_end_again(
    hanging: Working,
) -> None:
    pool = hanging.pool
    hanging.start(1, b"HANG")
    assert pool.room == 0
    wait_until(lambda: pool.finished() == [] and pool.room == 5)
    assert pool.slow == {1}, "it is long at its file, and nobody waits for it any more"
    ticket = 1
    while pool.room > 1:  # each good file narrows it by one, unless this machine is slow
        ticket += 1
        hanging.start(ticket)
        hanging.wait(ticket)
        assert ticket < 100
    assert 1 not in hanging.done


@pytest.mark.skipif(sys.platform != "linux", reason="signals are Linux's here")
def test_files_that_hang_one_after_another_are_seen_to_as_well(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a spare worker one more had always just begun, and two were read every two seconds."""
    monkeypatch.setattr(workers, "_SLOW_S", 1e6)
    monkeypatch.setattr(Limits, "most_workers", 6)
    with closing(ProcessPool(assess, size=2, limits=Limits(least_s=300))) as pool:
        working = Working(pool, tmp_path)

        def are_reading(count: int) -> bool:
            return pool.finished() == [] and sum(bool(one.task) for one in pool._workers) == count

        for ticket in range(2):
            working.start(ticket, b"HANG")
        wait_until(lambda: are_reading(2))
        pool._workers[0].long_at = 0.0
        working.start(2, b"HANG")
        wait_until(lambda: are_reading(3))
        pool._workers[1].long_at = 0.0
        wait_until(lambda: pool.finished() == [] and pool.room == 3)


@pytest.mark.skipif(sys.platform != "linux", reason="signals are Linux's here")
def test_nobody_is_ended_for_others_while_it_waits_for_a_processor(
    hanging: Working, monkeypatch: pytest.MonkeyPatch
) -> None:
    pool = hanging.pool
    monkeypatch.setattr(workers, "_kept_waiting_s", lambda _: time.monotonic())
    for ticket in range(20):
        hanging.start(ticket, b"HANG")
    wait_until(lambda: pool.finished() == [] and len(pool.slow) == 6)
    assert pool.room == 0
    monkeypatch.setattr(workers, "_kept_waiting_s", lambda _: 0.0)
    wait_until(lambda: pool.finished() == [] and len(pool.slow) > 6)


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
def test_the_system_tells_how_long_a_process_waits_for_a_processor(working: Working) -> None:
    assert workers._kept_waiting_s(os.getpid()) > 0
    assert workers._kept_waiting_s(None) == 0


@pytest.mark.skipif(sys.platform != "linux", reason="priorities are Linux's here")
def test_whoever_is_slow_leaves_the_processor_to_others_and_reads_nothing_after(
    hanging: Working, monkeypatch: pytest.MonkeyPatch
) -> None:
    pool, start = hanging.pool, hanging.start
    wait_until(lambda: pool.finished() == [] and pool._workers[0].act is Act.NOTHING)
    [first] = pool._workers
    start(1, b"WAITS")  # until a file beside it is there
    wait_until(lambda: pool.finished() == [] and first.is_low)
    assert pool.slow == {1}
    threads = [int(one.name) for one in Path(f"/proc/{first.process.pid}/task").iterdir()]
    assert {os.getpriority(os.PRIO_PROCESS, one) for one in threads} == {10}
    (hanging.folder / "go on").touch()
    hanging.wait(1)
    assert hanging.verdict(1) == "measured"
    wait_until(lambda: pool.finished() == [] and first not in pool._workers)
    start(2)
    hanging.wait(2)


@pytest.mark.skipif(sys.platform != "linux", reason="signals are Linux's here")
def test_behind_any_number_of_files_that_hang_a_file_is_read_and_theirs_come_again(
    hanging: Working,
) -> None:
    """Each round half of all workers may hang; those that hang longest are ended."""
    pool = hanging.pool
    for ticket in range(20):
        hanging.start(ticket, b"HANG")
    hanging.start(20)
    hanging.wait(20)
    assert hanging.verdict(20) == "measured"
    assert len(pool.waitables()) <= 6
    assert set(hanging.done) == {20}
    wait_until(lambda: pool.finished() == [] and pool.slow == set(range(20)))
    begun_again = [one for one in pool._workers if one.task is not None and one.task.gave_way]
    assert begun_again
    for worker in begun_again:  # though they have only just begun
        worker.long_at = worker.slow_at = float("inf")
    assert pool.slow == set(range(20))


def test_where_files_take_long_one_is_called_slow_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workers, "_SLOW_S", 0.0)
    with closing(ProcessPool(assess, size=1, limits=Limits(least_s=300))) as pool:
        working = Working(pool, tmp_path)
        for ticket in range(workers._LATELY):
            working.start(ticket, b"SLOW")  # takes 0.3 s
            working.wait(ticket)
        began = time.monotonic()
        working.start(99, b"SLOW")
        assert pool._workers[0].slow_at >= began + 4 * 0.3


def test_large_files_are_given_more_time() -> None:
    limits = Limits()
    assert limits.time_s(1000) == 30
    assert limits.time_s(200_000_000) == 100
    assert limits.time_s(1 << 40) == limits.time_s(MOST_BYTES)


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
    while [worker.act.value for worker in pool._workers] != ["nothing", "nothing"]:
        pool.finished()
        time.sleep(0.02)
    print(*[worker.process.pid for worker in pool._workers], flush=True)
    os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture
def temporary_folder() -> Iterator[Path]:
    """Yield a folder with a path that is short enough for a socket."""
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder)


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
@pytest.mark.parametrize(
    "name", ["short", pytest.param("too long to listen in" * 5, marks=pytest.mark.slow)]
)
def test_workers_end_when_their_parent_is_killed_and_nothing_is_left(
    tmp_path: Path, temporary_folder: Path, name: str
) -> None:
    temporary = temporary_folder / name
    temporary.mkdir()
    script = tmp_path / "parent.py"
    paths = [path for path in sys.path if path]
    script.write_text(PARENT.format(paths=paths), encoding="utf-8")
    ended = subprocess.run(
        [sys.executable, str(script)],
        env={**os.environ, "TMPDIR": str(temporary)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.returncode == -9, ended.stderr
    assert len(ended.stdout.split()) == 2
    for pid in ended.stdout.split():
        wait_until(lambda pid=pid: not is_running(pid))
    wait_until(lambda: not list(temporary.iterdir()))  # its fork server takes the socket away


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
