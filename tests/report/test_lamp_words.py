"""At each lamp what to do, or its state, never a bare deviation; and which lamps stay called."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest

from stopwise.messages import do
from stopwise.report.facts import marked_patches
from stopwise.report.lamp_words import (
    GOOD_FRAMES,
    HeldHeadline,
    LampWords,
    dial_words,
    lamps_out,
    told_at_lamps,
)
from stopwise.report.ruler import ruler_of
from support.made_records import PLAN, finding, lamp, record, turned

if TYPE_CHECKING:
    from stopwise.lamps.outputs import LampState
    from stopwise.record import Record

STATES = ("fails", "on the line", "not seen", "holds")
"""Worst first."""

NONE_FIRED = record("off plan", finding("lamp", "none_fired", "all"))


def test_a_lamp_that_is_called_has_its_turn_and_where_to() -> None:
    hot = finding("patch", "over", "lit cheek", 6.9, 6.5, **turned("key", -0.4))
    told = told_at_lamps(PLAN, record("off plan", hot))
    assert told["key"] == LampWords("down 0.4, to -2.4", "down 0.4")
    assert told["fill"] == LampWords("leave at -3.0")
    assert list(told) == [light.name for light in PLAN.lights]


@pytest.mark.parametrize(
    ("more", "words", "advice"),
    [
        ({"lamps": ("key",)}, "feather, or down 0.3", "Feather the key, or key down 0.3."),
        (turned("key", -0.3), "feather, or down 0.3, to -2.3", "Feather the key, or key down 0.3."),
        (turned("key", -0.3, setting=-8.0), "feather, is at its least",
         "Feather the key, it is at its least."),
    ],
)  # fmt: skip
def test_a_patch_with_a_hot_centre_is_a_failed_mark_everywhere_and_its_lamp_is_to_be_feathered(
    more: dict[str, Any], words: str, advice: str
) -> None:
    """Its median is on plan, so each place would hold it by its zone: list, picture and ruler."""
    hot = finding("headroom", "hot_centre", "lit cheek", 0.23, 0.5, patches=("lit cheek",), **more)
    held = finding("patch", "over", "lit cheek", 6.5, 6.5, state="holds", patches=("lit cheek",))
    frame = record("off plan", hot, held)
    [on_picture] = [one for one in marked_patches(frame) if one.name == "lit cheek"]
    [on_ruler] = [one for one in ruler_of(frame).readings if one.name == "lit cheek"]
    in_list = min((one.state for one in frame.findings if one.of == "lit cheek"), key=STATES.index)
    assert on_picture.state == on_ruler.state == in_list == "fails"
    assert told_at_lamps(PLAN, frame)["key"] == LampWords(words, "feather")
    assert do(hot) == frame.headline[1] == advice


def test_a_lamp_that_ends_before_its_turn_is_done_is_told_so_in_every_place() -> None:
    dim = finding("patch", "under", "lit cheek", 6.0, 6.5, **turned("key", 0.5, setting=0.0))
    frame = record("off plan", dim)
    told = told_at_lamps(PLAN, frame)["key"]
    assert told == LampWords("at full: move it nearer", "at full")
    assert frame.headline[1] == "Key is at full: move it nearer."
    assert frame.to_json()["turns"][0]["do"] == frame.headline[1]
    some = finding("patch", "under", "lit cheek", 6.0, 6.5, **turned("key", 0.5, setting=-0.2))
    told = told_at_lamps(PLAN, record("off plan", some))["key"]
    assert told == LampWords("up 0.2 to full, move it nearer", "up 0.2 to full")


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
def test_a_lamp_with_a_state_says_it(said: LampState, words: str, *, called: bool) -> None:
    reading = replace(lamp(said), setting=-4.0 if said == "fired" else None)
    told = told_at_lamps(PLAN, record("off plan", lamps={"hair": reading}))
    assert (told["hair"].words, told["hair"].is_called) == (words, called)


def test_a_power_that_was_turned_since_the_plan_is_where_it_is_left() -> None:
    assert told_at_lamps(PLAN, record(), powers={"key": -2.6})["key"].words == "leave at -2.6"


def test_without_a_plan_there_are_no_lamps() -> None:
    assert told_at_lamps(None, record()) == {}


def out(name: str = "hair") -> Record:
    called = finding("lamp", "out", name, None, 0.0)
    return record("off plan", called, lamps={name: lamp("out", None)})


def test_a_lamp_that_was_out_is_called_until_it_has_fired_three_times() -> None:
    held = HeldHeadline()
    held.see(out())
    for good in range(GOOD_FRAMES):
        assert held.lamp == "hair", good
        held.see(record())
    assert held.lines() is None


def test_a_lamp_that_is_out_again_is_called_from_the_start() -> None:
    held = HeldHeadline()
    for frame in (out(), record(), record(), out()):
        held.see(frame)
    assert held.lines() == ("Hair lamp did not fire.", "Stop. Check it, shoot again.")


def test_the_lamp_that_has_been_out_for_longest_is_named() -> None:
    held = HeldHeadline()
    for frame in (out("fill"), out("hair"), record(), out("fill"), record()):
        held.see(frame)
    assert held.lines() == ("Fill was out, 1 good since.", "Check the lamp.")


def test_a_frame_that_lit_nothing_is_no_good_frame_for_a_lamp() -> None:
    held = HeldHeadline()
    held.see(out())
    for _ in range(GOOD_FRAMES):
        held.see(NONE_FIRED)
    assert held.lamp == "hair"


def test_the_trigger_names_no_lamp_to_hold() -> None:
    held = HeldHeadline()
    held.see(NONE_FIRED)
    assert held.lamp is None
    assert lamps_out(NONE_FIRED) == frozenset()


def test_what_was_seen_to_is_called_no_more() -> None:
    held = HeldHeadline()
    held.see(out())
    held.fixed()
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
    assert dial_words(PLAN.light("key"), turn, power, at_limit=at_limit) == words
