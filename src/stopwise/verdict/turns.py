"""Turns: a lamp's turn in its own steps and range, and one figure for a lamp in a whole frame.

Each figure asks a little more or less of the lamp that is off: a cheek at the edge of the fill's
light wants 0.9, a jacket 0.8. A person at the pack can only turn once.
"""

from __future__ import annotations

from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING

from stopwise.findings import Turn

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from stopwise.findings import Finding
    from stopwise.plan.model import Light
    from stopwise.plan.now import PlanNow

_HIGHLIGHTS = ("clip", "headroom")
"""Checks of a patch's brightest part: too much light of a lamp shows there as in its zone."""


def turn_of(light: Light, stops: float, *, power: float | None = None) -> Turn | None:
    """Return a turn as a lamp's pack can do it; None where it is less than half a step.

    Parameters
    ----------
    light
        The lamp.
    stops
        What would be right, negative for down.
    power
        Where its dial stands now, stops below full; None for the plan's power.
    """
    steps = round(stops / light.step) * light.step
    if not steps:
        return None
    stands = light.power if power is None else power
    if stands is None:
        return Turn(light.name, round(steps, 4))
    (low, high), to = light.range, stands + steps
    if low - light.step / 2 <= to <= high + light.step / 2:
        return Turn(
            light.name, round(steps, 4), to=round(to, 4), shown=f"to {light.power_shown(to)}"
        )
    end = low if to < low else high
    return Turn(
        light.name,
        round(end - stands, 4),
        to=end,
        shown=f"to {light.power_shown(end)}",
        limit="least" if to < low else "full",
        short_by=round(to - end, 4),
    )


def turned(finding: Finding, light: Light, stops: float, now: PlanNow) -> Finding:
    """Return a failed finding with a lamp as its cause, and the turn that mends it."""
    turn = turn_of(light, stops, power=now.powers.get(light.name))
    return replace(finding, cause="lamp", explained_by=light.name, turn=turn)


def with_one_turn_a_lamp(findings: Sequence[Finding], now: PlanNow) -> list[Finding]:
    """Return the findings with each lamp turned by one figure, wherever it is turned.

    Parameters
    ----------
    findings
        One frame's findings, with causes.
    now
        What holds now: gives the lamps' steps, and where their dials stand.

    Returns
    -------
    list of Finding
        A patch that is blown or nearly so takes over the lamp that makes its zone too high. A
        lamp's turn is the median of what zones ask of it, else of what others ask; more where a
        highlight needs more. Where findings pull a lamp both ways, theirs are left as they are.
    """
    over = {
        finding.of: finding.turn
        for finding in findings
        if finding.check == "patch" and finding.turn is not None and finding.turn.needed < 0
    }
    lights = {light.name: light for light in now.plan.lights}

    def again(finding: Finding, light: str, stops: float) -> Finding:
        return turned(finding, lights[light], stops, now) if light in lights else finding

    told = [
        again(finding, over[finding.of].light, over[finding.of].needed)
        if finding.check in _HIGHLIGHTS
        and finding.state == "fails"
        and finding.turn is None
        and finding.of in over
        else finding
        for finding in findings
    ]
    agreed = {name: _agreed(told, name) for name in lights}
    return [
        finding
        if finding.turn is None or (stops := agreed.get(finding.turn.light)) is None
        else again(finding, finding.turn.light, stops)
        for finding in told
    ]


def _agreed(findings: Iterable[Finding], lamp: str) -> float | None:
    """Return the one turn that a lamp's findings come to; None where there is none."""
    asked = [
        (finding.check, finding.turn.needed)
        for finding in findings
        if finding.turn is not None and finding.turn.light == lamp
    ]
    turns = [stops for _, stops in asked]
    if not turns or min(turns) < 0 < max(turns):
        return None
    zones = [stops for check, stops in asked if check == "patch"]
    others = [stops for check, stops in asked if check not in _HIGHLIGHTS]
    most = min((stops for check, stops in asked if check in _HIGHLIGHTS), default=0.0)
    middle = median(zones or others or [most])
    return min(middle, most) if middle < 0 else middle
