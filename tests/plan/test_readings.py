"""Readings are read as photographers say them, and what means two things is refused."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.errors import WrongUse
from stopwise.plan import readings
from stopwise.plan.readings import (
    read_angle,
    read_elevation,
    read_f_number,
    read_iso,
    read_length,
    read_power,
    read_shutter,
    read_stops,
)

# Tenths on a mark: N 2**(x/2) on the exact value of the mark, the definition of a stop (ISO 517).
TENTHS = [
    ("8+0.3", 8.876556),
    ("8.3t", 8.876556),
    ("f/8 and 3 tenths", 8.876556),
    ("8 + 3/10", 8.876556),
    ("8+0.5", 9.513657),
    ("8 1/2", 9.513657),
    ("8½", 9.513657),
    ("5.6+0.7", 7.210004),
    ("5.6.7t", 7.210004),
    ("11.2t", 12.125733),
    ("f/16+.9", 21.856644),
    ("8 1/3", 8.979696),
    ("8 and a third", 8.979696),
    ("8-1/3", 7.127190),
    ("5.6 two thirds", 7.127190),
]


@pytest.mark.parametrize(("said", "exact"), TENTHS)
def test_tenths_and_thirds_stand_on_the_exact_mark(said: str, exact: float) -> None:
    assert read_f_number(said) == pytest.approx(exact, abs=1e-5)


@pytest.mark.parametrize("said", [11, 11.0, "11", "f/11", "F11", "f 11", "ƒ/11", " f/11.0 "])
def test_a_mark_is_kept_as_it_is_engraved(said: str | float) -> None:
    assert read_f_number(said) == 11.0


@pytest.mark.parametrize(("said", "value"), [("f/8.3", 8.3), (7.25, 7.25), (5.596, 5.596)])
def test_a_sure_f_number_is_no_tenth(said: str | float, value: float) -> None:
    assert read_f_number(said) == value


@pytest.mark.parametrize("said", [8.3, "8.3", 16.5, "11.2", "4.7"])
def test_a_bare_tenth_is_refused_with_both_meanings(said: str | float) -> None:
    whole, tenth = str(said).split(".")
    both = rf"f/{whole} and {tenth} tenths, or f/{whole}\.{tenth}: 0\.\d\d stop apart"

    with pytest.raises(WrongUse, match=both):
        read_f_number(said)


def test_the_two_meanings_of_eight_point_three_lie_a_fifth_of_a_stop_apart() -> None:
    with pytest.raises(WrongUse, match=r"0\.19 stop apart"):
        read_f_number("8.3")

    assert 2 * math.log2(read_f_number("8.3t") / read_f_number("f/8.3")) == pytest.approx(
        0.1938, abs=1e-4
    )


Reader = Callable[[str | float], float]

RIGHT: list[tuple[Reader, str | float, float]] = [
    (read_shutter, "1/160", 1 / 160),
    (read_shutter, "1/160 s", 1 / 160),
    (read_shutter, "160", 1 / 160),
    (read_shutter, 160, 1 / 160),
    (read_shutter, 0.00625, 0.00625),
    (read_shutter, 0.5, 0.5),
    (read_shutter, "2s", 2.0),
    (read_shutter, '1.3"', 1.3),
    (read_shutter, 1, 1.0),
    (read_power, -2, -2.0),
    (read_power, "1/4", -2.0),
    (read_power, "1/4+0.3", -1.7),
    (read_power, "1/4 - 1/3", -7 / 3),
    (read_power, "full", 0.0),
    (read_power, "1/1", 0.0),
    (read_power, "25 %", -2.0),
    (read_power, "7.0 of 10", -3.0),
    (read_power, "9.7 of 10", -0.3),
    (read_power, "-2 1/3", -7 / 3),
    (read_length, 1.8, 1.8),
    (read_length, "180 cm", 1.8),
    (read_length, "1.8m", 1.8),
    (read_length, "6 ft", 1.8288),
    (read_length, "5'11\"", 1.8034),
    (read_length, "5 ft 11 in", 1.8034),
    (read_angle, 60, 60.0),
    (read_angle, "60 left", -60.0),
    (read_angle, "45° right", 45.0),
    (read_elevation, "35 up", 35.0),
    (read_elevation, "10 down", -10.0),
    (read_iso, "ISO 400/27°", 400.0),
    (read_iso, 64, 64.0),
    (read_stops, "two thirds", 2 / 3),
    (read_stops, "-2/3", -2 / 3),
    (read_stops, "1 1/3 stops", 4 / 3),
    (read_stops, 0.5, 0.5),
]


@pytest.mark.parametrize(("read", "said", "value"), RIGHT)
def test_a_reading_is_read_as_it_is_said(read: Reader, said: str | float, value: float) -> None:
    assert read(said) == pytest.approx(value, rel=1e-12)


WRONG: list[tuple[Reader, str | float, str]] = [
    (read_f_number, "eleven", '"eleven" is not an f-number'),
    (read_f_number, "", "is not an f-number"),
    (read_f_number, "5,6", "with a point for the decimal"),
    (read_f_number, -8, "is not an f-number"),
    (read_f_number, "8+1", "less than a stop added"),
    (read_f_number, "8 1/0", "less than a stop added"),
    (read_f_number, "9.3t", "a full stop with its tenths"),
    (read_f_number, 200, "run from 0.5 to 128"),
    (read_f_number, math.nan, "is not an f-number"),
    (read_shutter, 2, "can mean 1/2 s or 2 s"),
    (read_shutter, "30", "can mean 1/30 s or 30 s"),
    (read_shutter, "1/0", "run from 1/64000 s"),
    (read_shutter, "fast", "is not a shutter time"),
    (read_power, 2, "above full power"),
    (read_power, "11 of 10", "above full power"),
    (read_power, "125 Ws", "need the lamp's full power"),
    (read_power, -16, "run from -15 to 0"),
    (read_power, "1/0", "is not a power"),
    (read_power, "3/4", "is not a power"),
    (read_power, "0/1", "is not a power"),
    (read_power, "0/4", "is not a power"),
    (read_length, 180, "name it"),
    (read_length, 0, "run from 0.01 to 60 metres"),
    (read_length, "", "run from 0.01"),
    (read_angle, "camera right", "is not an angle"),
    (read_angle, 400, "within -360 and 360"),
    (read_elevation, 95, "within -90 and 90"),
    (read_iso, "fast", "is not an ISO"),
    (read_iso, 0, "run from 1 to 10 million"),
    (read_stops, "bright", "is not a number of stops"),
    (read_stops, 99, "run from -30 to 30"),
]


@pytest.mark.parametrize(("read", "said", "words"), WRONG)
def test_a_wrong_reading_is_refused_with_what_would_be_right(
    read: Reader, said: str | float, words: str
) -> None:
    with pytest.raises(WrongUse, match=words):
        read(said)


def test_watt_seconds_are_counted_from_the_lamps_full_power() -> None:
    assert read_power("125 Ws", full_ws=500.0) == -2.0
    assert read_power("500 J", full_ws=500.0) == 0.0
    with pytest.raises(WrongUse, match="above full power"):
        read_power("600 Ws", full_ws=500.0)
    with pytest.raises(WrongUse, match="is not a power"):
        read_power("0 Ws", full_ws=500.0)


READERS = [
    read_f_number,
    read_shutter,
    read_power,
    read_length,
    read_angle,
    read_elevation,
    read_iso,
    read_stops,
]
SCRAPS = st.lists(
    st.sampled_from("0123456789./+-t f½⅓'\"%s") | st.sampled_from([" of 10", "1/", "ws", " and "]),
    max_size=8,
).map("".join)


@pytest.mark.parametrize("read", READERS, ids=lambda read: read.__name__)
@given(said=SCRAPS | st.text(max_size=12) | st.floats() | st.integers())
def test_whatever_is_said_gives_a_finite_number_or_one_sentence(
    read: Reader, said: str | float
) -> None:
    try:
        value = read(said)
    except WrongUse as wrong:
        value, sentence = 0.0, str(wrong)
    else:
        sentence = ""

    assert math.isfinite(value)
    assert "\n" not in sentence
    assert len(sentence) < 250


@given(mark=st.sampled_from([2, 2.8, 4, 5.6, 8, 11, 16, 22]), tenth=st.integers(1, 9))
def test_both_ways_of_writing_tenths_agree(mark: float, tenth: int) -> None:
    assert read_f_number(f"{mark}.{tenth}t") == read_f_number(f"{mark}+0.{tenth}")


def test_every_example_in_a_message_can_be_read() -> None:
    for said in ("11", "f/11", "8+0.3", "8.3t", "8 1/3"):
        assert said in readings.F_NUMBER_RIGHT
        assert read_f_number(said) > 0
