"""What is said of a lamp that is built again: what is off, what to do, and with what caution."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from stopwise.comparison.rebuilding import MATCH_STOPS, WHY
from stopwise.plan.floor import side_text
from stopwise.plan.model import OVERHEAD_DEG
from stopwise.wording import lamp_name, stops_text, title

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.comparison.rebuilding import SoloMatch
    from stopwise.plan.model import Light

    _Names = tuple[tuple[str, str], tuple[str, str]]

_OTHER_EDGE = 1.2
"""Factor from which an edge counts as softer or harder."""

_OTHER_WIDTH = 1.06
"""Factor from which a spot counts as wider or narrower."""

_LEAST_CM = 5.0
"""Centimetres to which a lamp's way is told: nobody places a stand more finely."""

_BESIDE = 0.35
"""Share of a rough move under which a part of it is no way of its own."""


def say(match: SoloMatch) -> str:
    """Return what is off at a lamp: "Key solo: 0.2 over, spot 4 % low, edge softer."."""
    head = f"{title(match.lamp)} solo"
    if match.stops is None:
        told = f" {title(WHY[match.why])}." if match.why else ""
        return f"{head}: its light can't be told from the old one's.{told}"
    if match.is_matched:
        return f"{head} matches."
    told = f"{head}: {', '.join(_off(match))}."
    if match.falls_otherwise and match.why:
        return f"{told} Its spot can't be placed: {WHY[match.why]}."
    return told


def _ways(match: SoloMatch, names: _Names) -> Iterator[tuple[float, str]]:
    """Yield how far the spot is off down and to the right, with a name each, where that counts."""
    beside = _BESIDE * math.hypot(match.right or 0.0, match.down or 0.0) if match.is_rough else 0.0
    least = max(match.near / math.sqrt(2.0), beside)
    for size, ways in zip((match.down, match.right), names, strict=True):
        if size is not None and abs(size) > least:
            yield abs(size), ways[size < 0]


def _off(match: SoloMatch) -> Iterator[str]:
    stops = match.stops or 0.0
    if abs(stops) > MATCH_STOPS:
        yield f"{stops_text(stops)} {'over' if stops > 0 else 'under'}"
    if match.falls_otherwise:
        yield "its light falls otherwise"
    about = "about " if match.is_rough else ""
    for size, way in _ways(match, (("low", "high"), ("right", "left"))):
        yield f"spot {about}{100 * size:.0f} % {way}"
    if match.right is None and match.size > match.near:
        yield f"spot about {100 * match.size:.0f} % off, which way can't be told"
    for factor, least, ways in (
        (match.width, _OTHER_WIDTH, ("spot wider", "spot narrower")),
        (match.edge, _OTHER_EDGE, ("edge softer", "edge harder")),
    ):
        if factor is not None and not 1.0 / least < factor < least:
            yield ways[factor < 1.0]


def do(match: SoloMatch, light: Light | None) -> str:
    """Return what to do at a lamp, in the order in which it is done; "" where it matches.

    Parameters
    ----------
    match
        What is off.
    light
        The lamp in the old plan: its distance and its pack's steps.

    Notes
    -----
    A cone's spot is as wide as it is far away, so a wider one stands too far. Bringing it in lifts
    its light by the inverse square (CIE photometric distance law), which the power takes back.
    """
    if match.is_matched:
        return ""
    if match.stops is None:
        return "Put the sitter on the old mark, light this lamp alone, and shoot again."
    steps = list(_steps(match, light))
    text = ", ".join(steps[:-1]) + (", then " if steps[1:] else "") + steps[-1] if steps else ""
    return f"{text[:1].upper()}{text[1:]}." if text else "Shoot again with the sitter on the mark."


def _steps(match: SoloMatch, light: Light | None) -> Iterator[str]:
    if match.falls_otherwise or (match.right is None and match.size > match.near):
        yield "put lamp and sitter on their old marks"
    if match.why == "not_at_mark" and match.falls_otherwise:
        yield "shoot again"
        return
    gained = 0.0
    width = match.width
    if width is not None and not 1.0 / _OTHER_WIDTH < width < _OTHER_WIDTH:
        way = "bring it in" if width > 1.0 else "take it back"
        gained = 2.0 * math.log2(width)
        yield way + _how_far(width, None if light is None else light.distance)
    beams = (
        ("raise its beam", "lower its beam"),
        ("swing its beam left", "swing its beam right"),
    )
    about = "about " if match.is_rough else ""
    for size, way in _ways(match, beams):
        yield f"{way} by {about}{100 * size:.0f} % of the frame"
    turn = -((match.stops or 0.0) + gained)
    step = 0.1 if light is None else light.step
    if abs(turn) > MATCH_STOPS:
        turn = round(turn / step) * step
        yield f"power {'up' if turn > 0 else 'down'} {stops_text(turn)}"


def _how_far(width: float, distance: float | None) -> str:
    if distance is None:
        return " a little"
    centimetres = 100.0 * distance * abs(width - 1.0)
    return f" about {max(_LEAST_CM, round(centimetres / 5.0) * 5.0):.0f} cm"


def stood(light: Light) -> str:
    """Return how a lamp is shaped and where it stands, as far as its plan says."""
    parts = (
        light.modifier,
        light.grid and f"grid {light.grid}",
        light.gel,
        side_text(light.off_axis, "to camera right", "to camera left"),
        side_text(light.elevation, "up", "down"),
        light.distance and f"{light.distance:.2f} m from the face",
        light.stand and f"held by {light.stand}",
        light.pack and f"on {light.pack}",
        None if light.power is None else f"set to {light.power_shown(light.power)}",
    )
    return ", ".join(part for part in parts if part)


def caution(light: Light | None) -> str:
    """Return the caution for a lamp that hangs over a person, "" for one that doesn't.

    Source: common practice of overhead rigging; makers' instructions and local rules come first.
    """
    if light is None:
        return ""
    if not light.is_on_boom and (light.elevation or 0.0) < OVERHEAD_DEG:
        return ""
    return (
        f"{title(lamp_name(light.name))} hangs over the sitter: have everyone out from under it "
        "first, hold the arm while you loosen it, and see to sandbag and safety cable before you "
        "let go."
    )
