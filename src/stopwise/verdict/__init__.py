"""Measurement x Plan -> Verdict: each target's finding, its cause, and what to turn."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.plan.now import PlanNow, plan_now
from stopwise.verdict.agreeing import with_one_turn_a_lamp
from stopwise.verdict.backdrop import backdrop_findings
from stopwise.verdict.causes import with_causes
from stopwise.verdict.common import is_unlit, trigger_finding, with_common_offset
from stopwise.verdict.findings import Answer, Finding, Turn, Verdict
from stopwise.verdict.frame import frame_findings
from stopwise.verdict.lamps import LampsSeen, with_lamp_causes
from stopwise.verdict.pairs import ratio_finding, separation_finding
from stopwise.verdict.patches import patch_findings
from stopwise.verdict.spots import with_spots
from stopwise.verdict.tail import with_shutter_doubt

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from stopwise.measurement.measurement import Measurement
    from stopwise.plan.model import Plan

__all__ = ["Finding", "Turn", "Verdict", "judge"]

_SEVERITY = {"fails": 0, "on the line": 1, "not seen": 2, "holds": 3}
_SITTER_PATCHES = 2
"""Patches that follow, from which on most of them unseen means that the sitter isn't seen."""

_RANK = {"shutter": 0, "lamp": 1, "exposure": 2, "setting": 3}


def judge(
    measurement: Measurement,
    plan: Plan | None,
    *,
    look: str | None = None,
    lit: Collection[str] | None = None,
    ambient: Measurement | None = None,
    lamps: LampsSeen | None = None,
) -> Verdict:
    """Hold one frame's measurement against the plan.

    Parameters
    ----------
    measurement
        What the frame measured, with the patches of the same look.
    plan
        The plan; None, or one without a target, gives the verdict "measured".
    look
        Name of the look that is worn; None for the plan's own patches.
    lit
        Names of the lamps that are meant to be lit; targets that need others wait. None: all.
    ambient
        The plan's ambient frame measured alike, to tell a frame that no lamp lit.
    lamps
        Each lamp's output, where solos are known: they name a lamp that is out, and the causes.

    Returns
    -------
    Verdict
        Findings worst first. Any that fails: off plan; else a `must_see` patch, the sitter (most
        of two or more patches that follow him) or everything not seen: can't tell; else on plan.
    """
    targets = None if plan is None else plan_now(plan, look=look, lit=lit)
    if targets is None or not targets.any:
        return Verdict("measured", ())
    findings = list(_findings(targets, measurement))
    out = [] if lamps is None else lamps.out(lit)
    all_out = lamps is not None and len(out) == len(lamps.readings)
    if all_out or is_unlit(measurement, ambient, findings):
        return Verdict("off plan", (trigger_finding(),))
    findings = with_common_offset(findings, targets, measurement)
    if lamps is None:
        findings = with_causes(findings, targets)
    else:
        findings = with_lamp_causes(findings, targets, lamps, out)
        findings = with_spots(findings, targets, lamps.spots)
    if lamps is None:
        findings = with_shutter_doubt(findings, targets.plan, measurement)
    findings = with_one_turn_a_lamp(findings, targets)
    findings.sort(key=_worst_first)
    answer, reason = _answer(findings, targets)
    return Verdict(answer, tuple(findings), reason)


def _findings(targets: PlanNow, measurement: Measurement) -> Iterator[Finding]:
    plan = targets.plan
    for patch in targets.patches:
        if patch.name in measurement.patches:
            yield from patch_findings(patch, measurement.patches[patch.name], plan.limits)
    ratios = {
        (ratio.lit, ratio.shadow): ratio
        for ratio in measurement.ratios
        if ratio.lit is not None and ratio.shadow is not None
    }
    for ratio_target in targets.ratios:
        yield ratio_finding(ratio_target, ratios)
    for apart_target in targets.separations:
        yield separation_finding(apart_target, measurement)
    if targets.backdrop is not None and measurement.backdrop is not None:
        yield from backdrop_findings(targets.backdrop, measurement.backdrop)
    yield from frame_findings(targets, measurement)


def _worst_first(finding: Finding) -> tuple[int, int, float]:
    """Order by state, what explains others first, then by how far outside in widths allowed."""
    low, high = finding.within or (None, None)
    width = sum(abs(side) for side in (low, high) if side is not None) or 0.1
    return _SEVERITY[finding.state], _RANK.get(finding.check, 9), -finding.excess / width


def _answer(findings: Sequence[Finding], targets: PlanNow) -> tuple[Answer, str | None]:
    if any(finding.state == "fails" for finding in findings):
        return "off plan", None
    zones = {finding.of: finding for finding in findings if finding.check == "patch"}
    lost = {name for name, finding in zones.items() if finding.state == "not seen"}
    needed = [patch.name for patch in targets.patches if patch.must_see and patch.name in lost]
    if needed:
        return "can't tell", f"must be seen, and isn't: {', '.join(needed)}"
    sought, gone = _sitter(zones, targets)
    if len(sought) >= _SITTER_PATCHES and 2 * len(gone) > len(sought):
        told = f"{len(gone)} of {len(sought)} patches that follow him aren't found"
        return "can't tell", f"the sitter isn't seen well enough: {told}"
    if not any(finding.state in ("holds", "on the line") for finding in findings):
        return "can't tell", "none of the plan's targets is seen"
    return "on plan", None


def _sitter(zones: Mapping[str, Finding], targets: PlanNow) -> tuple[list[str], list[str]]:
    """Return the patches that follow the sitter, and those of them that were not found again."""
    sought = [patch.name for patch in targets.patches if patch.follow and patch.name in zones]
    return sought, [name for name in sought if zones[name].why == "not_followed"]
