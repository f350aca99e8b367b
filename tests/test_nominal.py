"""Engraved figures against the exact series that they stand for, source beside each."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise import nominal, stops

# ISO 517 marks of the full stops and their exact values 2**(n/2).
FULL_STOPS = [
    (1, 1), (1.4, 1.414214), (2, 2), (2.8, 2.828427), (4, 4), (5.6, 5.656854), (8, 8),
    (11, 11.313708), (16, 16), (22, 22.627417), (32, 32), (45, 45.254834), (64, 64),
]  # fmt: skip

# Third stops 2**(k/6), k = 0 to 30 (the marks are common practice, the full ones ISO 517).
THIRD_STOPS = (
    *(1, 1.122462, 1.259921, 1.414214, 1.587401, 1.781797, 2, 2.244924, 2.519842, 2.828427),
    *(3.174802, 3.563595, 4, 4.489848, 5.039684, 5.656854, 6.349604, 7.127190, 8, 8.979696),
    *(10.079368, 11.313708, 12.699208, 14.254379, 16, 17.959393, 20.158737, 22.627417),
    *(25.398417, 28.508759, 32),
)
THIRD_MARKS = (
    *(1, 1.1, 1.2, 1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5, 4, 4.5, 5.0, 5.6, 6.3, 7.1, 8, 9),
    *(10, 11, 13, 14, 16, 18, 20, 22, 25, 29, 32),
)


@pytest.mark.parametrize(("mark", "exact"), FULL_STOPS)
def test_full_stop_marks_stand_for_the_exact_series(mark: float, exact: float) -> None:
    assert nominal.exact_f_number(mark) == pytest.approx(exact, abs=1e-6)


@pytest.mark.parametrize(("mark", "exact"), list(zip(THIRD_MARKS, THIRD_STOPS, strict=True)))
def test_third_stop_marks_stand_for_the_exact_series(mark: float, exact: float) -> None:
    assert nominal.exact_f_number(mark) == pytest.approx(exact, abs=1e-6)


# Half stops 2**(k/4) that the third-stop series doesn't mark.
@pytest.mark.parametrize(
    ("mark", "exact"),
    [
        (1.7, 1.681793),
        (2.4, 2.378414),
        (3.3, 3.363586),
        (4.8, 4.756828),
        (6.7, 6.727171),
        (9.5, 9.513657),
        (19, 19.027314),
    ],
)
def test_half_stop_marks_stand_for_the_exact_series(mark: float, exact: float) -> None:
    assert nominal.exact_f_number(mark) == pytest.approx(exact, abs=1e-6)


# What reading a mark literally would cost, 2 log2(mark/exact).
@pytest.mark.parametrize(
    ("mark", "error"),
    [
        (1.4, -0.029146),
        (5.6, -0.029146),
        (11, -0.081137),
        (22, -0.081137),
        (45, -0.016294),
        (1.2, -0.140598),
        (13, 0.067546),
        (3.5, -0.051957),
        (14, -0.051957),
    ],
)
def test_a_literal_mark_is_off_by_the_known_error(mark: float, error: float) -> None:
    literal = stops.stops_between_f_numbers(nominal.exact_f_number(mark), mark)

    assert literal == pytest.approx(error, abs=1e-5)
    assert abs(literal) < 1 / 6


# ISO 516 shutter marks: 1/15 to 1/60 stand for binary fractions, thirds for 2**(-k/3).
@pytest.mark.parametrize(
    ("mark", "exact"),
    [
        (2, 2),
        (8, 8),
        (15, 16),
        (30, 32),
        (60, 64),
        (125, 128),
        (250, 256),
        (8000, 8192),
        (20, 20.1587),
        (25, 25.3984),
        (40, 40.3175),
        (50, 50.7968),
        (80, 80.6349),
        (100, 101.5937),
        (160, 161.2699),
        (200, 203.1873),
        (6, 6.3496),
    ],
)
def test_shutter_marks_stand_for_the_exact_series(mark: float, exact: float) -> None:
    assert 1 / nominal.exact_shutter(1 / mark) == pytest.approx(exact, abs=1e-4)


@pytest.mark.parametrize(
    ("f_number", "said"),
    [
        (11.0, "f/11"),
        (11.313708, "f/11"),
        (5.596, "f/5.6"),
        (8.876556, "f/8+0.3"),
        (9.797959, "f/8+0.6"),
        (12.125733, "f/11+0.2"),
        (6.349604, "f/6.3"),
        (0.5, "f/0.5"),
    ],
)
def test_an_f_number_is_said_as_a_meter_shows_it(f_number: float, said: str) -> None:
    assert nominal.say_f_number(f_number) == said


@given(st.sampled_from(nominal.FULL_STOPS[1:-1]), st.integers(0, 9))
def test_a_said_f_number_is_within_a_twentieth_of_a_stop(mark: float, tenths: int) -> None:
    exact = stops.shift_reading(nominal.exact_f_number(mark), tenths / 10)

    said = nominal.say_f_number(exact).removeprefix("f/").split("+")
    back = stops.shift_reading(nominal.exact_f_number(float(said[0])), float((*said, 0)[1]))
    assert abs(stops.stops_between_f_numbers(exact, back)) < 0.05


@pytest.mark.parametrize(
    ("shutter", "said"),
    [
        (1 / 160, "1/160 s"),
        (1 / 161.27, "1/160 s"),
        (0.5, "0.5 s"),
        (2, "2 s"),
        (1 / 128, "1/125 s"),
    ],
)
def test_a_shutter_time_is_said_as_it_is_engraved(shutter: float, said: str) -> None:
    assert nominal.say_shutter(shutter) == said


@pytest.mark.parametrize(
    ("shutter", "slower"),  # full-stop marks of ISO 516 (from memory)
    [
        (1 / 160, 1 / 125),
        (1 / 161.27, 1 / 125),
        (1 / 200, 1 / 125),
        (1 / 250, 1 / 125),
        (1 / 125, 1 / 60),
        (1 / 60, 1 / 30),
        (1 / 15, 1 / 8),
        (1.0, 2.0),
        (4.0, 8.0),
    ],
)
def test_the_next_slower_full_mark_is_under_the_time_used(shutter: float, slower: float) -> None:
    assert nominal.slower_full_mark(shutter) == pytest.approx(slower)
