"""Why a finding failed, as far as one frame and its plan can tell: camera, lamp, or unknown.

Without solo frames a lamp is named only when every seen patch that it leads says the same, and
there are at least two of them: one patch alone may as well have turned with the sitter's head.
"""

from __future__ import annotations

from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING

from stopwise.verdict.findings import Finding, Turn
from stopwise.wording import lamp_name, stops_text, title

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.plan.model import Light, Plan
    from stopwise.plan.now import PlanNow

AGREE_STOPS = 0.15
"""Patches that one lamp leads must agree within this before the lamp is named."""

_LEAST_WITNESSES = 2


def with_causes(findings: Sequence[Finding], targets: PlanNow) -> list[Finding]:
    """Return the findings with the cause and the turn that the frame itself can show."""
    turns = _lamp_turns(findings, targets)
    leads = {patch.name: patch.lit_by[0] for patch in targets.patches if patch.lit_by}
    return [_explained(finding, targets.plan, turns, leads) for finding in findings]


def _lamp_turns(findings: Sequence[Finding], targets: PlanNow) -> dict[str, float]:
    """Return the turn in stops of each lamp whose patches agree that it is off."""
    differences = {
        finding.of: finding.difference
        for finding in findings
        if finding.check == "patch" and finding.difference is not None
    }
    turns = {}
    for light in targets.plan.lights:
        seen = [
            differences[patch.name]
            for patch in targets.patches
            if patch.lit_by[:1] == (light.name,) and patch.name in differences
        ]
        if len(seen) >= _LEAST_WITNESSES and max(seen) - min(seen) <= AGREE_STOPS:
            turns[light.name] = -median(seen)
    return turns


def _explained(
    finding: Finding, plan: Plan, turns: Mapping[str, float], leads: Mapping[str, str]
) -> Finding:
    if finding.state != "fails" or finding.cause is not None:
        return finding
    if finding.check == "patch" and leads.get(finding.of) in turns:
        light = plan.light(leads[finding.of])
        if light is not None:
            return turned(finding, light, turns[light.name])
    if finding.check == "backdrop":
        return _backdrop(finding, plan)
    return replace(finding, cause="unknown")


def _backdrop(finding: Finding, plan: Plan) -> Finding:
    difference = finding.difference
    if finding.of == "backdrop left_right" and difference is not None:
        light = _side_lamp(plan, right=difference < 0)
        if light is not None:
            return turned(finding, light, -abs(difference))
    return replace(finding, cause="backdrop")


def _side_lamp(plan: Plan, *, right: bool) -> Light | None:
    """Return the one background lamp that stands on that side, when there is just one."""
    lamps = [
        light
        for light in plan.lights
        if light.role == "background" and light.off_axis and (light.off_axis > 0) == right
    ]
    return lamps[0] if len(lamps) == 1 else None


def turned(finding: Finding, light: Light, stops: float) -> Finding:
    """Return the finding with a lamp as its cause and the turn in the lamp's own steps.

    Parameters
    ----------
    finding
        A failed finding.
    light
        The lamp that is shown to be the cause.
    stops
        Turn that would mend it, negative for down; rounded to the lamp's step.
    """
    steps = round(stops / light.step) * light.step
    if not steps:
        return replace(finding, cause="lamp")
    return replace(
        finding,
        cause="lamp",
        turn=Turn(light=light.name, stops=round(steps, 4)),
        do=turn_sentence(light, steps),
    )


def turn_sentence(light: Light, stops: float) -> str:
    """Return what to do at the pack: "Key down 0.4, to -2.4."."""
    way = "down" if stops < 0 else "up"
    sentence = f"{title(lamp_name(light.name))} {way} {stops_text(stops)}"
    if light.power is None:
        return f"{sentence}."
    return f"{sentence}, to {light.power + stops:+.1f}.".replace("+0.0", "full")
