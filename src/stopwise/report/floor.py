"""What is said at each lamp of the floor: what to do there, else its state; never a bare figure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from stopwise.wording import stops_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.plan.model import Light, Plan

_NO_TURN_STOPS = 0.005


@dataclass(frozen=True, slots=True)
class Told:
    """What is said at a lamp.

    Attributes
    ----------
    words
        "down 0.4, to -2.4", "did not fire: check it", "leave at -2.0".
    there
        As it stands at the lamp itself, where something is to be done: "down 0.4".
    """

    words: str
    there: str = ""

    @property
    def is_called(self) -> bool:
        """Whether something is to be done there."""
        return bool(self.there)


def told_at_lamps(
    plan: Plan | None,
    record: Mapping[str, Any],
    *,
    powers: Mapping[str, float] | None = None,
) -> dict[str, Told]:
    """Return what is said at each lamp of the plan after a frame, by the lamp's name.

    Parameters
    ----------
    plan
        The plan; None has no lamps.
    record
        The frame's JSON record.
    powers
        Each lamp's power now, stops below full, where it isn't the plan's.
    """
    turns = _turns(record)
    lamps = record.get("lamps") or {}
    return {
        light.name: _told(
            light,
            state=(lamps.get(light.name) or {}).get("state"),
            turn=turns.get(light.name),
            power=(powers or {}).get(light.name, light.power),
        )
        for light in (() if plan is None else plan.lights)
    }


def dial_words(name: str, dialled: Mapping[str, Any], plan: Plan | None) -> str:
    """Return what dialling asks of one lamp: "down 0.7, to -2.7", "leave at -3.0".

    Parameters
    ----------
    name
        The lamp.
    dialled
        Its part of what `dial --json` prints: `turn`, `power`, `at_limit`.
    plan
        The plan, for the scale of the lamp's pack.
    """
    light = None if plan is None else plan.light(name)
    turn, power = dialled["turn"], dialled["power"]
    to = "" if power is None or light is None else light.power_shown(power)
    end = ", its end" if dialled["at_limit"] else ""
    if abs(turn) < _NO_TURN_STOPS:
        return f"leave at {to}{end}" if to else f"leave{end}"
    way = f"{'up' if turn > 0 else 'down'} {stops_text(turn)}"
    return f"{way}, to {to}{end}" if to else f"{way}{end}"


def _turns(record: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Return the turn of each lamp that a failed finding asks for, the worst finding first."""
    turns: dict[str, dict[str, Any]] = {}
    for finding in record.get("findings") or ():
        if finding["state"] == "fails" and finding.get("turn"):
            turns.setdefault(finding["turn"]["light"], finding["turn"])
    return turns


def _told(
    light: Light, *, state: str | None, turn: Mapping[str, Any] | None, power: float | None
) -> Told:
    if state == "out":
        return Told("did not fire: check it", "did not fire")
    if turn is not None:
        way = f"{'up' if turn['stops'] > 0 else 'down'} {stops_text(turn['stops'])}"
        return Told(way if turn["shown"] is None else f"{way}, {turn['shown']}", way)
    if state in ("weak", "strong"):
        return Told(f"{state}: check its power", state)
    if state == "not seen":
        return Told("not seen")
    return Told("leave" if power is None else f"leave at {light.power_shown(power)}")
