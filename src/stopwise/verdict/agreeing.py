"""One lamp, one turn: what a frame's findings ask of a lamp is brought to one figure.

Each figure asks a little more or less of the lamp that is off: a cheek at the edge of the fill's
light wants 0.9, a jacket 0.8. A person at the pack can only turn once.
"""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from stopwise.verdict.causes import turned

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from stopwise.plan.now import PlanNow
    from stopwise.verdict.findings import Finding

_HIGHLIGHTS = ("clip", "headroom")
"""Checks of a patch's brightest part: too much light of a lamp shows there as in its zone."""


def with_one_turn_a_lamp(findings: Sequence[Finding], targets: PlanNow) -> list[Finding]:
    """Return the findings with each lamp turned by one figure, wherever it is turned.

    Parameters
    ----------
    findings
        One frame's findings, with causes.
    targets
        What holds now: gives the lamps' steps.

    Returns
    -------
    list of Finding
        A patch that is blown or nearly so takes over the lamp that makes its zone too high. A
        lamp's turn is the median of what zones ask of it, else of what others ask; more where a
        highlight needs more. Where findings pull a lamp both ways, theirs are left as they are.
    """
    findings = _with_highlights(findings, targets)
    agreed = {light.name: _agreed(findings, light.name) for light in targets.plan.lights}
    return [_turned_as_agreed(finding, agreed, targets) for finding in findings]


def _with_highlights(findings: Sequence[Finding], targets: PlanNow) -> list[Finding]:
    over = {
        finding.of: finding.turn
        for finding in findings
        if finding.check == "patch" and finding.turn is not None and finding.turn.stops < 0
    }
    return [
        _turned_by(finding, over[finding.of].light, over[finding.of].stops, targets)
        if finding.check in _HIGHLIGHTS
        and finding.state == "fails"
        and finding.turn is None
        and finding.of in over
        else finding
        for finding in findings
    ]


def _agreed(findings: Iterable[Finding], lamp: str) -> float | None:
    """Return the one turn that a lamp's findings come to; None where there is none."""
    asked = [
        (finding.check, finding.turn.stops)
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


def _turned_as_agreed(
    finding: Finding, agreed: Mapping[str, float | None], targets: PlanNow
) -> Finding:
    if finding.turn is None:
        return finding
    stops = agreed.get(finding.turn.light)
    return finding if stops is None else _turned_by(finding, finding.turn.light, stops, targets)


def _turned_by(finding: Finding, lamp: str, stops: float, targets: PlanNow) -> Finding:
    light = targets.plan.light(lamp)
    return finding if light is None else turned(finding, light, stops)
