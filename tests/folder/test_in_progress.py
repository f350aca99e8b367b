"""Files in progress: answers leave in the order in which their places were taken."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from stopwise.folder.in_progress import FilesInProgress, Line
from stopwise.folder.states import Job
from stopwise.ledger import Ledger, Stamp
from support.watching import InlinePool, read, tiny_raw

if TYPE_CHECKING:
    from pathlib import Path


def test_an_early_answer_waits_for_those_before_it() -> None:
    line: Line[str] = Line()
    for ticket in (1, 2, 3):
        line.join(ticket)
    line.fill(2, "b")
    assert list(line.ready(0)) == []
    line.fill(1, "a")
    assert list(line.ready(0)) == ["a", "b"]
    assert len(line) == 1


def test_a_file_on_which_the_decoder_hangs_lets_the_others_pass_after_a_while() -> None:
    line: Line[str] = Line(hold_s=5)
    line.join(1)
    line.join(2)
    assert list(line.ready(0)) == []
    assert line.next_due() is None
    line.fill(2, "b")
    assert list(line.ready(100)) == []
    assert line.next_due() == 105
    assert list(line.ready(104.9)) == []
    assert list(line.ready(105)) == ["b"]
    line.fill(1, "late")
    assert list(line.ready(106)) == ["late"]
    assert line.next_due() is None


def test_a_file_that_is_known_to_be_slow_is_passed_at_once() -> None:
    line: Line[str] = Line(hold_s=5)
    for ticket in (1, 2, 3):
        line.join(ticket)
    line.fill(3, "c")
    assert list(line.ready(100, slow={1})) == []
    assert list(line.ready(100, slow={1, 2})) == ["c"]
    line.fill(1, "late")
    assert list(line.ready(100)) == ["late"]


@given(st.permutations(range(12)))
def test_any_order_of_answers_leaves_in_order(order: list[int]) -> None:
    line: Line[int] = Line()
    for ticket in range(12):
        line.join(ticket)
    out: list[int] = []
    for ticket in order:
        line.fill(ticket, ticket)
        out += line.ready(0)
    assert out == list(range(12))


def test_what_is_dropped_never_leaves_though_its_answer_comes(tmp_path: Path) -> None:
    path = tmp_path / "F1.dng"
    path.write_bytes(tiny_raw(1))
    with Ledger(":memory:") as ledger:
        pool = InlinePool(read)
        files = FilesInProgress(str(tmp_path), ledger, pool, brief=lambda _: None)
        job = Job("F1.dng", Stamp.of(path.stat()), 1, is_fresh=True, is_known=False)
        files.begin(job)
        assert files.counts == (1, 0)
        files.drop_all()
        files.hear()
        files.close()
        files.hear()
        assert list(files.ready(100)) == []
        assert files.counts == (0, 0)


def test_a_file_that_is_assessed_anew_keeps_its_turn(tmp_path: Path) -> None:
    briefs = iter(["one", "two", "one anew"])
    with Ledger(":memory:") as ledger:
        pool = InlinePool(read)
        files = FilesInProgress(str(tmp_path), ledger, pool, brief=lambda _: next(briefs))
        for number, name in enumerate(("F1.dng", "F2.dng")):
            path = tmp_path / name
            path.write_bytes(tiny_raw(number))
            files.begin(Job(name, Stamp.of(path.stat()), 1, is_fresh=True, is_known=False))
        files.hear()
        looks = []
        for file in files.ready(0):
            looks.append(file.assessment.record.look)
            if looks == ["one"]:
                files.again(file)
                assert files.counts == (1, 0)
        assert looks == ["one"]
        files.hear()
        looks += [file.assessment.record.look for file in files.ready(0)]
    assert looks == ["one", "one anew", "two"]
