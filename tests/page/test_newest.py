"""Work that is done newest first."""

from __future__ import annotations

import threading

import pytest

from stopwise.page.newest import NewestFirst


def test_what_was_asked_last_is_done_first() -> None:
    worker, begun, gate = NewestFirst("test"), threading.Event(), threading.Event()
    done: list[int] = []
    first = worker.submit(lambda: (begun.set(), gate.wait()))
    begun.wait(5)
    waiting = [worker.submit(lambda k=k: done.append(k)) for k in range(5)]  # type: ignore[misc]
    gate.set()
    for future in (first, *waiting):
        future.result(5)
    worker.close()
    assert done == [4, 3, 2, 1, 0]


def test_a_failure_belongs_to_who_asked_and_the_thread_goes_on() -> None:
    worker = NewestFirst("test")
    failed = worker.submit(lambda: 1 // 0)
    with pytest.raises(ZeroDivisionError, match="division"):
        failed.result(5)
    assert worker.submit(lambda: 2).result(5) == 2
    worker.close()


def test_closing_cancels_what_waits_and_what_is_asked_after() -> None:
    worker, begun, gate = NewestFirst("test"), threading.Event(), threading.Event()
    busy = worker.submit(lambda: (begun.set(), gate.wait()))
    begun.wait(5)
    waiting = worker.submit(lambda: 3)
    worker.close()
    gate.set()
    busy.result(5)
    for future in (waiting, worker.submit(lambda: 4)):
        assert future.cancelled()
