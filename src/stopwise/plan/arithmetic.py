"""The arithmetic of light as questions and answers: what was said in, a sentence and why out."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from stopwise import stops
from stopwise.errors import WrongUse
from stopwise.nominal import exact_shutter, say_f_number, say_shutter
from stopwise.plan.answer import (
    INVERSE_SQUARE,
    Answer,
    asked,
    exact_reading,
    quotient,
    say_exactly,
    say_marks,
    say_reading,
)
from stopwise.plan.readings import read_iso, read_length, read_power, read_shutter, read_stops

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

Said = str
_ROMAN = {name: zone for zone, name in enumerate("0 I II III IV V VI VII VIII IX X".split())}  # noqa: SIM905


def add(said: Sequence[Said], *, without: Sequence[Said] = ()) -> Answer:
    """Add meter readings of lamps that fire together, and take lamps out of the sum.

    Raises
    ------
    WrongUse
        If a reading is wrong, or less is left than nothing.
    """
    parts = [exact_reading(text) for text in said]
    total = stops.add_readings(*parts)
    taken = [exact_reading(text) for text in without]
    for part in taken:
        total = asked(stops.remove_reading, total, part)
    first = (
        f"{' + '.join(map(say_f_number, parts))}{''.join(f' - {say_f_number(p)}' for p in taken)}"
    )
    over = stops.stops_between_f_numbers(max(parts), total)
    squares = " + ".join(f"{part:.3f}²" for part in parts)
    squares += "".join(f" - {part:.3f}²" for part in taken)
    return Answer(
        f"{first} = {say_reading(total)}, {say_exactly(over)} against the strongest alone",
        f"N = √({squares}) = {total:.3f}: exposures add, and they go with N².{say_marks(said)}",
        total,
    )


def between(first: Said, second: Said, *, kind: str = "") -> Answer:
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
    kind = kind or _kind_of(f"{first} {second}")
    apart, why = KINDS[kind](first, second)
    return Answer(f"{first} to {second}: {say_exactly(apart)} ({kind})", why, apart)


def _between_readings(first: Said, second: Said) -> tuple[float, str]:
    start, end = exact_reading(first), exact_reading(second)
    apart = stops.stops_between_f_numbers(start, end)
    why = f"2 log2({end:.3f} / {start:.3f}) = {apart:+.3f}."
    return apart, f"{why}{say_marks((first, second))}"


def _between_powers(first: Said, second: Said) -> tuple[float, str]:
    watts = re.compile(r"(?i)^\s*([0-9.]+)\s*(?:ws|j)\s*$")
    if (start := watts.match(first)) and (end := watts.match(second)):
        apart = asked(stops.stops_of_energy, float(end[1]), float(start[1]))
        return apart, f"log2({end[1]} / {start[1]}) = {apart:+.3f}: same head and modifier."
    low, high = read_power(first), read_power(second)
    return high - low, f"{high:+.3f} - ({low:+.3f}), each in stops from full."


def _between_distances(first: Said, second: Said) -> tuple[float, str]:
    start, end = read_length(first), read_length(second)
    apart = stops.stops_of_distance(start, end)
    return apart, f"-2 log2({end:g} / {start:g}) = {apart:+.3f}: {INVERSE_SQUARE}"


def _between_isos(first: Said, second: Said) -> tuple[float, str]:
    start, end = read_iso(first), read_iso(second)
    apart = stops.stops_between_isos(start, end)
    return apart, f"log2({end:g} / {start:g}) = {apart:+.3f}."


def _between_times(first: Said, second: Said) -> tuple[float, str]:
    start, end = exact_shutter(read_shutter(first)), exact_shutter(read_shutter(second))
    apart = stops.time_value(start) - stops.time_value(end)
    return apart, f"log2({end:.6g} s / {start:.6g} s) = {apart:+.3f}."


KINDS: dict[str, Callable[[Said, Said], tuple[float, str]]] = {
    "readings": _between_readings,
    "powers": _between_powers,
    "distances": _between_distances,
    "ISOs": _between_isos,
    "times": _between_times,
}
"""What `between` can be asked about."""


def _kind_of(said: str) -> str:
    text = said.lower()
    if "iso" in text:
        return "ISOs"
    if re.search(r"[0-9]\s*(?:s|sec)\b", text):
        return "times"
    if re.search(r"of [0-9]|ws\b|[0-9]\s*j\b|full|%|(?:^|\s)1/[0-9]|(?:^|\s)-[0-9]", text):
        return "powers"
    if re.search(r"[0-9]\s*(?:m|cm|mm|ft|feet)\b|['\"]", text):
        return "distances"
    return "readings"


def ratio(said: Said, fill: Said = "") -> Answer:
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
    if fill:
        apart = _between_readings(fill, said)[0]
        return _ratio_of_stops(
            apart, f"2 log2({exact_reading(said):.3f} / {exact_reading(fill):.3f})"
        )
    if found := re.fullmatch(r"\s*([0-9.]+)\s*:\s*([0-9.]+)\s*", said):
        return _stops_of_ratio(asked(quotient, found[1], found[2]))
    return _ratio_of_stops(read_stops(said), "as said")


def _ratio_of_stops(apart: float, how: str) -> Answer:
    source, additive = stops.ratio_of_stops(apart), stops.combined_ratio(apart)
    lit = stops.lit_to_shadow_stops(apart)
    return Answer(
        f"Key {say_exactly(apart)} over fill is\n"
        f"  {source:.2f}:1 as key to fill, each metered alone\n"
        f"  {additive:.2f}:1 as key + fill to fill: lit is {lit:.2f} over shadow where the fill "
        "reaches both",
        f"Stops: {how} = {apart:+.3f}. Key to fill: 2^{apart:.3f}. "
        f"Key + fill to fill: 2^{apart:.3f} + 1; as stops log2({additive:.3f}) = {lit:.3f}.",
        apart,
    )


def _stops_of_ratio(value: float) -> Answer:
    source = asked(stops.stops_of_ratio, value)
    say = f"{value:g}:1 is\n  {say_exactly(source)} of key over fill, each metered alone"
    why = f"Key to fill: log2({value:g}) = {source:.3f}."
    if value > 1.0:
        additive = stops.stops_of_combined_ratio(value)
        say += f"\n  {say_exactly(additive)} of key over fill, if it means key + fill to fill"
        why += f" Key + fill to fill: log2({value:g} - 1) = {additive:.3f}."
    return Answer(say, why, source)


def ev(f_number: Said, shutter: Said, *, iso: Said = "100") -> Answer:
    """Say the exposure value of settings, and the light that it stands for.

    Raises
    ------
    WrongUse
        If one is wrong.
    """
    wide, time, speed = exact_reading(f_number), exact_shutter(read_shutter(shutter)), read_iso(iso)
    value = stops.exposure_value(wide, time, speed)
    lux, luminance = stops.illuminance_of_ev(value), stops.luminance_of_ev(value)
    return Answer(
        f"{say_f_number(wide)} at {say_shutter(time)}, ISO {speed:g}: EV {value:.2f} at ISO 100\n"
        f"  about {_round(lux)} lux on the subject, or {_round(luminance)} cd/m² from it",
        f"log2({wide:.4g}² / {time:.6g} s) - log2({speed:g} / 100) = {value:.3f}; "
        "lux = 2.5 · 2^EV and cd/m² = 0.125 · 2^EV (ISO 2720 with C = 250, K = 12.5; "
        f"its ranges leave 0.7 and 0.3 stop).{say_marks((f_number,))}",
        value,
    )


def zone(said: Said) -> Answer:
    """Say the reflectance of a zone ("6", "VI"), or the zone of a reflectance ("36 %").

    Raises
    ------
    WrongUse
        If it is neither, or a bare fraction that could be both.
    """
    if found := re.fullmatch(r"\s*([0-9.]+)\s*%\s*", said):
        reflectance = asked(quotient, found[1], "100")
        place = asked(stops.zone_of_reflectance, reflectance)
    else:
        place = _zone_in(said)
        reflectance = stops.reflectance_of_zone(place)
    clip = stops.zone_of_luminance(1.0)
    late = f"\n  above the clip line, Zone {clip:.2f} by ISO 12232" if place > clip else ""
    return Answer(
        f"Zone {place:.2f} is {100 * reflectance:.4g} % reflectance, "
        f"{say_exactly(place - stops.MIDDLE_ZONE)} from mid-grey{late}",
        f"zone = 5 + log2({reflectance:.4g} / 0.18) = {place:.3f}; the clip line is "
        f"5 + log2(√2 / 0.18) = {clip:.3f}, where mid-grey is 12.73 % of saturation.",
        place,
    )


def _zone_in(said: Said) -> float:
    text = said.strip().upper().removeprefix("ZONE").strip()
    if text in _ROMAN:
        return float(_ROMAN[text])
    if re.fullmatch(r"0?\.[0-9]+", text) and "ZONE" not in said.upper():
        percent = f"{100 * float(text):g}"
        msg = f'{said} can mean Zone {said} or {percent} %. Write "zone {said}" or "{percent}%".'
        raise WrongUse(msg)
    if re.fullmatch(r"-?[0-9]+(?:\.[0-9]*)?|-?\.[0-9]+", text) and abs(float(text)) <= 20.0:
        return float(text)
    msg = f'"{said}" is neither a zone nor a reflectance. Write 6, VI or "36%".'
    raise WrongUse(msg)


def _round(value: float) -> str:
    return f"{float(f'{value:.3g}'):,.10g}"
