"""Files in progress: answers leave in the order in which their places were taken."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from stopwise.folder.in_progress import Line


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
