"""Measurement x Plan -> Verdict: each target's finding, its cause, and what to turn."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from stopwise.errors import WrongUse
from stopwise.findings import Detail, Finding, Reason, Verdict, verdict_of
from stopwise.frame import held
from stopwise.plan.now import plan_now
from stopwise.targets import setting_findings, targets_of
from stopwise.verdict.causes import with_causes, with_paper_advice
from stopwise.verdict.lamp_causes import with_lamp_causes, with_solos_asked
from stopwise.verdict.whole_frame import (
    frame_findings,
    is_unlit,
    moved_findings,
    trigger_finding,
    with_exposure,
    with_way_back,
)

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from stopwise.lamps.seen import LampsSeen
    from stopwise.measurement.figures import Measurement
    from stopwise.plan.model import Plan
    from stopwise.plan.now import PlanNow

__all__ = ["judge"]


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
        Findings worst first, see :func:`stopwise.findings.verdict_of`.

    Raises
    ------
    WrongUse
        If the measurement was made with another look's patches.
    ValueError
        If the plan has no such look.
    """
    if plan is None:
        return Verdict("measured")
    now = plan_now(plan, look=look, lit=lit)
    if measurement.look != look:
        own = measurement.look is None
        made = "the plan's own patches" if own else f'look "{measurement.look}"'
        msg = f"The frame was measured with {made}. Measure it with the look that it is judged by."
        raise WrongUse(msg)
    return verdict_on(measurement, now, ambient=ambient, lamps=lamps)


def verdict_on(
    measurement: Measurement,
    now: PlanNow,
    *,
    ambient: Measurement | None = None,
    lamps: LampsSeen | None = None,
) -> Verdict:
    """Hold one frame's measurement against what holds now; see :func:`judge`."""
    if not now.any:
        return Verdict("measured")
    _refuse_other_patches(measurement, now)
    findings = [*_findings(now, measurement), *moved_findings(now, measurement, lamps)]
    out = [] if lamps is None else lamps.out(now)
    all_out = lamps is not None and len(out) == len(lamps.readings)
    if all_out or is_unlit(measurement, ambient, findings):
        return verdict_of([trigger_finding()])
    findings = with_exposure(findings, now, measurement, only_knocked=lamps is not None)
    if lamps is None:
        findings, turns = with_causes(findings, now, measurement)
    else:
        findings, turns = with_lamp_causes(findings, now, lamps, out)
    findings = [
        with_paper_advice(one, now, measurement)
        if one.figure == "falloff" and one.state == "fails"
        else one
        for one in findings
    ]
    known = () if lamps is None else lamps.readings
    findings = with_solos_asked(_with_free_turns(findings), now, known)
    if lamps is not None:
        findings = with_way_back(findings, now, measurement)
    verdict = verdict_of(findings, turns)
    still_open = tuple(patch.name for patch in now.patches if patch.is_open)
    if still_open and verdict.verdict != "off plan":
        return Verdict("measured", verdict.findings, Reason("open", still_open))
    return verdict


_ROUNDED = 0.05
"""Stops by which a turn may be off what was read: half of a tenth, in which turns are said."""


def _with_free_turns(findings: Sequence[Finding]) -> list[Finding]:
    """Return the findings with no turn for a hot centre that would take its patch off its zone."""
    rooms = {
        one.of: one.difference - low
        for one in findings
        if one.is_zone and one.difference is not None and (low := (one.within or (None,))[0])
    }
    return [
        replace(one, advice="feather")
        if one.code == "hot_centre"
        and one.explained_by is None
        and one.state == "fails"
        and rooms.get(one.of, 0.0) + _ROUNDED < -(one.difference or 0.0)
        else one
        for one in findings
    ]


def verdict_without_boxes(measurement: Measurement, now: PlanNow) -> Verdict:
    """Return what can be said of a frame for whose orientation the plan has no boxes.

    Camera settings and the shutter's edge; of the light nothing, and no lamp is turned.
    """
    findings = [
        Finding(
            "setting",
            "framing",
            "no_boxes",
            "not seen",
            detail=Detail(camera_held=held(measurement.size)),
        ),
        *setting_findings(now.plan.camera, measurement),
        *(one for one in frame_findings(now, measurement) if one.code == "edge"),
    ]
    return verdict_of(findings)


def _refuse_other_patches(measurement: Measurement, now: PlanNow) -> None:
    missing = [patch.name for patch in now.patches if patch.name not in measurement.patches]
    if missing:
        msg = (
            f"The measurement lacks {', '.join(missing)}: it was made with another plan or look. "
            "Measure the frame with those that it is judged by."
        )
        raise WrongUse(msg)


def _findings(now: PlanNow, measurement: Measurement) -> Iterator[Finding]:
    lost = {name for name, one in measurement.patches.items() if one.why.get("zone") == _LOST}
    for target in targets_of(now):
        is_lost = target.check != "ratio" and target.places[0] in lost and len(target.places) == 1
        if is_lost and target.check != "patch":
            continue
        if target.planned is None and not is_lost:
            continue
        finding = target.finding(measurement)
        if finding.state == "fails" or not target.only_failing:
            yield finding
    yield from setting_findings(now.plan.camera, measurement)
    yield from frame_findings(now, measurement)


_LOST = "not_followed"
