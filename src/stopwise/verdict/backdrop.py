"""Checks of the backdrop: its zone, left against right, falloff, evenness, blotch and tint."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.verdict.findings import Finding, Within, state_of
from stopwise.wording import over_or_under, place_text, stops_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from stopwise.measurement.measurement import BackdropReading
    from stopwise.plan.model import BackdropPlan


def backdrop_findings(plan: BackdropPlan, reading: BackdropReading) -> Iterator[Finding]:
    """Yield a finding for each target that the plan has of the backdrop."""
    for key, target, within in _targets(plan):
        yield _finding(key, target, within, reading)


def _targets(plan: BackdropPlan) -> Iterator[tuple[str, float, Within]]:
    if plan.zone is not None:
        yield "zone", plan.zone, (-plan.under, plan.over)
    if plan.left_right is not None:
        side = plan.left_right_within
        yield "left_right", plan.left_right, (-side, side)
    if plan.falloff is not None:
        side = plan.falloff_within
        yield "falloff", plan.falloff, (-side, side)
    for key in ("uneven", "blotch", "tint"):
        greatest = getattr(plan, key)
        if greatest is not None:
            yield key, 0.0, (None, greatest)


def _finding(key: str, target: float, within: Within, reading: BackdropReading) -> Finding:
    measured = _measured(key, reading)
    difference = None if measured is None else measured - target
    uncertainty = reading.uncertainty.get("red_green" if key == "tint" else key)
    return Finding(
        check="backdrop",
        of=f"backdrop {key}",
        measured=measured,
        planned=target,
        within=within,
        unit="zone" if key == "zone" else "stops",
        state=state_of(difference, within, uncertainty),
        say=f"Backdrop {_PLAIN[key]} not seen."
        if difference is None
        else _SENTENCES[key](difference, reading),
        uncertainty=uncertainty,
        why=reading.why.get("red_green" if key == "tint" else key) if measured is None else None,
    )


def _measured(key: str, reading: BackdropReading) -> float | None:
    if key == "tint":
        sides = (reading.tint.red_green, reading.tint.blue_green)
        return None if None in sides else max(abs(side) for side in sides if side is not None)
    value: float | None = getattr(reading, key)
    return abs(value) if key == "blotch" and value is not None else value


def _zone(difference: float, _reading: BackdropReading) -> str:
    return f"Paper {stops_text(difference)} {over_or_under(difference)}."


def _left_right(difference: float, reading: BackdropReading) -> str:
    brighter, darker = ("left", "right") if difference > 0 else ("right", "left")
    shown = difference if reading.left_right is None else reading.left_right
    return f"Paper {brighter} {stops_text(shown)} over {darker}."


def _falloff(difference: float, reading: BackdropReading) -> str:
    side = "too steep" if difference > 0 else "too flat"
    return f"Paper falls off {reading.falloff:.1f}, {stops_text(difference)} {side}."


def _uneven(_difference: float, reading: BackdropReading) -> str:
    return f"Paper uneven by {reading.uneven:.2f} stop."


def _blotch(_difference: float, reading: BackdropReading) -> str:
    kind = "Bright" if (reading.blotch or 0.0) > 0 else "Dark"
    place = f", {place_text(reading.blotch_at)}" if reading.blotch_at else ""
    return f"{kind} blotch of {stops_text(reading.blotch or 0.0)} on the paper{place}."


def _tint(difference: float, _reading: BackdropReading) -> str:
    return f"Paper tinted left against right by {difference:.2f} stop."


_PLAIN = {
    "zone": "zone",
    "left_right": "left against right",
    "falloff": "falloff",
    "uneven": "evenness",
    "blotch": "blotches",
    "tint": "tint",
}
_SENTENCES: dict[str, Callable[[float, BackdropReading], str]] = {
    "zone": _zone,
    "left_right": _left_right,
    "falloff": _falloff,
    "uneven": _uneven,
    "blotch": _blotch,
    "tint": _tint,
}
