"""Readings as people say and write them: f/11, 8+0.3, 1/160, 7.0 of 10, 180 cm.

One parser for the plan file, the prompts and the command line, with one set of messages. A reading
keeps the engraved figure (f/11 stays 11.0); :mod:`stopwise.stops` knows what it stands for.
"""

from __future__ import annotations

import difflib
import math
import re
from typing import TYPE_CHECKING

from stopwise.errors import WrongUse
from stopwise.stops import (
    FULL_STOPS,
    exact_f_number,
    is_f_mark,
    shift_reading,
    stops_between_f_numbers,
    stops_of_energy,
)

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

Said = str | float
"""What a person gave: text, or a number of a TOML file."""

F_NUMBER_RIGHT = '11, "f/11", "8+0.3" or "8.3t" (f/8 and three tenths), or "8 1/3"'
SHUTTER_RIGHT = '"1/160", 160 (for 1/160 s) or "2 s"'
POWER_RIGHT = '-2.0 (stops below full), "1/4", "full", "7.0 of 10" or "125 Ws"'
LENGTH_RIGHT = '1.8 (metres), "180 cm" or "6 ft"'
ANGLE_RIGHT = '60 or "60 right", and -45 or "45 left"'
ELEVATION_RIGHT = '35 or "35 up", and -10 or "10 down"'
ISO_RIGHT = '100 or "ISO 100"'
STOPS_RIGHT = '0.7, "-2/3" or "1 1/3"'

_NUMBER = r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_SECONDS = r"\s*(?:s|secs?|seconds?|\")"
_METRES_A_FOOT = 0.3048  # exact, by definition: twelve inches
_METRES_AN_INCH = 0.0254  # exact, by definition
_LONGEST = 80  # characters of a reading; "5.6 and two thirds" has 18
_SHOWN = 40  # characters of what was said that a message repeats
_LONGEST_BARE_S = 30.0  # a dial shows up to 30 both as seconds and as their fractions

_SIGNS = str.maketrans(
    {
        "½": " 1/2",
        "⅓": " 1/3",
        "⅔": " 2/3",
        "¼": " 1/4",
        "¾": " 3/4",
        "−": "-",
        "–": "-",
        "ƒ": "f",
        "″": '"',
        "”": '"',
        "′": "'",
        "’": "'",
        "°": " deg ",
        "·": "",
    }
)
_WORDS = {
    r"\b(?:a|one) third\b": "1/3",
    r"\btwo thirds\b": "2/3",
    r"\b(?:a|one) half\b": "1/2",
    r"\b([0-9]) tenths?\b": r"\1/10",
    r"\s*\b(?:and|plus)\b\s*": " ",
}


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
    text = _plain(said)
    found = re.fullmatch(r"f\s*/?\s*(.+)", text)
    is_sure, text = found is not None, found[1] if found else text
    if found := re.fullmatch(rf"({_NUMBER})\.([0-9])\s*t", text):
        value, shift = float(found[1]), int(found[2]) / 10.0
        if value not in FULL_STOPS:
            raise _wrong(said, "a full stop with its tenths", F_NUMBER_RIGHT)
    elif found := re.fullmatch(rf"({_NUMBER})\s*((?:[+-]|\s).+)", text):
        value, shift = float(found[1]), _stops_in(found[2])
    elif re.fullmatch(_NUMBER, text):
        value, shift = float(text), 0.0
        if not is_sure:
            _refuse_bare_tenths(text)
    else:
        raise _wrong(said, "an f-number", F_NUMBER_RIGHT)
    if shift:
        if not (math.isfinite(shift) and abs(shift) < 1.0) or value <= 0.0:
            raise _wrong(said, "an f-number with less than a stop added", F_NUMBER_RIGHT)
        value = shift_reading(exact_f_number(value), shift)
    return _in_range(said, value, (0.5, 128.0), f"f-numbers run from 0.5 to 128: {F_NUMBER_RIGHT}")


def _refuse_bare_tenths(text: str) -> None:
    whole, _, tenth = text.partition(".")
    if not re.fullmatch("[1-9]", tenth) or is_f_mark(float(text)):
        return
    if not whole or float(whole) not in FULL_STOPS:
        return
    tenths = shift_reading(exact_f_number(float(whole)), int(tenth) / 10.0)
    apart = abs(stops_between_f_numbers(float(text), tenths))
    msg = (
        f"{text} can mean f/{whole} and {tenth} tenths, or f/{text}: {apart:.2f} stop apart. "
        f'Write "{text}t" or "{whole}+0.{tenth}" for the first, "f/{text}" for the second.'
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
    text = _plain(said)
    if found := re.fullmatch(rf"1\s*/\s*({_NUMBER})(?:{_SECONDS})?", text):
        value = _quotient(1.0, float(found[1]))
    elif found := re.fullmatch(rf"({_NUMBER}){_SECONDS}", text):
        value = float(found[1])
    elif not re.fullmatch(_NUMBER, text):
        raise _wrong(said, "a shutter time", SHUTTER_RIGHT)
    elif 1.0 < float(text) <= _LONGEST_BARE_S:
        msg = f'{text} can mean 1/{text} s or {text} s. Write "1/{text}" or "{text} s".'
        raise WrongUse(msg)
    else:
        value = float(text) if float(text) <= 1.0 else 1.0 / float(text)
    right = f"shutter times run from 1/64000 s to 3600 s: {SHUTTER_RIGHT}"
    return _in_range(said, value, (1.0 / 64000.0, 3600.0), right)


def read_power(said: Said, *, full_ws: float | None = None) -> float:
    """Return a power as stops from full, 0 or below.

    Parameters
    ----------
    said
        -2.0, "1/4", "1/4+0.3", "25 %", "full", "7.0 of 10" (a dial of figures that reads 10 at
        full power), or "125 Ws".
    full_ws
        The lamp's full power in watt-seconds, which the last form needs.

    Raises
    ------
    WrongUse
        If it can't be read, is above full or more than 15 stops below it.
    """
    text = _plain(said)
    if text == "full":
        value = 0.0
    elif found := re.fullmatch(rf"({_NUMBER})\s*of\s*({_NUMBER})", text):
        value = float(found[1]) - float(found[2])
    elif found := re.fullmatch(rf"({_NUMBER})\s*(?:ws|w s|j|watt-?\s?seconds?|joules?)", text):
        if full_ws is None:
            msg = "Watt-seconds need the lamp's full power: write full_ws = 500 beside them, too."
            raise WrongUse(msg)
        energy = float(found[1])
        value = stops_of_energy(energy, full_ws) if energy > 0.0 else -math.inf
    elif found := re.fullmatch(rf"({_NUMBER})\s*%", text):
        value = _log2(float(found[1]) / 100.0)
    elif found := re.fullmatch(rf"1\s*/\s*({_NUMBER})(.*)", text):
        value = _log2(_quotient(1.0, float(found[1]))) + _stops_in(found[2] or "0")
    else:
        value = math.nan if re.match(r"[0-9]+\s*/", text) else _stops_in(text)
    if not math.isfinite(value):
        raise _wrong(said, "a power", POWER_RIGHT)
    if value > 1e-9:
        msg = f"{_show(said)} is above full power. Write {POWER_RIGHT}."
        raise WrongUse(msg)
    right = f"powers run from -15 to 0, in stops from full: {POWER_RIGHT}"
    return _in_range(said, min(value, 0.0), (-15.0, 0.0), right)


def as_the_dial_reads(said: str, *, scale: str, full_reads: object = None) -> str:
    """Return a power with what its pack's display leaves unsaid: "7.2" is "7.2 of 10" there.

    Parameters
    ----------
    said
        As typed. What isn't a bare number comes back as it is.
    scale
        "stops", "fraction", "figure" or "Ws"; anything else adds nothing.
    full_reads
        What a dial of figures reads at full power; 10 for None.
    """
    if not re.fullmatch(_NUMBER, text := _plain(said)):
        return said
    behind = {"figure": f" of {full_reads or 10}", "Ws": " Ws"}.get(scale, "")
    if scale == "fraction" and text == "1":
        behind = "/1"
    return f"{said.strip()}{behind}"


def read_length(said: Said) -> float:
    r"""Return a length in metres: 1.8, "180 cm", "6 ft", "5'11\"".

    Raises
    ------
    WrongUse
        If it can't be read, or isn't within 1 cm and 60 m: the unit was mistaken.
    """
    text = _plain(said)
    feet = rf"({_NUMBER})\s*(?:'|ft|feet|foot)"
    inches = rf"({_NUMBER})\s*(?:\"|in|inch|inches)"
    if found := re.fullmatch(rf"({_NUMBER})\s*(m|cm|mm|metres?|meters?)?", text):
        value = float(found[1]) * {"cm": 0.01, "mm": 0.001}.get(found[2] or "m", 1.0)
    elif found := re.fullmatch(rf"(?:{feet})?\s*(?:{inches})?", text):
        value = _METRES_A_FOOT * float(found[1] or 0.0) + _METRES_AN_INCH * float(found[2] or 0.0)
    else:
        raise _wrong(said, "a length", LENGTH_RIGHT)
    right = f"lengths run from 0.01 to 60 metres; with another unit, name it: {LENGTH_RIGHT}"
    return _in_range(said, value, (0.01, 60.0), right)


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
    pattern = rf"([+-]?)\s*({_NUMBER})\s*(?:deg\w*)?\s*({ahead}|{back})?"
    found = re.fullmatch(pattern, _plain(said))
    if not found:
        raise _wrong(said, "an angle in degrees", right)
    sign = -1.0 if (found[1] == "-") != (found[3] == back) else 1.0
    span = f"it must lie within {-most:g} and {most:g} degrees: {right}"
    return _in_range(said, sign * float(found[2]), (-most, most), span)


def read_iso(said: Said) -> float:
    """Return an ISO speed: 100, "ISO 100", "ISO 400/27".

    Raises
    ------
    WrongUse
        If it can't be read or isn't within 1 and 10 million.
    """
    found = re.fullmatch(rf"(?:iso)?\s*({_NUMBER})(?:\s*/\s*[0-9]+\s*(?:deg\s*)?)?", _plain(said))
    if not found:
        raise _wrong(said, "an ISO speed", ISO_RIGHT)
    span = f"ISO speeds run from 1 to 10 million: {ISO_RIGHT}"
    return _in_range(said, float(found[1]), (1.0, 1e7), span)


def read_stops(said: Said) -> float:
    """Return signed stops: 0.7, "+0.7", "-2/3", "1 1/3", "two thirds", "0.5 stop".

    Raises
    ------
    WrongUse
        If it can't be read or isn't within -30 and 30.
    """
    value = _stops_in(re.sub(r"\s*stops?$", "", _plain(said)))
    if math.isnan(value):
        raise _wrong(said, "a number of stops", STOPS_RIGHT)
    return _in_range(said, value, (-30.0, 30.0), f"stops run from -30 to 30: {STOPS_RIGHT}")


def read_turn(said: str) -> float:
    """Return a turn in stops, up positive: "-0.7", "+1/3", "down 1/3", "up 0.4 stop".

    Raises
    ------
    WrongUse
        If it can't be read, or is a bare figure that doesn't say which way.
    """
    found = re.fullmatch(r"(up\b|down\b|[+-])\s*([^+\s-].*)", _plain(said))
    if found:
        return -read_stops(found[2]) if found[1] in ("down", "-") else read_stops(found[2])
    read_stops(said)
    figure = said.strip()
    msg = f'{figure} doesn\'t say which way. Write "+{figure}" or "-{figure}", up or down.'
    raise WrongUse(msg)


def nearest(wrong: str, right: Iterable[str]) -> str | None:
    """Return the word of `right` that was most likely meant by `wrong`, or None."""
    small = {word.lower().replace("-", "_").replace(" ", "_"): word for word in right}
    asked = wrong.lower().replace("-", "_").replace(" ", "_")
    found = difflib.get_close_matches(asked, small, n=1, cutoff=0.6)
    return small[found[0]] if found else None


def which_there_is(wrong: str, right: Collection[str]) -> str:
    """Say which name was likely meant by one that isn't there, or else which there are."""
    meant = nearest(wrong, right)
    return f'Did you mean "{meant}"?' if meant else f"It has {', '.join(right) or 'none'}."


def _plain(said: Said) -> str:
    """Return what was said in small letters, with one way of writing signs and words."""
    if isinstance(said, int | float):
        return f"{said!r}".lower().removesuffix(".0")
    if len(said) > _LONGEST:
        msg = f"{_show(said)} is too long for a reading: {_LONGEST} characters are the most."
        raise WrongUse(msg)
    text = said.strip().lower().translate(_SIGNS)
    for words, plain in _WORDS.items():
        text = re.sub(words, plain, text)
    return text.strip()


def _stops_in(text: str) -> float:
    """Return "+0.3", "1/3", "-1 1/3" as stops, NaN for anything else."""
    whole, fraction = rf"({_NUMBER})", r"([0-9]+)\s*/\s*([0-9]+)"
    found = re.fullmatch(rf"([+-]?)\s*(?:{whole}|(?:{whole}\s+)?{fraction})", text.strip())
    if not found:
        return math.nan
    part = _quotient(float(found[4]), float(found[5])) if found[4] else 0.0
    value = float(found[2] or found[3] or 0.0) + part
    return -value if found[1] == "-" else value


def _quotient(upper: float, lower: float) -> float:
    return upper / lower if lower else math.inf


def _log2(value: float) -> float:
    return math.log2(value) if value > 0.0 else -math.inf


def _in_range(said: Said, value: float, span: tuple[float, float], right: str) -> float:
    """Return `value`, or refuse it with the sentence `right`."""
    least, most = span
    if least * (1.0 - 1e-9) - 1e-9 <= value <= most * (1.0 + 1e-9):
        return value
    msg = f"{_show(said)} is out of range; {right}."
    raise WrongUse(msg)


def _wrong(said: Said, what: str, right: str) -> WrongUse:
    """Return the refusal of something that is not `what`."""
    comma = isinstance(said, str) and re.search(r"[0-9],[0-9]", said)
    hint = " with a point for the decimal:" if comma else ""
    return WrongUse(f"{_show(said)} is not {what}. Write{hint} {right}.")


def _show(said: Said) -> str:
    """Return what was said, in quotes where it was text, short and printable."""
    text = repr(said) if isinstance(said, int | float) else f'"{said}"'
    text = text.encode("unicode_escape").decode() if not text.isprintable() else text
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}…"
