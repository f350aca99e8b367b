"""The arithmetic of the trade: stops, f-numbers, zones, ratios, adding lights, distance, power.

Pure functions of plain numbers, exact throughout: f/5.6 is 5.657 here. A plan keeps what was
engraved or said; :func:`exact_f_number` and :func:`exact_shutter` say what it stands for (f/11 is
11.314, 1/125 is 1/128 s). A figure that is on no engraved series is exact as it stands; where
thirds and halves share a mark (1.2, 13), thirds are taken: cameras step in thirds. Positive stops
mean more light. An incident meter's reading names the f-number that would expose for the light it
saw, so a higher f-number is more light.
"""

from __future__ import annotations

import math
from typing import Literal

CameraSetting = Literal["f_number", "iso", "shutter"]
"""A setting of the camera that light depends on, by its key in the plan."""

MIDDLE_ZONE = 5.0
"""The zone of mid-grey."""

MID_GREY_OF_SATURATION = 0.18 / math.sqrt(2.0)
"""Where an 18 % grey falls below saturation, 0.1273: ISO 12232, saturation-based speed."""

MID_GREY_REFLECTANCE = 0.18
"""Reflectance of the card that lies on Zone V."""

REFLECTED_CONSTANT = 12.5
"""K of ISO 2720 in cd/m², the common choice of the 10.6 to 13.4 that it allows."""

INCIDENT_CONSTANT = 250.0
"""C of ISO 2720 in lux for a flat receptor, the common choice of the 240 to 400 that it allows."""

SAME_ISO_STOPS = 1.0 / 6.0
"""ISO speeds that lie nearer are one: files round them to a sixth of a stop at worst."""

APEX_SPEED_CONSTANT = 3.125
"""The ISO at which the speed value is 0 (Exif's APEX; the older 2**(-7/4) lies 0.106 stop off)."""


# --- ratios -------------------------------------------------------------------------------------


def stops_of_ratio(ratio: float) -> float:
    """Return a light ratio in stops, log2(ratio).

    Raises
    ------
    ValueError
        If `ratio` isn't above 0.
    """
    return math.log2(_above_zero("a ratio", ratio))


def ratio_of_stops(stops: float) -> float:
    """Return stops as a light ratio, or a power from full as a fraction of it, 2**stops."""
    return math.pow(2.0, stops)


def combined_ratio(key_over_fill_stops: float) -> float:
    """Return (key + fill) : fill where both are metered alone, 2**stops + 1.

    The other convention, key : fill as metered, is :func:`ratio_of_stops`. One stop is 2:1 in that
    one and 3:1 in this one; both are in print, so whoever prints a ratio names its convention.
    """
    return math.pow(2.0, key_over_fill_stops) + 1.0


def stops_of_combined_ratio(ratio: float) -> float:
    """Return the stops of key over fill that make (key + fill) : fill, log2(ratio - 1).

    Raises
    ------
    ValueError
        If `ratio` isn't above 1: the lit side has the fill too.
    """
    if not ratio > 1.0:
        msg = f"key + fill to fill is above 1, got {ratio!r}"
        raise ValueError(msg)
    return math.log2(ratio - 1.0)


def lit_to_shadow_stops(key_over_fill_stops: float) -> float:
    """Return how far the lit side lies over the shadow where the fill reaches both, in stops."""
    return math.log2(combined_ratio(key_over_fill_stops))


# --- zones --------------------------------------------------------------------------------------


def zone_of_luminance(luminance: float, mid_grey: float = MID_GREY_OF_SATURATION) -> float:
    """Return the zone of a linear luminance, 5 + log2(luminance / mid_grey).

    Parameters
    ----------
    luminance
        Linear, 1.0 at the level that the file names as white.
    mid_grey
        The luminance of mid-grey on the same scale.

    Raises
    ------
    ValueError
        If either isn't above 0.
    """
    return MIDDLE_ZONE + stops_of_ratio(luminance / _above_zero("mid-grey", mid_grey))


def luminance_of_zone(zone: float, mid_grey: float = MID_GREY_OF_SATURATION) -> float:
    """Return the linear luminance at which `zone` lies, the inverse of `zone_of_luminance`."""
    return mid_grey * math.pow(2.0, zone - MIDDLE_ZONE)


def zone_of_reflectance(reflectance: float) -> float:
    """Return the zone of a surface under the light that puts an 18 % card on Zone V.

    Raises
    ------
    ValueError
        If `reflectance` (a fraction, 1.0 a perfect white) isn't above 0.
    """
    return zone_of_luminance(reflectance, MID_GREY_REFLECTANCE)


def reflectance_of_zone(zone: float) -> float:
    """Return the reflectance, a fraction, that lies on `zone`; above 1.0 it isn't a surface."""
    return luminance_of_zone(zone, MID_GREY_REFLECTANCE)


# --- f-number, time, speed ------------------------------------------------------------------------


def aperture_value(f_number: float) -> float:
    """Return APEX Av, 2 log2 N: f/1 is 0, f/8 is 6."""
    return 2.0 * math.log2(_above_zero("an f-number", f_number))


def f_number_of(aperture_stops: float) -> float:
    """Return the f-number of an Av, the inverse of :func:`aperture_value`."""
    return math.pow(2.0, aperture_stops / 2.0)


def time_value(shutter_s: float) -> float:
    """Return APEX Tv, -log2 t: one second is 0, 1/128 s is 7."""
    return -math.log2(_above_zero("a shutter time", shutter_s))


def speed_value(iso: float) -> float:
    """Return APEX Sv, log2(ISO / 3.125): ISO 100 is 5."""
    return math.log2(_above_zero("an ISO", iso) / APEX_SPEED_CONSTANT)


def exposure_value(f_number: float, shutter_s: float, iso: float = 100.0) -> float:
    """Return the exposure value at ISO 100, log2(N²/t) - log2(ISO/100).

    Parameters
    ----------
    f_number, shutter_s, iso
        The settings that expose rightly; `shutter_s` in seconds.
    """
    settings = aperture_value(f_number) + time_value(shutter_s)
    return settings - stops_between_isos(100.0, iso)


def stops_between_f_numbers(first: float, second: float) -> float:
    """Return how much more light a meter saw that reads `second` than one that reads `first`."""
    return aperture_value(second) - aperture_value(first)


def stops_between_isos(first: float, second: float) -> float:
    """Return how many stops `second` is faster than `first`."""
    return speed_value(second) - speed_value(first)


def is_same_iso(iso: float | None, named: float) -> bool:
    """Tell whether a file's ISO is the one that is named, within a sixth of a stop."""
    return iso is not None and abs(stops_between_isos(named, iso)) <= SAME_ISO_STOPS


def luminance_of_ev(ev_100: float, constant: float = REFLECTED_CONSTANT) -> float:
    """Return the mean luminance in cd/m² that an EV at ISO 100 stands for (ISO 2720, K)."""
    return constant / 100.0 * math.pow(2.0, ev_100)


def illuminance_of_ev(ev_100: float, constant: float = INCIDENT_CONSTANT) -> float:
    """Return the illuminance in lux that an EV at ISO 100 stands for (ISO 2720, C)."""
    return constant / 100.0 * math.pow(2.0, ev_100)


# --- adding lights --------------------------------------------------------------------------------


def add_readings(*f_numbers: float) -> float:
    """Return what a meter reads when lamps that read `f_numbers` alone fire together.

    Exposures add and an exposure goes with N², so the sum is sqrt(N1² + N2² + ...).

    Raises
    ------
    ValueError
        If there is no reading, or one isn't above 0.
    """
    if not f_numbers:
        msg = "adding needs at least one reading"
        raise ValueError(msg)
    return math.hypot(*(_above_zero("an f-number", number) for number in f_numbers))


def remove_reading(total: float, part: float) -> float:
    """Return what is left of `total` without the lamp that reads `part`, sqrt(Nt² - Np²).

    Raises
    ------
    ValueError
        If `part` isn't below `total`.
    """
    if not 0.0 < part < total:
        msg = f"one lamp alone reads less than all together, got {part!r} of {total!r}"
        raise ValueError(msg)
    return math.sqrt((total - part) * (total + part))


def shift_reading(f_number: float, stops: float) -> float:
    """Return the reading after its light has changed by `stops`, N 2**(stops/2)."""
    return _above_zero("an f-number", f_number) * math.pow(2.0, stops / 2.0)


# --- distance -------------------------------------------------------------------------------------


def stops_of_distance(start: float, end: float) -> float:
    """Return the change of light when a small source moves from `start` to `end`, -2 log2(d2/d1).

    The inverse square law (CIE photometric distance law); within 1 % from about five times the
    source's largest dimension, and too strong for a large source nearby.
    """
    return -2.0 * math.log2(_above_zero("a distance", end) / _above_zero("a distance", start))


def distance_for_stops(start: float, stops: float) -> float:
    """Return how far a small source must stand for its light to change by `stops`."""
    return _above_zero("a distance", start) * math.pow(2.0, -stops / 2.0)


# --- power and guide numbers ----------------------------------------------------------------------


def stops_of_energy(watt_seconds: float, full_watt_seconds: float) -> float:
    """Return an energy as stops from full: same head, modifier and efficiency."""
    full = _above_zero("full power", full_watt_seconds)
    return math.log2(_above_zero("an energy", watt_seconds) / full)


def guide_number(guide_at_100: float, iso: float = 100.0, power: float = 1.0) -> float:
    """Return a guide number at another ISO and power, GN sqrt(ISO/100) sqrt(power).

    Parameters
    ----------
    guide_at_100
        At ISO 100 and full power (ISO 1230), in the unit of length that the distance has too.
    iso
        Speed of the sensor.
    power
        Fraction of full power.
    """
    guide = _above_zero("a guide number", guide_at_100)
    return guide * math.sqrt(_above_zero("an ISO", iso) / 100.0 * _above_zero("a power", power))


def f_number_of_guide(guide: float, distance: float) -> float:
    """Return the f-number that a guide number gives at a distance of the same unit, GN / d."""
    return _above_zero("a guide number", guide) / _above_zero("a distance", distance)


def _above_zero(what: str, value: float) -> float:
    if not 0.0 < value < math.inf:
        msg = f"{what} must be above 0 and finite, got {value!r}"
        raise ValueError(msg)
    return value


# --- marks as they are engraved -------------------------------------------------------------------

_THIRD_MARKS = (
    *(0.7, 0.8, 0.9),
    *(1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5),
    *(4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0, 13.0, 14.0),
    *(16.0, 18.0, 20.0, 22.0, 25.0, 29.0, 32.0, 36.0, 40.0, 45.0, 51.0, 57.0),
    *(64.0, 72.0, 81.0, 90.0),
)
"""Third stops from f/0.7 to f/90; the full stops are those of ISO 517."""

_HALF_MARKS = {
    1.7: 3,
    2.4: 5,
    3.3: 7,
    3.4: 7,
    4.8: 9,
    6.7: 11,
    9.5: 13,
    19.0: 17,
    27.0: 19,
    38.0: 21,
}
"""Marks that only the half-stop series has, and their place in it, 2**(place/4)."""

_FIRST_THIRD = -3
"""The place of f/0.7 in the third-stop series, where f/1 is 0."""

_EXACT_F_NUMBERS = {
    **{mark: math.pow(2.0, place / 4.0) for mark, place in _HALF_MARKS.items()},
    **{mark: math.pow(2.0, (n + _FIRST_THIRD) / 6.0) for n, mark in enumerate(_THIRD_MARKS)},
}
"""What a mark means: 2**(place / 4) in the half-stop series, 2**(place / 6) in thirds."""

FULL_STOPS = (0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0, 45.0, 64.0, 90.0)
"""The full-stop marks, each one stop from the next."""

_SHUTTER_MARKS = (
    *(1, 1.3, 1.6, 2, 2.5, 3, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100),
    *(125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200),
    *(4000, 5000, 6400, 8000),
)
"""Third-stop shutter marks as 1/n s; the full stops are those of ISO 516."""


_ISO_MARKS = (
    *(25, 32, 40, 50, 64, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600),
    *(2000, 2500, 3200, 4000, 5000, 6400, 8000, 10000, 12800, 16000, 20000, 25600),
)
"""Third-stop marks of speed (ISO 12232; from memory)."""


def is_f_mark(f_number: float) -> bool:
    """Tell whether a figure is engraved on the full, half or third-stop series."""
    return f_number in _EXACT_F_NUMBERS


def exact_f_number(f_number: float) -> float:
    """Return the f-number that an engraved figure stands for: 11.0 gives 11.3137.

    Parameters
    ----------
    f_number
        A mark, or any f-number: one that is no mark comes back unchanged.
    """
    return _EXACT_F_NUMBERS.get(f_number, f_number)


def nearest_third(f_number: float) -> float:
    """Return the exact third stop next to an f-number as files round it: 5.596 and 5.6 give 5.657.

    Every mark from f/1 to f/32 taken at its word lies within 0.15 stop of what it stands for.
    """
    return math.pow(2.0, round(6.0 * math.log2(f_number)) / 6.0)


def iso_stops(was: float, now: float) -> float:
    """Return how many stops more light a speed records than another, both as files say them.

    ISO 200 after ISO 100 is +1; the marks of thirds (125, 160) stand for exact thirds.
    """
    return math.log2(_as_recorded(now / 100.0) / _as_recorded(was / 100.0))


def aperture_stops(was: float, now: float) -> float:
    """Return how many stops more light an f-number lets in than another, both as files say them.

    f/8 after f/11 is +1: marks stand for exact stops (ISO 517), and files round them.
    """
    return -2.0 * math.log2(_f_as_recorded(now) / _f_as_recorded(was))


def shutter_stops(was: float, now: float) -> float:
    """Return how many stops more of a light that burns one time records than another, seconds.

    1/60 s after 1/125 s is +1 (marks of ISO 516).
    """
    return math.log2(_as_recorded(now) / _as_recorded(was))


def marks_near(setting: CameraSetting, value: float, *, stops: float) -> list[float]:
    """Return the third-stop marks of a camera's setting so many stops round a value, in order.

    Shutter times are in seconds, the longest first.
    """
    marks: tuple[float, ...]
    marks, apart = {
        "f_number": (_THIRD_MARKS, aperture_stops),
        "iso": (_ISO_MARKS, iso_stops),
        "shutter": (tuple(1.0 / mark for mark in _SHUTTER_MARKS), shutter_stops),
    }[setting]
    return [mark for mark in marks if abs(apart(value, mark)) <= stops + _OFF_A_MARK]


_OFF_A_MARK = 0.1
"""Stops that a setting may lie off its third-stop mark and still stand for it: files round."""


def _f_as_recorded(f_number: float) -> float:
    if is_f_mark(f_number):
        return exact_f_number(f_number)
    near = nearest_third(f_number)
    return near if abs(2.0 * math.log2(f_number / near)) < _OFF_A_MARK else f_number


def _as_recorded(value: float) -> float:
    """Return the third stop that a speed or a time stands for, or itself where none is near."""
    stops = math.log2(value)
    near = round(3.0 * stops) / 3.0
    return math.pow(2.0, near if abs(stops - near) < _OFF_A_MARK else stops)


def exact_shutter(shutter_s: float) -> float:
    """Return the time in seconds that an engraved one stands for: 1/125 gives 1/128.

    Whole and third stops from 1 s to 1/8000 s are known; any other time comes back unchanged.
    """
    for third, mark in enumerate(_SHUTTER_MARKS):
        if math.isclose(shutter_s * mark, 1.0, rel_tol=1e-9):
            return math.pow(2.0, -third / 3.0)
    return shutter_s


def slower_full_mark(shutter_s: float) -> float:
    """Return the next slower full-stop mark, as engraved: 1/160 s gives 1/125, 1/125 gives 1/60.

    Parameters
    ----------
    shutter_s
        A time in seconds, as engraved or as a file rounds it; marks of 1 s and slower double.

    Notes
    -----
    The full stops are those of ISO 516 (from memory).
    """
    third = round(-3.0 * math.log2(shutter_s))
    slower = 3 * ((third - 1) // 3)
    if 0 <= slower < len(_SHUTTER_MARKS):
        return 1.0 / _SHUTTER_MARKS[slower]
    return math.pow(2.0, -slower / 3.0)


def say_f_number(f_number: float) -> str:
    """Return an f-number as a meter shows it: the mark, or the full stop below and the tenths.

    Parameters
    ----------
    f_number
        A mark, or an exact f-number.

    Returns
    -------
    str
        "f/11", "f/6.3" for what lies within 0.02 stop of a mark, else "f/8+0.6".
    """
    exact = exact_f_number(f_number)
    for mark in _THIRD_MARKS:
        if abs(2.0 * math.log2(exact / _EXACT_F_NUMBERS[mark])) < _SAME_MARK_STOPS:
            return f"f/{mark:g}"
    tenths = round(20.0 * math.log2(exact)) + 10
    full, tenth = divmod(tenths, 10)
    if not 0 <= full < len(FULL_STOPS):
        return f"f/{exact:.3g}"
    return f"f/{FULL_STOPS[full]:g}+0.{tenth}" if tenth else f"f/{FULL_STOPS[full]:g}"


_SAME_MARK_STOPS = 0.02
"""Stops within which a figure is said as its mark: a fifth of what a meter shows."""


def say_shutter(shutter_s: float) -> str:
    """Return a shutter time as it is engraved: "1/160 s", "0.5 s", "2 s"."""
    if shutter_s > 0.3:
        return f"{shutter_s:.3g} s"
    return f"1/{_nearest_shutter_mark(1.0 / shutter_s):g} s"


def _nearest_shutter_mark(denominator: float) -> float:
    near = min(_SHUTTER_MARKS, key=lambda mark: abs(math.log2(denominator / mark)))
    same = abs(math.log2(denominator / near)) < _SAME_SHUTTER_STOPS
    return near if same else float(f"{denominator:.3g}")


_SAME_SHUTTER_STOPS = 0.1
"""Stops within which a time is said as its mark: files round shutter times to these."""


def say_power(
    stops: float, *, scale: str = "stops", full_ws: float | None = None, full_reads: float = 10.0
) -> str:
    """Return a power as its pack shows it, to a tenth of a stop.

    Parameters
    ----------
    stops
        From full, 0 or below.
    scale
        "stops" (-2.7), "fraction" (1/8+0.3), "figure" (7.3 of 10), or "Ws" (77 Ws).
    full_ws
        Full power in watt-seconds; without it "Ws" is said in stops.
    full_reads
        What the dial of a pack that counts in figures reads at full power; 1 less is 1 stop less.
    """
    tenths = round(10.0 * stops)
    if scale == "fraction":
        whole, part = divmod(tenths, 10)
        return f"1/{2 ** max(-whole, 0)}" + (f"+0.{part}" if part else "")
    if scale == "figure":
        return f"{full_reads + tenths / 10.0:.1f} of {full_reads:g}"
    if scale == "Ws" and full_ws:
        return f"{full_ws * math.pow(2.0, stops):.3g} Ws"
    return f"{tenths / 10.0:.1f}" if tenths else "full"
