"""The arithmetic of light as questions and answers: what was said in, a sentence and why out."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise import stops
from stopwise.errors import WrongUse
from stopwise.plan.readings import (
    read_f_number,
    read_iso,
    read_length,
    read_power,
    read_shutter,
    read_stops,
    read_turn,
)
from stopwise.stops import (
    exact_f_number,
    exact_shutter,
    is_f_mark,
    say_f_number,
    say_power,
    say_shutter,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

_INVERSE_SQUARE = (
    "the inverse square law of a small source, good to 1 % from five times its largest size."
)
_ROMAN = ("0", "I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X")
_TOP_FIGURE = 10.0
"""What a dial of figures is shown to read at full power, where nobody says (common on packs)."""


@dataclass(frozen=True, slots=True)
class Result:
    """What a sum comes to.

    Attributes
    ----------
    say
        The answer, a line each.
    why
        The formula with its figures, a line each.
    value
        The answer as a bare number, in the unit that `say` names first.
    """

    say: str
    why: str
    value: float


# --- readings, ratios, zones ----------------------------------------------------------------------


def add(said: Sequence[str], *, without: Sequence[str] = ()) -> Result:
    """Add meter readings of lamps that fire together, and take lamps out of the sum.

    Raises
    ------
    WrongUse
        If a reading is wrong, or less is left than nothing.
    """
    parts, taken = ([_reading(text) for text in texts] for texts in (said, without))
    total = stops.add_readings(*parts)
    for part in taken:
        total = _answer_of(stops.remove_reading, total, part)
    sums = " + ".join(map(say_f_number, parts)) + "".join(f" - {say_f_number(p)}" for p in taken)
    squares = " + ".join(f"{part:.3f}²" for part in parts)
    squares += "".join(f" - {part:.3f}²" for part in taken)
    over = _stops(stops.stops_between_f_numbers(max(parts), total))
    return Result(
        f"{sums} = {_shown(total)}, {over} against the strongest alone",
        f"N = √({squares}) = {total:.3f}: exposures add, and they go with N².{_marks(said)}",
        total,
    )


def between(first: str, second: str, *, kind: str = "") -> Result:
    """Say how many stops lie from `first` to `second`: readings, powers, distances, ISOs or times.

    Parameters
    ----------
    first, second
        Of the same kind.
    kind
        Which of `KINDS`; "" tells it from how they are written, and takes bare numbers as readings.

    Raises
    ------
    WrongUse
        If one is wrong.
    """
    kind = kind or _kind_of(f"{first} {second}".lower())
    apart, why = KINDS[kind](first, second)
    return Result(f"{first} to {second}: {_stops(apart)} ({kind})", why, apart)


def _between_readings(first: str, second: str) -> tuple[float, str]:
    start, end = _reading(first), _reading(second)
    apart = stops.stops_between_f_numbers(start, end)
    return apart, f"2 log2({end:.3f} / {start:.3f}) = {apart:+.3f}.{_marks((first, second))}"


def _between_powers(first: str, second: str) -> tuple[float, str]:
    watts = re.compile(r"(?i)^\s*([0-9.]+)\s*(?:ws|j)\s*$")
    if (start := watts.match(first)) and (end := watts.match(second)):
        apart = _answer_of(stops.stops_of_energy, _number(end[1]), _number(start[1]))
        return apart, f"log2({end[1]} / {start[1]}) = {apart:+.3f}: same head and modifier."
    low, high = read_power(first), read_power(second)
    return high - low, f"{high:+.3f} - ({low:+.3f}), each in stops from full."


def _between_distances(first: str, second: str) -> tuple[float, str]:
    start, end = read_length(first), read_length(second)
    apart = stops.stops_of_distance(start, end)
    return apart, f"-2 log2({end:g} / {start:g}) = {apart:+.3f}: {_INVERSE_SQUARE}"


def _between_isos(first: str, second: str) -> tuple[float, str]:
    start, end = read_iso(first), read_iso(second)
    apart = stops.stops_between_isos(start, end)
    return apart, f"log2({end:g} / {start:g}) = {apart:+.3f}."


def _between_times(first: str, second: str) -> tuple[float, str]:
    start, end = exact_shutter(read_shutter(first)), exact_shutter(read_shutter(second))
    apart = stops.time_value(start) - stops.time_value(end)
    return apart, f"log2({end:.6g} s / {start:.6g} s) = {apart:+.3f}."


KINDS: dict[str, Callable[[str, str], tuple[float, str]]] = {
    "readings": _between_readings,
    "powers": _between_powers,
    "distances": _between_distances,
    "ISOs": _between_isos,
    "times": _between_times,
}
"""What `between` can be asked about."""

_SIGNS = {
    "ISOs": "iso",
    "times": r"[0-9]\s*(?:s|sec)\b",
    "powers": r"of [0-9]|ws\b|[0-9]\s*j\b|full|%|(?:^|\s)1/[0-9.]+\+|(?:^|\s)-[0-9]",
    "distances": r"[0-9]\s*(?:m|cm|mm|ft|feet)\b|['\"]",
}
"""How each kind is told from what was said, in this order."""


def _kind_of(text: str) -> str:
    """Tell what two values are; fractions are powers where each halves, 1/4, and else times."""
    if kind := next((one for one, signs in _SIGNS.items() if re.search(signs, text)), None):
        return kind
    parts = [float(number) for number in re.findall(r"(?:^|\s)1/([0-9]+\.?[0-9]*)", text)]
    if not parts:
        return "readings"
    return "powers" if all(math.frexp(part)[0] == 0.5 for part in parts) else "times"


def ratio(said: str, fill: str = "") -> Result:
    """Say a lighting ratio in both conventions, from stops, from a ratio, or from two readings.

    Parameters
    ----------
    said
        Stops of key over fill ("2", "1 1/3"), a ratio ("3:1"), or the key's reading.
    fill
        The fill's reading, where the first is the key's.

    Raises
    ------
    WrongUse
        If one is wrong.
    """
    found = re.fullmatch(r"\s*([0-9.]+)\s*:\s*([0-9.]+)\s*", said)
    if found and not fill:
        over, under = _number(found[1]), _number(found[2])
        return _stops_of_ratio(over / under if under else math.inf)
    apart, how = read_stops(said) if not fill else 0.0, "as said"
    if fill:
        apart = _between_readings(fill, said)[0]
        how = f"2 log2({_reading(said):.3f} / {_reading(fill):.3f})"
    source, additive = stops.ratio_of_stops(apart), stops.combined_ratio(apart)
    lit = stops.lit_to_shadow_stops(apart)
    return Result(
        f"Key {_stops(apart)} over fill is\n"
        f"  {source:.2f}:1 as key to fill, each metered alone\n"
        f"  {additive:.2f}:1 as key + fill to fill: lit is {lit:.2f} over shadow where the fill "
        "reaches both",
        f"Stops: {how} = {apart:+.3f}. Key to fill: 2^{apart:.3f}. "
        f"Key + fill to fill: 2^{apart:.3f} + 1; as stops log2({additive:.3f}) = {lit:.3f}.",
        apart,
    )


def _stops_of_ratio(value: float) -> Result:
    source = _answer_of(stops.stops_of_ratio, value)
    say = f"{value:g}:1 is\n  {_stops(source)} of key over fill, each metered alone"
    why = f"Key to fill: log2({value:g}) = {source:.3f}."
    if value > 1.0:
        additive = stops.stops_of_combined_ratio(value)
        say += f"\n  {_stops(additive)} of key over fill, if it means key + fill to fill"
        why += f" Key + fill to fill: log2({value:g} - 1) = {additive:.3f}."
    return Result(say, why, source)


def ev(f_number: str, shutter: str, *, iso: str = "100") -> Result:
    """Say the exposure value of settings, and the light that it stands for.

    Raises
    ------
    WrongUse
        If one is wrong.
    """
    wide, time, speed = _reading(f_number), exact_shutter(read_shutter(shutter)), read_iso(iso)
    value = stops.exposure_value(wide, time, speed)
    lux, luminance = (
        f"{float(f'{light(value):.3g}'):,.10g}"
        for light in (stops.illuminance_of_ev, stops.luminance_of_ev)
    )
    return Result(
        f"{say_f_number(wide)} at {say_shutter(time)}, ISO {speed:g}: EV {value:.2f} at ISO 100\n"
        f"  about {lux} lux on the subject, or {luminance} cd/m² from it",
        f"log2({wide:.4g}² / {time:.6g} s) - log2({speed:g} / 100) = {value:.3f}; "
        "lux = 2.5 · 2^EV and cd/m² = 0.125 · 2^EV (ISO 2720 with C = 250, K = 12.5; "
        f"its ranges leave 0.7 and 0.3 stop).{_marks((f_number,))}",
        value,
    )


def zone(said: str) -> Result:
    """Say the reflectance of a zone ("6", "VI"), or the zone of a reflectance ("36 %").

    Raises
    ------
    WrongUse
        If it is neither, or a bare fraction that could be both.
    """
    if found := re.fullmatch(r"\s*([0-9.]+)\s*%\s*", said):
        reflectance = _number(found[1]) / 100.0
        place = _answer_of(stops.zone_of_reflectance, reflectance)
    else:
        place = _zone_in(said)
        reflectance = stops.reflectance_of_zone(place)
    clip = stops.zone_of_luminance(1.0)
    late = f"\n  above the clip line, Zone {clip:.2f} by ISO 12232" if place > clip else ""
    return Result(
        f"Zone {place:.2f} is {100 * reflectance:.4g} % reflectance, "
        f"{_stops(place - stops.MIDDLE_ZONE)} from mid-grey{late}",
        f"zone = 5 + log2({reflectance:.4g} / 0.18) = {place:.3f}; the clip line is "
        f"5 + log2(√2 / 0.18) = {clip:.3f}, where mid-grey is 12.73 % of saturation.",
        place,
    )


def _zone_in(said: str) -> float:
    text = said.strip().upper().removeprefix("ZONE").strip()
    if text in _ROMAN:
        return float(_ROMAN.index(text))
    if re.fullmatch(r"0?\.[0-9]+", text) and "ZONE" not in said.upper():
        percent = f"{100 * float(text):g}"
        msg = f'{said} can mean Zone {said} or {percent} %. Write "zone {said}" or "{percent}%".'
        raise WrongUse(msg)
    if re.fullmatch(r"-?[0-9]+(?:\.[0-9]*)?|-?\.[0-9]+", text) and abs(float(text)) <= 20.0:
        return float(text)
    msg = f'"{said}" is neither a zone nor a reflectance. Write 6, VI or "36%".'
    raise WrongUse(msg)


# --- one lamp: its distance, power and guide number -----------------------------------------------


def distance(start: str, end: str = "", *, change: str = "", meter: str = "") -> Result:
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
    far = read_length(end) if end else stops.distance_for_stops(near, read_turn(change))
    moved = stops.stops_of_distance(near, far)
    say = f"{near:g} m to {far:.3g} m: {_stops(moved)}"
    if meter:
        was = _reading(meter)
        say += f", so {say_f_number(was)} becomes {_shown(stops.shift_reading(was, moved))}"
    return Result(say, f"-2 log2({far:.4g} / {near:g}) = {moved:+.3f}: {_INVERSE_SQUARE}", moved)


def power(said: str, *, full_ws: float | None = None, turn: str = "") -> Result:
    """Say a power in every way that packs show it, after a turn if one is asked for.

    Raises
    ------
    WrongUse
        If it is wrong, or the turn goes above full power.
    """
    level, turned = read_power(said, full_ws=full_ws), ""
    if turn:
        level = read_power(level + read_turn(turn))
        turned = f" turned {_stops(read_turn(turn))}"
    ways = [say_power(level), say_power(level, scale="fraction")]
    ways += [say_power(level, scale="figure")] if level >= -_TOP_FIGURE else []
    ways += [say_power(level, scale="Ws", full_ws=full_ws)] if full_ws else []
    return Result(
        f"{said}{turned} is {', '.join(ways)}",
        f"2^{level:.3f} = {stops.ratio_of_stops(level):.5f} of full; "
        "a dial of figures loses 1 a stop.",
        level,
    )


def guide(
    said: str, far: str = "", *, f_number: str = "", iso: str = "100", at: str = "full"
) -> Result:
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
    found = re.fullmatch(r"(?i)\s*(?:gn)?\s*([0-9]+\.?[0-9]*|\.[0-9]+)\s*(m|ft)?\s*", said)
    if found is None or not 0.0 < float(found[1]) < 10000.0:
        msg = (
            f'"{said}" is not a guide number. Write it in metres at ISO 100, such as 32, or as '
            '"105 ft".'
        )
        raise WrongUse(msg)
    number = float(found[1]) * (0.3048 if (found[2] or "").lower() == "ft" else 1.0)
    speed, fraction = read_iso(iso), stops.ratio_of_stops(read_power(at))
    now = _answer_of(lambda: stops.guide_number(number, iso=speed, power=fraction))
    say = f"Guide number {now:.4g} m at"
    why = f"GN = {number:g} √({speed:g}/100) √{fraction:.4g} = {now:.4g} m"
    if far:
        length = read_length(far)
        result = stops.f_number_of_guide(now, length)
        why += f"; N = GN / d = {now:.4g} / {length:g} = {result:.3f}."
        return Result(f"{say} {length:g} m: {_shown(result)}", why, result)
    wide = _reading(f_number)
    why += f"; d = GN / N = {now:.4g} / {wide:.4g} = {now / wide:.3f} m."
    return Result(f"{say} {say_f_number(wide)}: {now / wide:.3g} m", why, now / wide)


# --- how figures are read and said ----------------------------------------------------------------


def _reading(said: str) -> float:
    """Return the exact f-number of a reading."""
    return exact_f_number(read_f_number(said))


def _shown(value: float) -> str:
    """Say an f-number as a meter shows it, with its exact figure."""
    return f"{say_f_number(value)} ({value:.2f})"


def _stops(value: float) -> str:
    """Say signed stops in hundredths."""
    return f"{value:+.2f} stop" if abs(value) < 1.005 else f"{value:+.2f} stops"


def _marks(said: Sequence[str]) -> str:
    """Say which engraved figures stand for another exact value."""
    marks = {read_f_number(text) for text in said}
    rounded = sorted(m for m in marks if is_f_mark(m) and abs(exact_f_number(m) - m) > 1e-6)
    text = ", ".join(f"f/{mark:g} stands for {exact_f_number(mark):.3f}" for mark in rounded)
    return f" {text}." if text else ""


def _answer_of(function: Callable[..., float], *arguments: object) -> float:
    """Ask the arithmetic, and pass on in a person's words what has no answer."""
    try:
        return function(*arguments)
    except (ValueError, ZeroDivisionError, OverflowError) as error:
        msg = f"That has no answer: {error}."
        raise WrongUse(msg) from None


def _number(said: str) -> float:
    try:
        return float(said)
    except ValueError:
        msg = f"{said} isn't a number."
        raise WrongUse(msg) from None
