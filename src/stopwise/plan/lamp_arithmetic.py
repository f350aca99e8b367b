"""The arithmetic of one lamp as questions and answers: its distance, power and guide number."""

from __future__ import annotations

import math
import re

from stopwise import stops
from stopwise.errors import WrongUse
from stopwise.nominal import say_f_number, say_power
from stopwise.plan.answer import (
    INVERSE_SQUARE,
    Answer,
    asked,
    exact_reading,
    say_exactly,
    say_reading,
)
from stopwise.plan.readings import read_iso, read_length, read_power, read_stops

Said = str
_DIAL = 10.0
"""Where packs that count from 10 begin."""


def distance(start: Said, end: Said = "", *, change: Said = "", meter: Said = "") -> Answer:
    """Say what moving a lamp does, or how far it must move for a change in stops.

    Raises
    ------
    WrongUse
        If a length is wrong, or neither the second distance nor the change is given.
    """
    near = read_length(start)
    if bool(end) == bool(change):
        msg = "Give the second distance, or the change with --stops: one of the two."
        raise WrongUse(msg)
    far = read_length(end) if end else stops.distance_for_stops(near, read_stops(change))
    moved = stops.stops_of_distance(near, far)
    say = f"{near:g} m to {far:.3g} m: {say_exactly(moved)}"
    if meter:
        was = exact_reading(meter)
        say += f", so {say_f_number(was)} becomes {say_reading(stops.shift_reading(was, moved))}"
    return Answer(say, f"-2 log2({far:.4g} / {near:g}) = {moved:+.3f}: {INVERSE_SQUARE}", moved)


def power(said: Said, *, full_ws: float | None = None, turn: Said = "") -> Answer:
    """Say a power in every way that packs show it, after a turn if one is asked for.

    Raises
    ------
    WrongUse
        If it is wrong, or the turn goes above full power.
    """
    level = read_power(said, full_ws=full_ws)
    if turn:
        level = read_power(level + read_stops(turn))
    ways = [say_power(level), say_power(level, scale="fraction")]
    ways += [say_power(level, scale="figure")] if level >= -_DIAL else []
    ways += [say_power(level, scale="Ws", full_ws=full_ws)] if full_ws else []
    turned = f" turned {say_exactly(read_stops(turn))}" if turn else ""
    return Answer(
        f"{said}{turned} is {', '.join(ways)}",
        f"2^{level:.3f} = {stops.power_of_stops(level):.5f} of full; "
        "a dial of figures loses 1 a stop.",
        level,
    )


def guide(
    said: Said, far: Said = "", *, f_number: Said = "", iso: Said = "100", at: Said = "full"
) -> Answer:
    """Say the f-number that a guide number gives at a distance, or the distance for an f-number.

    Parameters
    ----------
    said
        Guide number in metres at ISO 100 and full power.
    far
        Distance.
    f_number
        f-number, in place of a distance.
    iso, at
        Speed and power now.

    Raises
    ------
    WrongUse
        If one is wrong, or neither distance nor f-number is given.
    """
    if bool(far) == bool(f_number):
        msg = "Give the distance, or the f-number with --f-number: one of the two."
        raise WrongUse(msg)
    fraction = stops.power_of_stops(read_power(at))
    number = _guide_in(said)
    now = asked(lambda: stops.guide_number(number, iso=read_iso(iso), power=fraction))
    why = f"GN = {number:g} √({read_iso(iso):g}/100) √{fraction:.4g} = {now:.4g} m"
    if far:
        length = read_length(far)
        result = stops.f_number_of_guide(now, length)
        say = f"Guide number {now:.4g} m at {length:g} m: {say_reading(result)}"
        return Answer(say, f"{why}; N = GN / d = {now:.4g} / {length:g} = {result:.3f}.", result)
    wide = exact_reading(f_number)
    result = now / wide
    say = f"Guide number {now:.4g} m at {say_f_number(wide)}: {result:.3g} m"
    return Answer(say, f"{why}; d = GN / N = {now:.4g} / {wide:.4g} = {result:.3f} m.", result)


def _guide_in(said: Said) -> float:
    found = re.fullmatch(r"(?i)\s*(?:gn)?\s*([0-9.]+)\s*(m|ft)?\s*", said)
    try:
        value = float(found[1]) if found else math.nan
    except ValueError:
        value = math.nan
    if found is None or not 0.0 < value < 10000.0:
        right = 'Write it in metres at ISO 100, such as 32, or as "105 ft"'
        msg = f'"{said}" is not a guide number. {right}.'
        raise WrongUse(msg)
    return value * 0.3048 if (found[2] or "").lower() == "ft" else value
