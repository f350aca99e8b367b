"""The arithmetic of the trade: stops, f-numbers, zones, ratios, adding lights, distance, power.

Pure functions of plain numbers, exact throughout: nominal markings (f/5.6 for f/5.657) belong to
whoever prints. Positive stops mean more light.
"""

from __future__ import annotations

import math

MIDDLE_ZONE = 5.0
"""The zone of mid-grey."""

MID_GREY_OF_SATURATION = 0.18 / math.sqrt(2.0)
"""Where an 18 % grey falls below saturation, 0.1273: ISO 12232, saturation-based speed."""


def stops_of_ratio(ratio: float) -> float:
    """Return a light ratio in stops, log2(ratio).

    Raises
    ------
    ValueError
        If `ratio` isn't above 0.
    """
    if not ratio > 0:
        msg = f"a ratio must be above 0, got {ratio!r}"
        raise ValueError(msg)
    return math.log2(ratio)


def ratio_of_stops(stops: float) -> float:
    """Return stops as a light ratio, 2**stops."""
    return math.pow(2.0, stops)


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
    return MIDDLE_ZONE + stops_of_ratio(luminance / mid_grey)


def luminance_of_zone(zone: float, mid_grey: float = MID_GREY_OF_SATURATION) -> float:
    """Return the linear luminance at which `zone` lies, the inverse of `zone_of_luminance`."""
    return mid_grey * math.pow(2.0, zone - MIDDLE_ZONE)
