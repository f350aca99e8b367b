"""Why a finding failed, where there are no solos, and what mends it: turns, the paper's lamps.

A lamp is named only when every seen patch that it leads says the same, and there are at least two
of them: one patch alone may as well have turned with the sitter's head.
"""

from __future__ import annotations

from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING

from stopwise.findings import Turn
from stopwise.measurement.backdrop import MIDDLE
from stopwise.stops import slower_full_mark
from stopwise.verdict.whole_frame import AGREE_STOPS

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    from stopwise.findings import Advice, Cause, Finding
    from stopwise.lamps.joint_turns import Remedy
    from stopwise.measurement.figures import Measurement
    from stopwise.plan.model import Light, Plan
    from stopwise.plan.now import PlanNow

_HIGHLIGHTS = ("clip", "headroom")
"""Checks of a patch's brightest part: too much light of a lamp shows there as in its zone."""


def turn_of(light: Light, stops: float, setting: float | None) -> Turn | None:
    """Return a turn as a lamp's pack can do it; None where it is less than half a step.

    Parameters
    ----------
    light
        The lamp.
    stops
        What would be right, negative for down.
    setting
        Where its dial stands now, stops below full; None where nobody knows.
    """
    steps = round(round(stops / light.step) * light.step, 4)
    if not steps:
        return None
    if setting is None:
        return Turn(light.name, steps)
    (low, high), to = light.range, setting + steps
    if low - light.step / 2 <= to <= high + light.step / 2:
        return _stands(light, steps, round(to, 4))
    end = low if to < low else high
    turn = _stands(light, round(end - setting, 4), end)
    return replace(turn, limit="least" if to < low else "full", short_by=round(to - end, 4))


def turn_of_remedy(light: Light, remedy: Remedy, setting: float | None) -> Turn:
    """Return a lamp's part of a joint answer; `setting` as in :func:`turn_of`."""
    turn = Turn(light.name, remedy.stops)
    if setting is not None:
        turn = _stands(light, remedy.stops, round(setting + remedy.stops, 4))
    if not remedy.end:
        return turn
    return replace(turn, limit="full" if remedy.end > 0 else "least", short_by=remedy.short_by)


def _stands(light: Light, stops: float, to: float) -> Turn:
    return Turn(light.name, stops, to=to + 0.0, shown=f"to {light.power_shown(to)}")


def with_what_they_mend(
    findings: Iterable[Finding], turns: Sequence[Turn], plan: Plan
) -> tuple[list[Finding], list[Turn]]:
    """Return the findings, and the turns with what they explain; one that explains nothing stays.

    Each turn says which other lamps the same dial turns.

    A patch that is blown or nearly so is laid to the lamp that makes its zone too high, where that
    is turned down.
    """
    down = {turn.light for turn in turns if turn.needed < 0.0}
    over = {
        one.of: one.explained_by
        for one in findings
        if one.check == "patch" and one.state == "fails" and one.explained_by in down
    }
    told = [
        replace(one, cause="lamp", explained_by=over[one.of])
        if one.check in _HIGHLIGHTS
        and one.state == "fails"
        and one.explained_by is None
        and one.advice is None
        and one.of in over
        else one
        for one in findings
    ]
    mended = {
        turn.light: tuple(
            dict.fromkeys(
                one.of for one in told if one.state == "fails" and one.explained_by == turn.light
            )
        )
        for turn in turns
    }
    asked = set(mended)

    def others(turn: Turn) -> tuple[str, ...]:
        pack = plan.turned_with(turn.light)
        return tuple(one for one in pack if one != turn.light and one in asked)

    return told, [
        replace(turn, explains=mended[turn.light], together=others(turn)) for turn in turns
    ]


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


_ONE_SIDED = 0.5
"""Part of the falloff by which the sides differ from which on it runs across the paper: half."""

_SURE = 3.0
"""Standard uncertainties of the falloff from which its brightest and darkest places are known."""

_ACROSS = 2.0
"""How many times as far apart they lie across as down where the lamps are turned, not tilted: what
a tilt does to both halves alike, turning does to each the other way round."""

_OFF = 0.25
"""Part of the paper by which a hot spot lies off its middle: nearer to an end than to that."""


def with_paper_advice(finding: Finding, now: PlanNow, measurement: Measurement) -> Finding:
    """Return a falloff that fails with how the paper's lamps are to be moved for it.

    Parameters
    ----------
    finding
        With its cause; one that a lamp's turn mends stays as it is.
    now
        What holds now: its background lamps are the paper's.
    measurement
        The frame's: where its paper is brightest and darkest.

    Notes
    -----
    Paper that falls off upwards gets its light too low: its lamps are tilted up alike, which lays
    the beams' middle nearer to what is dark, and down to make it steeper; the other way round where
    it falls off downwards (common practice). Paper that is dark in its middle has its lamps turned
    in, paper that is dark at its edges out. One side alone is its lamp's. Where the hot spot lies
    in the middle of what is seen, no small turn mends it and none is told.
    """
    lamps = [light for light in now.plan.lights if light.role == "background"]
    paper, (width, height) = measurement.backdrop, measurement.size
    if finding.explained_by is not None or not lamps or now.backdrop is None or paper is None:
        return finding
    falloff, is_steep = finding.measured or 0.0, finding.code == "too_steep"
    is_sure = falloff >= _SURE * paper.uncertainty.get("falloff", 0.0)
    if paper.brightest is None or paper.darkest is None or not is_sure:
        return finding
    sides = paper.left_right or 0.0
    if abs(sides) >= _ONE_SIDED * falloff:
        lit = [one for one in lamps if (one.off_axis or 0.0) * sides < 0.0]
        return _told(finding, "feather_paper", lit) if is_steep and len(lit) == 1 else finding
    (x, hot_down), (dark_x, dark_down) = paper.brightest, paper.darkest
    hot_out, dark_out = abs(x - MIDDLE), abs(dark_x - MIDDLE)
    lower, outer = (hot_down - dark_down) * height, (hot_out - dark_out) * width
    boxes = now.backdrop.boxes
    if abs(outer) > _ACROSS * abs(lower):
        ends = [abs(side - MIDDLE) for left, _, right, _ in boxes for side in (left, right)]
        inward: Advice = "turn_in" if (outer > 0.0) == is_steep else "turn_out"
        return _told(finding, inward, lamps) if _is_off_middle(hot_out, ends) else finding
    ends = [side for _, top, _, bottom in boxes for side in (top, bottom)]
    upward: Advice = "tilt_up" if (lower > 0.0) == is_steep else "tilt_down"
    return _told(finding, upward, lamps) if _is_off_middle(hot_down, ends) else finding


def _is_off_middle(value: float, ends: Sequence[float]) -> bool:
    low, high = min(ends), max(ends)
    return abs((value - low) / (high - low) - 0.5) >= _OFF


def _told(finding: Finding, advice: Advice, lamps: Sequence[Light]) -> Finding:
    names = tuple(light.name for light in lamps)
    return replace(finding, advice=advice, detail=replace(finding.detail, lamps=names))
