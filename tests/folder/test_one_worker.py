"""Files read one after another, each in its time: here, and in a worker after one took too long."""

from __future__ import annotations

import os
import threading
from contextlib import closing, contextmanager
from functools import partial
from itertools import chain, repeat
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest

from stopwise.folder.workers import OneWorker
from stopwise.raw import bounds
from stopwise.raw.bounds import FailedOnFileError, InTime, Limits
from support.hanging_read import HANGS, RELEASED, read
from support.watching import tiny_raw, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


class ShortForOne(Limits):
    """A moment for a file of one size, and time enough on any machine for all others."""

    def time_s(self, size: int) -> float:
        return 0.1 if size == HANGS else 600.0


class NoTime(Limits):
    """None at all for any file."""

    def time_s(self, _: int) -> float:
        return 0.0


def in_time(limits: Limits, **more: Any) -> closing[InTime]:
    return closing(InTime(read, then=partial(OneWorker, read, limits), limits=limits, **more))


@contextmanager
def released() -> Iterator[None]:
    """Leave no thread behind that hangs."""
    try:
        yield
    finally:
        RELEASED.set()


@pytest.fixture
def good(tmp_path: Path) -> Path:
    path = tmp_path / "good.dng"
    path.write_bytes(tiny_raw(1))
    return path


def test_files_are_read_here_and_what_is_raised_is_raised(good: Path) -> None:
    with in_time(Limits()) as files:
        assert [files.answer(good, told) for told in "ab"] == [
            ("a", os.getpid()),
            ("b", os.getpid()),
        ]
        with pytest.raises(ValueError, match="raise"):
            files.answer(good, "raise")
        assert files.answer(good, "c") == ("c", os.getpid())


def test_a_file_that_takes_too_long_costs_itself_and_those_after_it_are_read_elsewhere(
    good: Path, tmp_path: Path
) -> None:
    hangs = tmp_path / "hangs.dng"
    hangs.write_bytes(bytes(HANGS))
    with in_time(ShortForOne()) as files, released():
        with pytest.raises(FailedOnFileError, match=r"^it took too long$"):
            files.answer(hangs, "a")
        told, process = files.answer(good, "b")
        assert (told, process != os.getpid()) == ("b", True)
        with pytest.raises(FailedOnFileError, match=r"^ValueError: raise$"):
            files.answer(good, "raise")
        with pytest.raises(FailedOnFileError, match=r"^it took too long, 2 times$"):
            files.answer(hangs, "c")
        assert files.answer(good, "d")[0] == "d"
    wait_until(lambda: not [one for one in threading.enumerate() if "reader" in one.name])


def test_a_file_that_the_processor_has_no_time_for_is_waited_for_ten_times_as_long(
    good: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now, had = iter([0.0, 299.0, 299.0, 301.0, 301.0]), iter([0.0, 29.0, 29.0, 29.0, 29.0])
    with in_time(Limits()) as files:
        clocks = SimpleNamespace(monotonic=lambda: next(now), process_time=lambda: next(had))
        monkeypatch.setattr(bounds, "time", clocks)
        left_s = files._left_s(30.0)
        assert left_s() == left_s() == 1.0
        assert left_s() == left_s() == -1.0


def test_what_is_spent_on_other_things_is_not_the_files_own(good: Path) -> None:
    spent_s = chain([0.0], repeat(600.0))
    with in_time(NoTime(), spent_besides_s=lambda: next(spent_s)) as files:
        assert files.answer(good, "a") == ("a", os.getpid())
