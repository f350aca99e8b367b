"""Engraved figures and the exact values that they stand for: f/11 is 11.314, 1/125 is 1/128 s.

A plan keeps what was engraved or said; arithmetic asks :func:`exact_f_number` and
:func:`exact_shutter` for what it stands for. A figure that is on no engraved series is exact as it
stands. Where thirds and halves share a mark (1.2, 13), thirds are taken: cameras step in thirds.
"""

from __future__ import annotations

import math

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

FULL_STOPS = (0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0, 45.0, 64.0, 90.0)
"""The full-stop marks, each one stop from the next."""

_SHUTTER_MARKS = (
    *(1, 1.3, 1.6, 2, 2.5, 3, 4, 5, 6, 8, 10, 13, 15, 20, 25, 30, 40, 50, 60, 80, 100),
    *(125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200),
    *(4000, 5000, 6400, 8000),
)
"""Third-stop shutter marks as 1/n s; the full stops are those of ISO 516."""


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
