"""The floor: at each lamp what to do, or its state, never a bare deviation."""

from __future__ import annotations

from typing import Any

import pytest

from stopwise.report.floor import Told, dial_words, told_at_lamps
from stopwise.report.sticky import GOOD_FRAMES, HeldCalls, lamps_out
from support.records import PLAN, finding, record, turned


def state(name: str, said: str, **more: Any) -> dict[str, Any]:
    return {"lamps": {name: {"stops": -0.7, "uncertainty": 0.1, "state": said}}, **more}


def test_a_lamp_that_is_called_has_its_turn_and_where_to() -> None:
    frame = record("off plan", finding("patch", "lit cheek", 6.9, 6.5, **turned("key", -0.4)))
    told = told_at_lamps(PLAN, frame)
    assert told["key"] == Told("down 0.4, to -2.4", "down 0.4")
    assert told["fill"] == Told("leave at -3.0")
    assert list(told) == [light.name for light in PLAN.lights]


@pytest.mark.parametrize(
    ("said", "words", "called"),
    [
        ("out", "did not fire: check it", True),
        ("weak", "weak: check its power", True),
        ("strong", "strong: check its power", True),
        ("not seen", "not seen", False),
        ("fired", "leave at -4.0", False),
    ],
)
def test_a_lamp_with_a_state_says_it(said: str, words: str, *, called: bool) -> None:
    told = told_at_lamps(PLAN, record("off plan", **state("hair", said)))
    assert (told["hair"].words, told["hair"].is_called) == (words, called)


def test_the_worst_findings_turn_is_the_one_that_is_said() -> None:
    first = finding("patch", "lit cheek", 6.9, 6.5, **turned("key", -0.4))
    second = finding("patch", "white jacket", 7.9, 7.0, **turned("key", -0.9))
    told = told_at_lamps(PLAN, record("off plan", first, second))
    assert told["key"].words == "down 0.4, to -2.4"


def test_a_power_that_was_turned_since_the_plan_is_where_it_is_left() -> None:
    assert told_at_lamps(PLAN, record(), powers={"key": -2.6})["key"].words == "leave at -2.6"


def test_without_a_plan_there_are_no_lamps() -> None:
    assert told_at_lamps(None, record()) == {}


def out(name: str = "hair") -> dict[str, Any]:
    return record("off plan", finding("lamp", name, None, 0.0), **state(name, "out"))


def test_a_lamp_that_was_out_is_called_until_it_has_fired_three_times() -> None:
    held = HeldCalls()
    held.see(out())
    for good in range(GOOD_FRAMES):
        assert held.lamp == "hair", good
        held.see(record())
    assert held.lines() is None


def test_a_lamp_that_is_out_again_is_called_from_the_start() -> None:
    held = HeldCalls()
    for frame in (out(), record(), record(), out()):
        held.see(frame)
    assert held.lines() == ("Hair lamp did not fire.", "Stop. Check it, shoot again.")


def test_a_frame_that_lit_nothing_is_no_good_frame_for_a_lamp() -> None:
    held = HeldCalls()
    held.see(out())
    for _ in range(GOOD_FRAMES):
        held.see(record("off plan", finding("lamp", "all", None, None)))
    assert held.lamp == "hair"


def test_the_trigger_names_no_lamp_to_hold() -> None:
    held = HeldCalls()
    held.see(record("off plan", finding("lamp", "all", None, None)))
    assert held.lamp is None
    assert lamps_out(record("off plan", finding("lamp", "all", None, None))) == {"all"}


def test_what_was_seen_to_is_called_no_more() -> None:
    held = HeldCalls()
    held.see(out())
    held.acknowledge()
    assert held.lines() is None


@pytest.mark.parametrize(
    ("turn", "power", "at_limit", "words"),
    [
        (-0.7, -2.7, False, "down 0.7, to -2.7"),
        (0.3, -1.7, False, "up 0.3, to -1.7"),
        (0.0, -2.0, False, "leave at -2.0"),
        (2.0, 0.0, True, "up 2.0, to full, its end"),
        (-0.7, None, False, "down 0.7"),
    ],
)
def test_what_dialling_asks_of_a_lamp(
    turn: float, power: float | None, *, at_limit: bool, words: str
) -> None:
    dialled = {"turn": turn, "power": power, "at_limit": at_limit}
    assert dial_words("key", dialled, PLAN) == words
