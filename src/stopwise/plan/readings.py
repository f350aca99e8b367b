"""Readings as people say and write them: f/11, 8+0.3, 1/160, 7.0 of 10, 180 cm.

One parser for the plan file, the prompts and the command line, with one set of messages. A reading
keeps the engraved figure (f/11 stays 11.0); :mod:`stopwise.nominal` knows what it stands for.
"""

from __future__ import annotations

import math
import re

from stopwise.errors import WrongUse
from stopwise.nominal import FULL_STOPS, exact_f_number, is_f_mark
from stopwise.plan.spoken import (
    NUMBER,
    Said,
    add,
    divide,
    in_range,
    log2,
    plain,
    show,
    stops_in,
    wrong,
)
from stopwise.stops import shift_reading, stops_between_f_numbers, stops_of_energy

F_NUMBER_RIGHT = '11, "f/11", "8+0.3" or "8.3t" (f/8 and three tenths), or "8 1/3"'
SHUTTER_RIGHT = '"1/160", 160 (for 1/160 s) or "2 s"'
POWER_RIGHT = '-2.0 (stops below full), "1/4", "full", "7.0 of 10" or "125 Ws"'
LENGTH_RIGHT = '1.8 (metres), "180 cm" or "6 ft"'
ANGLE_RIGHT = '60 or "60 right", and -45 or "45 left"'
ELEVATION_RIGHT = '35 or "35 up", and -10 or "10 down"'
ISO_RIGHT = '100 or "ISO 100"'
STOPS_RIGHT = '0.7, "-2/3" or "1 1/3"'


def read_f_number(said: Said) -> float:
    """Return the f-number of a reading: 11, "f/11", "8+0.3", "8.3t", "8 1/3", "5.6 and a third".

    Returns
    -------
    float
        The mark as written (11.0 for f/11), or the exact f-number where tenths or thirds were
        added to a mark: "8+0.3" is 8.877.

    Raises
    ------
    WrongUse
        If it can't be read, lies outside f/0.5 to f/128, or is a bare figure such as 8.3 that
        means f/8 and three tenths to one person and f/8.3 to another.
    """
    text, sure = plain(said), False
    if found := re.fullmatch(r"f\s*/?\s*(.+)", text):
        text, sure = found[1], True
    if found := re.fullmatch(rf"({NUMBER})\.([0-9])\s*t", text):
        return _marked(said, float(found[1]), int(found[2]) / 10.0)
    if found := re.fullmatch(rf"({NUMBER})\s*((?:[+-]|\s).+)", text):
        return _shifted(said, float(found[1]), stops_in(found[2]))
    if not re.fullmatch(NUMBER, text):
        raise wrong(said, "an f-number", F_NUMBER_RIGHT)
    if not sure:
        _refuse_bare_tenths(text)
    return _f_in_range(said, float(text))


def _marked(said: Said, mark: float, stops: float) -> float:
    if mark not in FULL_STOPS:
        raise wrong(said, "a full stop with its tenths", F_NUMBER_RIGHT)
    return _shifted(said, mark, stops)


def _shifted(said: Said, mark: float, stops: float | None) -> float:
    if stops is None or abs(stops) >= 1.0 or mark <= 0.0:
        raise wrong(said, "an f-number with less than a stop added", F_NUMBER_RIGHT)
    return _f_in_range(said, shift_reading(exact_f_number(mark), stops) if stops else mark)


def _f_in_range(said: Said, value: float) -> float:
    return in_range(said, value, (0.5, 128.0), f"f-numbers run from 0.5 to 128: {F_NUMBER_RIGHT}")


def _refuse_bare_tenths(text: str) -> None:
    found = re.fullmatch(r"([0-9]+)\.([1-9])", text)
    if not found or is_f_mark(float(text)) or float(found[1]) not in FULL_STOPS:
        return
    tenths = shift_reading(exact_f_number(float(found[1])), int(found[2]) / 10.0)
    apart = abs(stops_between_f_numbers(float(text), tenths))
    msg = (
        f"{text} can mean f/{found[1]} and {found[2]} tenths, or f/{text}: "
        f"{apart:.2f} stop apart. "
        f'Write "{text}t" or "{found[1]}+0.{found[2]}" for the first, "f/{text}" for the second.'
    )
    raise WrongUse(msg)


def read_shutter(said: Said) -> float:
    """Return a shutter time in seconds: "1/160", 160 (as a dial shows 1/160), 0.5, "2 s".

    Raises
    ------
    WrongUse
        If it can't be read, isn't within 1/64000 s to an hour, or is a bare figure from 1 to 30
        that a dial uses both for seconds and for their fractions.
    """
    text = plain(said)
    seconds = r"\s*(?:s|secs?|seconds?|\")"
    if found := re.fullmatch(rf"1\s*/\s*({NUMBER})(?:{seconds})?", text):
        value = divide(1.0, float(found[1]))
    elif found := re.fullmatch(rf"({NUMBER}){seconds}", text):
        value = float(found[1])
    elif re.fullmatch(NUMBER, text):
        value = _bare_shutter(text)
    else:
        raise wrong(said, "a shutter time", SHUTTER_RIGHT)
    right = f"shutter times run from 1/64000 s to 3600 s: {SHUTTER_RIGHT}"
    return in_range(said, value, (1.0 / 64000.0, 3600.0), right)


def _bare_shutter(text: str) -> float:
    value = float(text)
    if value <= 1.0:
        return value
    if value > 30.0:
        return 1.0 / value
    msg = f'{text} can mean 1/{text} s or {text} s. Write "1/{text}" or "{text} s".'
    raise WrongUse(msg)


def read_power(said: Said, *, full_ws: float | None = None) -> float:
    """Return a power as stops from full, 0 or below.

    Parameters
    ----------
    said
        -2.0, "1/4", "1/4+0.3", "25 %", "full", "7.0 of 10", or "125 Ws".
    full_ws
        The lamp's full power in watt-seconds, which the last form needs.

    Raises
    ------
    WrongUse
        If it can't be read, is above full or more than 15 stops below it.
    """
    text = plain(said)
    if text == "full":
        return 0.0
    value = _power_in(text, full_ws)
    if value is None or not math.isfinite(value):
        raise wrong(said, "a power", POWER_RIGHT)
    if value > 1e-9:
        msg = f"{show(said)} is above full power. Write {POWER_RIGHT}."
        raise WrongUse(msg)
    right = f"powers run from -15 to 0, in stops from full: {POWER_RIGHT}"
    return in_range(said, min(value, 0.0), (-15.0, 0.0), right)


def _power_in(text: str, full_ws: float | None) -> float | None:
    if found := re.fullmatch(rf"({NUMBER})\s*of\s*({NUMBER})", text):
        return float(found[1]) - float(found[2])
    if found := re.fullmatch(rf"({NUMBER})\s*(?:ws|w s|j|watt-?\s?seconds?|joules?)", text):
        return _energy(float(found[1]), full_ws)
    if found := re.fullmatch(rf"({NUMBER})\s*%", text):
        return log2(float(found[1]) / 100.0)
    if found := re.fullmatch(rf"1\s*/\s*({NUMBER})(.*)", text):
        return add(log2(divide(1.0, float(found[1]))), stops_in(found[2] or "0"))
    return stops_in(text)


def _energy(watt_seconds: float, full_ws: float | None) -> float:
    if full_ws is None:
        msg = "Watt-seconds need the lamp's full power: write full_ws = 500 beside them, too."
        raise WrongUse(msg)
    return -math.inf if watt_seconds <= 0.0 else stops_of_energy(watt_seconds, full_ws)


def read_length(said: Said) -> float:
    r"""Return a length in metres: 1.8, "180 cm", "6 ft", "5'11\"".

    Raises
    ------
    WrongUse
        If it can't be read, or isn't within 1 cm and 60 m: the unit was mistaken.
    """
    text = plain(said)
    feet = rf"({NUMBER})\s*(?:'|ft|feet|foot)"
    inches = rf"({NUMBER})\s*(?:\"|in|inch|inches)"
    if found := re.fullmatch(rf"({NUMBER})\s*(m|cm|mm|metres?|meters?)?", text):
        value = float(found[1]) * {"cm": 0.01, "mm": 0.001}.get(found[2] or "m", 1.0)
    elif found := re.fullmatch(rf"(?:{feet})?\s*(?:{inches})?", text):
        value = 0.3048 * float(found[1] or 0.0) + 0.0254 * float(found[2] or 0.0)
    else:
        raise wrong(said, "a length", LENGTH_RIGHT)
    right = f"lengths run from 0.01 to 60 metres; with another unit, name it: {LENGTH_RIGHT}"
    return in_range(said, value, (0.01, 60.0), right)


def read_angle(said: Said) -> float:
    """Return degrees round the sitter, to camera right positive: 60, "60 right", "45 left".

    Raises
    ------
    WrongUse
        If it can't be read or isn't within -360 and 360.
    """
    return _angle(said, ("right", "left"), 360.0, ANGLE_RIGHT)


def read_elevation(said: Said) -> float:
    """Return degrees above the sitter: 35, "35 up", "10 down".

    Raises
    ------
    WrongUse
        If it can't be read or isn't within -90 and 90.
    """
    return _angle(said, ("up", "down"), 90.0, ELEVATION_RIGHT)


def _angle(said: Said, sides: tuple[str, str], most: float, right: str) -> float:
    ahead, back = sides
    pattern = rf"([+-]?)\s*({NUMBER})\s*(?:deg\w*)?\s*({ahead}|{back})?"
    found = re.fullmatch(pattern, plain(said))
    if not found:
        raise wrong(said, "an angle in degrees", right)
    sign = -1.0 if (found[1] == "-") != (found[3] == back) else 1.0
    span = f"it must lie within {-most:g} and {most:g} degrees: {right}"
    return in_range(said, sign * float(found[2]), (-most, most), span)


def read_iso(said: Said) -> float:
    """Return an ISO speed: 100, "ISO 100", "ISO 400/27".

    Raises
    ------
    WrongUse
        If it can't be read or isn't within 1 and 10 million.
    """
    found = re.fullmatch(rf"(?:iso)?\s*({NUMBER})(?:\s*/\s*[0-9]+\s*(?:deg\s*)?)?", plain(said))
    if not found:
        raise wrong(said, "an ISO speed", ISO_RIGHT)
    span = f"ISO speeds run from 1 to 10 million: {ISO_RIGHT}"
    return in_range(said, float(found[1]), (1.0, 1e7), span)


def read_stops(said: Said) -> float:
    """Return signed stops: 0.7, "+0.7", "-2/3", "1 1/3", "two thirds", "0.5 stop".

    Raises
    ------
    WrongUse
        If it can't be read or isn't within -30 and 30.
    """
    value = stops_in(re.sub(r"\s*stops?$", "", plain(said)))
    if value is None:
        raise wrong(said, "a number of stops", STOPS_RIGHT)
    return in_range(said, value, (-30.0, 30.0), f"stops run from -30 to 30: {STOPS_RIGHT}")
