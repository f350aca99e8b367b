"""Why a finding failed as far as one frame and its plan can tell, where there are no solos.

A lamp is named only when every seen patch that it leads says the same, and there are at least two
of them: one patch alone may as well have turned with the sitter's head.
"""

from __future__ import annotations

from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING

from stopwise.stops import slower_full_mark
from stopwise.verdict.turns import turn_of, with_what_they_mend
from stopwise.verdict.whole_frame import AGREE_STOPS

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from stopwise.findings import Cause, Finding, Turn
    from stopwise.measurement.figures import Measurement
    from stopwise.plan.model import Light, Plan
    from stopwise.plan.now import PlanNow

_LEAST_WITNESSES = 2  # patches of one lamp that agree: one alone may be the sitter's

_SLOW_S = 1.0 / 60.0
"""From this time on no studio flash is cut off: its tail is under 1/60 s (common practice)."""

_SLOWER = 2.0 ** (1.0 / 6.0)
"""A time counts as slower than the plan's from a sixth of a stop on."""


def with_causes(
    findings: Sequence[Finding], now: PlanNow, measurement: Measurement
) -> tuple[list[Finding], list[Turn]]:
    """Return the findings with the cause that the frame itself can show, and what to turn.

    Parameters
    ----------
    findings
        One frame's.
    now
        What holds now: which lamps light each patch, and where they were said to be turned to: no
        light shows where a dial stands.
    measurement
        The frame's.

    Notes
    -----
    Upright the shutter travels from left to right, so one frame alone can't tell a paper lamp from
    the flash's cut-off tail: then no lamp is turned for uneven paper, and a frame at the next
    slower full-stop mark is asked for. A frame that is slower already is that frame.
    """
    turns = _lamp_turns(findings, now)
    found: list[Finding] = []
    for finding in findings:
        if finding.state != "fails" or finding.cause is not None:
            found.append(finding)
            continue
        leads = finding.detail.lamps[:1]
        light = now.plan.light(leads[0]) if leads and finding.check == "patch" else None
        if light is not None and light.name in turns:
            found.append(replace(finding, cause="lamp", explained_by=light.name))
        elif finding.figure == "left_right":
            found.append(_of_a_side(finding, now, measurement))
            if (side := found[-1].explained_by) is not None:
                turns[side] = -abs(finding.difference or 0.0)
        else:
            cause: Cause = "backdrop" if finding.check == "backdrop" else "unknown"
            found.append(replace(finding, cause=cause))
    led = {finding.explained_by for finding in found if finding.explained_by is not None}
    named = {lamp for one in led for lamp in now.plan.turned_with(one)}
    turns = _as_packs_turn(turns, named, now.plan)
    asked = [
        turn
        for light in now.plan.lights
        if light.name in turns and light.name in named
        if (turn := turn_of(light, turns[light.name], now.powers.get(light.name))) is not None
    ]
    asked.sort(key=lambda turn: -abs(turn.needed))
    return with_what_they_mend(found, asked, now.plan)


def _as_packs_turn(
    turns: Mapping[str, float], named: Collection[str], plan: Plan
) -> dict[str, float]:
    """Return the turns that packs can do: what one dial turns goes by the middle of its lamps'."""
    return {
        name: median(turns[one] for one in plan.turned_with(name) if one in turns)
        for name in named
        if any(one in turns for one in plan.turned_with(name))
    }


def _lamp_turns(findings: Sequence[Finding], now: PlanNow) -> dict[str, float]:
    """Return the turn in stops of each lamp whose patches agree that it is off."""
    turns = {}
    for light in now.plan.lights:
        seen = [
            finding.difference
            for finding in findings
            if finding.check == "patch"
            and finding.detail.lamps[:1] == (light.name,)
            and finding.difference is not None
        ]
        if len(seen) >= _LEAST_WITNESSES and max(seen) - min(seen) <= AGREE_STOPS:
            turns[light.name] = -median(seen)
    return turns


def _of_a_side(finding: Finding, now: PlanNow, measurement: Measurement) -> Finding:
    """Return the cause of uneven paper: the shutter in doubt, else the one lamp of that side."""
    exposure = measurement.exposure
    if measurement.shutter.slope_stops is None and _can_be_cut(now, measurement):
        slower = slower_full_mark(exposure.shutter_s) if exposure.shutter_s else None
        detail = replace(finding.detail, shutter_s=slower)
        return replace(finding, cause="unknown", advice="shoot_slower", detail=detail)
    difference = finding.difference or 0.0
    lamps = [
        light
        for light in now.plan.lights
        if light.role == "background"
        and light.off_axis
        and (light.off_axis > 0) == (difference < 0)
    ]
    light: Light | None = lamps[0] if len(lamps) == 1 else None
    if light is None:
        return replace(finding, cause="backdrop")
    return replace(finding, cause="lamp", explained_by=light.name)


def _can_be_cut(now: PlanNow, measurement: Measurement) -> bool:
    """Tell whether the flash's tail may be cut off across an upright frame."""
    (width, height), taken_s = measurement.size, measurement.exposure.shutter_s
    lights, planned_s = now.plan.lights, now.plan.camera.shutter
    has_flash = not lights or any(light.kind == "flash" for light in lights)
    if not taken_s or height <= width or not has_flash:
        return False
    is_slow = planned_s is not None and taken_s > planned_s * _SLOWER
    return not is_slow and taken_s < _SLOW_S / _SLOWER
