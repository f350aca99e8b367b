"""Whatever stands in the file: a plan comes out, or sentences with lines; never a traceback."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from stopwise.errors import PlanError
from stopwise.plan.keys import PLAN
from stopwise.plan.loading import decode_text, plan_of_text

if TYPE_CHECKING:
    from collections.abc import Callable

LINE = re.compile(r"plan\.toml:[1-9][0-9]*: \S.*[.?]", re.DOTALL)
KNOWN = sorted({key for table in PLAN.tables() for key in table.keys})
WORDS = st.sampled_from(
    ["f/11", "8.3", "1/160", "skin", "key", "7 of 10", "125 Ws", "daylight", "5'11\"", "backdrop"]
)
NUMBERS = st.integers(-200, 20000) | st.floats(-30, 30) | st.sampled_from([1e300, -0.0, 1e-300])
LEAVES = WORDS | NUMBERS | st.booleans() | st.text(max_size=8) | st.dates()
BOX = st.lists(st.floats(0, 1), min_size=3, max_size=5)
VALUES = LEAVES | BOX | st.lists(LEAVES, max_size=4) | st.lists(BOX, max_size=2)
KEYS = st.sampled_from(KNOWN) | st.text(max_size=6)
INNER = st.dictionaries(KEYS, VALUES, max_size=6)
NEARLY = st.dictionaries(
    KEYS, VALUES | INNER | st.lists(INNER | st.dictionaries(KEYS, INNER, max_size=3), max_size=3),
    max_size=6,
)  # fmt: skip
SIGNS = (
    *("[", "]", "[[", "]]", " = ", "\n", '"', "'''", '"""', "0.5", "#", ",", "{", "}", "\r\n"),
    *(".", "nan", "1/160", "name", "key", "-", "\\u00", "\x00", "é", "1979-05-27"),
)
SCRAPS = st.lists(
    st.sampled_from((*KNOWN, *SIGNS)),
    max_size=40,
).map("".join)


def read(text: str) -> None:
    problems = refusal(lambda: plan_of_text(text))
    last = text.count("\n") + 1

    assert all(LINE.fullmatch(problem) for problem in problems), problems
    assert all(int(problem.split(":")[1]) <= last for problem in problems)


def refusal(read: Callable[[], object]) -> tuple[str, ...]:
    """Return what was refused, nothing where something was read."""
    try:
        read()
    except PlanError as refused:
        return refused.problems or ("refused without a word",)
    return ()


@settings(max_examples=300)
@given(st.text(max_size=300))
def test_any_text_gives_a_plan_or_sentences(text: str) -> None:
    read(text)


@settings(max_examples=400)
@given(SCRAPS)
def test_any_heap_of_scraps_gives_a_plan_or_sentences(text: str) -> None:
    read(text)


@settings(max_examples=400)
@given(NEARLY)
def test_any_tables_give_a_plan_or_sentences(data: dict[str, Any]) -> None:
    read(tomlkit.dumps(data))


@given(st.binary(max_size=200))
def test_any_bytes_give_a_plan_or_sentences(data: bytes) -> None:
    problems = refusal(lambda: plan_of_text(decode_text(data, "plan.toml")))

    assert all(LINE.fullmatch(problem) for problem in problems), problems
