"""The arithmetic of the trade: stops, f-numbers, zones, ratios, adding lights, distance, power.

Pure functions of plain numbers, exact throughout: f/5.6 is 5.657 here, and the engraved figures
live in :mod:`stopwise.nominal`. Positive stops mean more light. An incident meter's reading names
the f-number that would expose for the light it saw, so a higher f-number is more light.
"""

from __future__ import annotations

import math

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
    """Return stops as a light ratio, 2**stops."""
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


def power_of_stops(stops: float) -> float:
    """Return stops from full as a fraction of full power, 2**stops."""
    return math.pow(2.0, stops)


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
