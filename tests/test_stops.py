"""The arithmetic of the trade against published tables and worked figures, source beside each."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise import stops

if TYPE_CHECKING:
    from collections.abc import Callable

third = 1.0 / 3.0
FINE = 1e-5

# Exposure values from exact f-numbers and times (ASA PH2.12-1961, ANSI PH3.49-1971 tables).
EV_TABLE = [
    (1, 1, 0), (2, 1 / 2, 3), (2.8, 1 / 4, 5), (4, 1 / 8, 7), (5.6, 1 / 60, 11), (8, 1 / 30, 11),
    (8, 1 / 60, 12), (8, 1 / 125, 13), (11, 1 / 125, 14), (16, 1 / 125, 15), (16, 1 / 250, 16),
    (16, 1 / 2000, 19),
]  # fmt: skip


@pytest.mark.parametrize(("f_number", "shutter", "ev"), EV_TABLE)
def test_exposure_values_of_marks_are_whole(f_number: float, shutter: float, ev: float) -> None:
    exact = stops.exact_f_number(f_number), stops.exact_shutter(shutter)

    assert stops.exposure_value(*exact) == pytest.approx(ev, abs=FINE)


# The same from literal figures, and at other speeds (colour-hdri's exposure_value_100).
@pytest.mark.parametrize(
    ("settings", "ev"),
    [
        ((2.8, 1 / 4), 4.970854),
        ((5.6, 1 / 60), 10.877744),
        ((8, 1 / 30), 10.906891),
        ((11, 1 / 125), 13.884648),
        ((16, 1 / 2000), 18.965784),
        ((8, 1 / 125, 400), 10.965784),
        ((11, 1 / 200), 14.562719),
        ((5.6, 1 / 60, 200), 9.877744),
        ((8, 1 / 250, 400), 11.965784),
    ],
)
def test_exposure_values_of_literal_figures(settings: tuple[float, ...], ev: float) -> None:
    assert stops.exposure_value(*settings) == pytest.approx(ev, abs=FINE)


# Luminance at K = 12.5 and illuminance at C = 250 (ISO 2720).
@pytest.mark.parametrize(
    ("ev", "luminance", "lux"),
    [
        (-2, 0.03125, 0.625),
        (0, 0.125, 2.5),
        (3, 1, 20),
        (5, 4, 80),
        (8, 32, 640),
        (10, 128, 2560),
        (12, 512, 10240),
        (15, 4096, 81920),
    ],
)
def test_exposure_values_as_light(ev: float, luminance: float, lux: float) -> None:
    assert stops.luminance_of_ev(ev) == pytest.approx(luminance, rel=1e-9)
    assert stops.illuminance_of_ev(ev) == pytest.approx(lux, rel=1e-9)


# Exif 2.3 APEX annex: Sv = log2(S/3.125); a worked example of it: Bv 2 + Sv 7 = Av 2 + Tv 7.
def test_apex_values_of_the_exif_standard() -> None:
    speeds = [stops.speed_value(iso) for iso in (25, 50, 100, 200, 400)]

    assert speeds == pytest.approx([3, 4, 5, 6, 7], abs=1e-9)
    assert stops.aperture_value(2) + stops.time_value(1 / 128) == pytest.approx(9, abs=1e-9)


# Zone V at 18 %, one stop a zone (A. Adams, The Negative).
@pytest.mark.parametrize(
    ("zone", "percent"),
    list(enumerate([0.5625, 1.125, 2.25, 4.5, 9, 18, 36, 72, 144, 288, 576])),
)
def test_zones_are_one_stop_apart_about_eighteen_percent(zone: float, percent: float) -> None:
    assert 100 * stops.reflectance_of_zone(zone) == pytest.approx(percent, abs=1e-4)
    assert stops.zone_of_reflectance(percent / 100) == pytest.approx(zone, abs=1e-9)


# Grey at 0.18/sqrt(2) of saturation (ISO 12232): where clip and whites lie.
@pytest.mark.parametrize(
    ("luminance", "zone"),
    [(1, 7.973931), (1 / math.sqrt(2), 7.473931), (0.9 / math.sqrt(2), 7.321928)],
)
def test_zones_of_a_sensor_end_at_its_clip(luminance: float, zone: float) -> None:
    assert stops.zone_of_luminance(luminance) == pytest.approx(zone, abs=1e-6)


# Stops of key over fill: key to fill, key + fill to fill, lit over shadow in stops. Both
# conventions stand in print; 3:1 for one stop is a worked figure of lighting handbooks.
RATIOS = [
    (0, 1, 2, 1), (third, 1.259921, 2.259921, 1.176272), (2 * third, 1.587401, 2.587401, 1.371504),
    (1, 2, 3, 1.584963), (4 * third, 2.519842, 3.519842, 1.815511),
    (5 * third, 3.174802, 4.174802, 2.061708), (2, 4, 5, 2.321928),
    (7 * third, 5.039684, 6.039684, 2.594473), (8 * third, 6.349604, 7.349604, 2.877667),
    (3, 8, 9, 3.169925), (4, 16, 17, 4.087463), (14 * third, 25.398417, 26.398417, 4.722380),
    (5, 32, 33, 5.044394),
]  # fmt: skip


@pytest.mark.parametrize(("apart", "source", "additive", "lit"), RATIOS)
def test_ratios_in_both_conventions(
    apart: float, source: float, additive: float, lit: float
) -> None:
    assert stops.ratio_of_stops(apart) == pytest.approx(source, abs=FINE)
    assert stops.combined_ratio(apart) == pytest.approx(additive, abs=FINE)
    assert stops.lit_to_shadow_stops(apart) == pytest.approx(lit, abs=FINE)


@pytest.mark.parametrize(
    ("ratio", "source", "additive"),
    [
        (2, 1, 0),
        (3, 1.584963, 1),
        (4, 2, 1.584963),
        (5, 2.321928, 2),
        (8, 3, 2.807355),
        (9, 3.169925, 3),
        (16, 4, 3.906891),
    ],
)
def test_ratios_back_to_stops(ratio: float, source: float, additive: float) -> None:
    assert stops.stops_of_ratio(ratio) == pytest.approx(source, abs=FINE)
    assert stops.stops_of_combined_ratio(ratio) == pytest.approx(additive, abs=FINE)


# A worked figure of handbooks: key 800, fill 200 footcandles is 4:1, or 5:1 with the fill added.
def test_a_worked_ratio_of_eight_hundred_to_two_hundred() -> None:
    apart = stops.stops_of_ratio(800 / 200)

    assert (apart, stops.combined_ratio(apart)) == (2, 5)


# Exposures add: N = sqrt(N1² + N2² + ...), from the linearity of light.
SUMS = [
    ((8, 8), 11.313708), ((8, 5.656854), 9.797959), ((8, 4), 8.944272), ((8, 2), 8.246211),
    ((11.313708, 8), 13.856406), ((8, 5.656854, 4), 10.583005), ((5.656854, 5.656854), 8),
    ((8, 5.6), 9.765244), ((5.6, 4), 6.881860), ((11, 8), 13.601471), ((16, 11), 19.416488),
]  # fmt: skip


@pytest.mark.parametrize(("readings", "total"), SUMS)
def test_readings_add_as_exposures(readings: tuple[float, ...], total: float) -> None:
    assert stops.add_readings(*readings) == pytest.approx(total, abs=FINE)


# What a second lamp adds that is d stops weaker, log2(1 + 2**-d).
@pytest.mark.parametrize(
    ("weaker", "gain"),
    [
        (0, 1),
        (third, 0.842939),
        (2 * third, 0.704837),
        (1, 0.584963),
        (4 * third, 0.482177),
        (5 * third, 0.395041),
        (2, 0.321928),
        (3, 0.169925),
        (4, 0.087463),
        (6, 0.022368),
    ],
)
def test_a_weaker_lamp_adds_what_the_table_says(weaker: float, gain: float) -> None:
    total = stops.add_readings(8, stops.shift_reading(8, -weaker))

    assert stops.stops_between_f_numbers(8, total) == pytest.approx(gain, abs=FINE)


@pytest.mark.parametrize(
    ("pops", "gain"), [(2, 1), (3, 1.584963), (4, 2), (5, 2.321928), (6, 2.584963), (8, 3), (16, 4)]
)
def test_equal_pops_add_log2_of_their_number(pops: int, gain: float) -> None:
    total = stops.add_readings(*[8.0] * pops)

    assert stops.stops_between_f_numbers(8, total) == pytest.approx(gain, abs=FINE)


def test_a_lamp_is_taken_out_of_a_sum() -> None:
    assert stops.remove_reading(11.313708, 8) == pytest.approx(8, abs=FINE)
    assert stops.remove_reading(9.797959, 8) == pytest.approx(5.656854, abs=FINE)


# Inverse square: the CIE photometric distance law.
@pytest.mark.parametrize(
    ("start", "end", "change"),
    [
        (1, 0.5, 2),
        (1, 2, -2),
        (1, 3, -3.169925),
        (1, 4, -4),
        (1, 5, -4.643856),
        (1, 8, -6),
        (1, 1.414214, -1),
        (2, 4, -2),
        (3, 5, -1.473931),
        (1, 1.2, -0.526069),
        (1.5, 1.8, -0.526069),
        (0.8, 2.3, -3.047124),
    ],
)
def test_light_falls_with_the_square_of_distance(start: float, end: float, change: float) -> None:
    assert stops.stops_of_distance(start, end) == pytest.approx(change, abs=FINE)
    assert stops.distance_for_stops(start, change) == pytest.approx(end, abs=1e-4)


# Guide numbers: N = GN/d, GN goes with the root of ISO and power (ISO 1230, worked figures).
@pytest.mark.parametrize(
    ("guide", "iso", "power", "distance", "f_number"),
    [
        (32, 100, 1, 4, 8),
        (80, 100, 1, 10, 8),
        (24, 100, 1, 3, 8),
        (24, 200, 1, 3, 11.313708),
        (36, 100, 1 / 4, 3, 6),
        (58, 400, 1 / 16, 4, 7.25),
        (40, 200, 1 / 2, 5, 8),
        (64, 100, 1 / 64, 1, 8),
        (64, 100, 1 / 32, 1, 11.313708),
    ],
)
def test_guide_numbers(
    guide: float, iso: float, power: float, distance: float, f_number: float
) -> None:
    now = stops.guide_number(guide, iso=iso, power=power)

    assert stops.f_number_of_guide(now, distance) == pytest.approx(f_number, abs=FINE)


def test_guide_numbers_go_with_the_root_of_iso_and_power() -> None:
    by_iso = [stops.guide_number(1, iso=iso) for iso in (25, 50, 200, 400, 800, 1600)]
    by_power = [stops.guide_number(1, power=2.0**-n) for n in range(1, 9)]

    assert by_iso == pytest.approx([0.5, 0.707107, 1.414214, 2, 2.828427, 4], abs=1e-6)
    assert by_power == pytest.approx(
        [0.707107, 0.5, 0.353553, 0.25, 0.176777, 0.125, 0.088388, 0.0625], abs=1e-6
    )


# Fractions of power, and watt-seconds of one head (same modifier and efficiency).
def test_power_as_fraction_and_stops() -> None:
    assert [stops.ratio_of_stops(-n) for n in range(10)] == [2.0**-n for n in range(10)]
    assert stops.ratio_of_stops(-third) == pytest.approx(0.793701, abs=1e-6)
    assert stops.ratio_of_stops(-2 * third) == pytest.approx(0.629961, abs=1e-6)
    assert stops.ratio_of_stops(-4 * third) == pytest.approx(0.396850, abs=1e-6)


@pytest.mark.parametrize(
    ("start", "end", "change"),
    [
        (100, 400, 2),
        (300, 1200, 2),
        (400, 600, 0.584963),
        (400, 1000, 1.321928),
        (250, 600, 1.263034),
        (500, 1000, 1),
    ],
)
def test_watt_seconds_as_stops(start: float, end: float, change: float) -> None:
    assert stops.stops_of_energy(end, start) == pytest.approx(change, abs=FINE)


LIGHT = st.floats(0.7, 90)
STOPS = st.floats(-12, 12)


@given(st.lists(LIGHT, min_size=1, max_size=8), st.randoms())
def test_readings_add_in_any_order(readings: list[float], random: object) -> None:
    shuffled = sorted(readings, key=lambda reading: hash((reading, id(random))))

    assert stops.add_readings(*shuffled) == pytest.approx(stops.add_readings(*readings), rel=1e-12)


@given(st.lists(LIGHT, min_size=2, max_size=6))
def test_a_sum_is_more_than_each_part_and_taking_one_out_undoes_it(readings: list[float]) -> None:
    total = stops.add_readings(*readings)

    assert total > max(readings)
    rest = stops.remove_reading(total, readings[0])
    assert rest == pytest.approx(stops.add_readings(*readings[1:]), rel=1e-9)


ROUND_TRIPS: list[tuple[Callable[[float], float], Callable[[float], float]]] = [
    (stops.ratio_of_stops, stops.stops_of_ratio),
    (stops.combined_ratio, stops.stops_of_combined_ratio),
    (stops.luminance_of_zone, stops.zone_of_luminance),
    (stops.reflectance_of_zone, stops.zone_of_reflectance),
    (stops.f_number_of, stops.aperture_value),
    (
        lambda change: stops.distance_for_stops(1.8, change),
        lambda end: stops.stops_of_distance(1.8, end),
    ),
    (
        lambda change: stops.shift_reading(8.0, change),
        lambda f: stops.stops_between_f_numbers(8.0, f),
    ),
]  # fmt: skip


@pytest.mark.parametrize(("there", "back"), ROUND_TRIPS)
@given(change=STOPS)
def test_there_and_back_is_where_it_began(
    there: Callable[[float], float], back: Callable[[float], float], change: float
) -> None:
    assert back(there(change)) == pytest.approx(change, abs=1e-9)


@given(f_number=st.floats(0.7, 90), shutter=st.floats(1e-4, 30), iso=st.floats(25, 25600))
def test_one_stop_more_of_anything_is_one_stop(f_number: float, shutter: float, iso: float) -> None:
    ev = stops.exposure_value(f_number, shutter, iso)

    assert stops.exposure_value(f_number * math.sqrt(2), shutter, iso) == pytest.approx(ev + 1)
    assert stops.exposure_value(f_number, shutter / 2, iso) == pytest.approx(ev + 1)
    assert stops.exposure_value(f_number, shutter, iso * 2) == pytest.approx(ev - 1)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: stops.stops_of_ratio(0), "a ratio must be above 0"),
        (lambda: stops.stops_of_combined_ratio(1), "above 1"),
        (lambda: stops.zone_of_luminance(0.1, 0), "mid-grey must be above 0"),
        (lambda: stops.aperture_value(-1), "an f-number must be above 0"),
        (lambda: stops.time_value(math.inf), "finite"),
        (lambda: stops.speed_value(math.nan), "an ISO must be above 0"),
        (stops.add_readings, "at least one"),
        (lambda: stops.remove_reading(8, 8), "less than all together"),
        (lambda: stops.stops_of_distance(0, 1), "a distance must be above 0"),
        (lambda: stops.stops_of_energy(0, 500), "an energy must be above 0"),
        (lambda: stops.guide_number(0), "a guide number must be above 0"),
    ],
)
def test_what_has_no_answer_is_refused(call: Callable[[], float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()


# --- marks as they are engraved, against the exact series that they stand for -------------------
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
    assert stops.exact_f_number(mark) == pytest.approx(exact, abs=1e-6)


@pytest.mark.parametrize(("mark", "exact"), list(zip(THIRD_MARKS, THIRD_STOPS, strict=True)))
def test_third_stop_marks_stand_for_the_exact_series(mark: float, exact: float) -> None:
    assert stops.exact_f_number(mark) == pytest.approx(exact, abs=1e-6)


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
    assert stops.exact_f_number(mark) == pytest.approx(exact, abs=1e-6)


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
    literal = stops.stops_between_f_numbers(stops.exact_f_number(mark), mark)

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
    assert 1 / stops.exact_shutter(1 / mark) == pytest.approx(exact, abs=1e-4)


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
    assert stops.say_f_number(f_number) == said


@given(st.sampled_from(stops.FULL_STOPS[1:-1]), st.integers(0, 9))
def test_a_said_f_number_is_within_a_twentieth_of_a_stop(mark: float, tenths: int) -> None:
    exact = stops.shift_reading(stops.exact_f_number(mark), tenths / 10)

    said = stops.say_f_number(exact).removeprefix("f/").split("+")
    back = stops.shift_reading(stops.exact_f_number(float(said[0])), float((*said, 0)[1]))
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
    assert stops.say_shutter(shutter) == said


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
    assert stops.slower_full_mark(shutter) == pytest.approx(slower)
