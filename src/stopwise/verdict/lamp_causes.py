"""What solos say: who is out, which spot moved, each finding's cause, which solo is missing."""

from __future__ import annotations

from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING

from stopwise.findings import Detail, Finding, verdict_of
from stopwise.lamps.beam_spots import LEAST_LOSS_STOPS, LEAST_MOVE
from stopwise.lamps.blame import FrameCase, likely_out
from stopwise.lamps.joint_turns import JointTurns, joint_turns
from stopwise.lamps.outputs import RUN_FRAMES
from stopwise.verdict.causes import turn_of_remedy, with_what_they_mend

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from stopwise.findings import Turn
    from stopwise.lamps.blame import Blame
    from stopwise.lamps.outputs import SpotReading
    from stopwise.lamps.seen import LampsSeen
    from stopwise.plan.now import PlanNow
    from stopwise.record import Record


def with_lamp_causes(
    findings: Sequence[Finding], now: PlanNow, lamps: LampsSeen, out: Collection[str]
) -> tuple[list[Finding], list[Turn]]:
    """Return the findings with their causes and one for each lamp that is out, and what to turn.

    Parameters
    ----------
    findings
        One frame's.
    now, lamps
        What holds now, and what the lamps gave.
    out
        Lamps that gave no light. What such a lamp explains is left out: its patches would say the
        same a dozen times. So is what it lights, lacks light and no other lamp explains, and what
        isn't found again in a picture that its light is missing from.
    """
    failing = [finding for finding in findings if finding.state == "fails" and not finding.cause]
    case = FrameCase(lamps.knowledge, lamps.readings, lamps.around, findings)
    causes = {id(finding): case.blame(finding) for finding in failing}
    joint = JointTurns()
    if any(blame.cause == "lamp" for blame in causes.values()):
        gone = [name for name, spot in lamps.spots.items() if spot.state in _NOT_ITS_POWER]
        joint = joint_turns(case, findings, barred=gone)
    off = {finding.of for finding in failing if finding.check == "patch"}
    led_by_out = {patch.name for patch in now.patches if set(patch.lit_by[:1]) & set(out)}
    kept = []
    for finding in findings:
        blame = causes.get(id(finding))
        named = None if blame is None else blame.lamp
        is_of_out = (
            named in out
            or led_by_out.intersection(finding.detail.patches)
            or (out and finding.why == "not_followed")
            or (named is None and _lacks_light_of(finding, out))
        )
        if finding.state == "holds" or not is_of_out:
            mends = joint.explained.get((finding.check, finding.of))
            told_of = _explained(finding, blame, mends, off)
            if mends is not None and _is_mostly_finish(case, finding):
                told_of = replace(told_of, advice="finish")
            kept.append(told_of)
    told = [*(Finding("lamp", name, "out", "fails", cause="lamp") for name in out), *kept]
    turns = [
        turn_of_remedy(light, one, lamps.readings[one.lamp].setting)
        for one in joint.remedies
        if (light := now.plan.light(one.lamp)) is not None
    ]
    return with_what_they_mend(with_spots(told, now, lamps.spots), turns, now.plan)


def _lacks_light_of(finding: Finding, out: Collection[str]) -> bool:
    """Tell whether a finding fails as lamps that are out leave it: they make nothing lighter."""
    is_too_light = finding.code == "over" or finding.check in ("clip", "headroom")
    is_of_them = not set(out).isdisjoint(finding.detail.lamps)
    return finding.state == "fails" and is_of_them and not is_too_light


def _is_mostly_finish(case: FrameCase, finding: Finding) -> bool:
    """Tell whether hair's finish makes the most of what its zone is off by."""
    if finding.check != "patch" or finding.of not in case.know.hair:
        return False
    rest, off = case.finish(finding) or 0.0, finding.difference or 0.0
    return rest * off > 0.0 and abs(rest) >= 0.5 * abs(off)


_NOT_ITS_POWER = ("sitter out of the spot", "spot moved")
"""What became of a spot whose light isn't mended at the lamp's pack."""


def _explained(
    finding: Finding, blame: Blame | None, mends: str | None, off: Collection[str]
) -> Finding:
    if blame is None:
        return finding
    if mends is not None and blame.cause not in ("camera", "shutter"):
        return replace(finding, cause="lamp", explained_by=mends)
    if finding.check == "headroom" and blame.cause == "sitter" and finding.of not in off:
        # only the centre is hot: a turned head would take its whole patch along
        return replace(finding, cause="unknown")
    if blame.cause == "lamp":
        return replace(finding, cause="lamp", explained_by=blame.lamp)
    advice = "leave_lamps" if blame.cause == "sitter" else finding.advice
    return replace(finding, cause=blame.cause, advice=advice)


def with_spots(
    findings: Sequence[Finding], now: PlanNow, spots: Mapping[str, SpotReading]
) -> list[Finding]:
    """Return the findings with what spots say, and what they explain laid to them.

    Parameters
    ----------
    findings
        With their causes.
    now
        Which lamps light each patch, and where the lamps stand.
    spots
        What became of each spot, by lamp.
    """
    own = list(_spot_findings(now, spots))
    kept = list(findings)
    for told in own:
        kept = [_laid_to_spot(finding, told, now) for finding in kept]
    return [*own, *kept]


def _spot_findings(now: PlanNow, spots: Mapping[str, SpotReading]) -> Iterator[Finding]:
    for name, spot in spots.items():
        light = now.plan.light(name)
        if spot.state == "sitter out of the spot":
            yield Finding(
                check="lamp",
                of=name,
                code="out_of_spot",
                state="fails",
                measured=spot.lost_stops,
                planned=0.0,
                within=(-LEAST_LOSS_STOPS, None),
                cause="sitter",
                detail=Detail(moved=spot.way_back),
            )
        elif spot.state == "spot moved" and light is not None:
            on_boom = light.stand is None or light.is_on_boom
            yield Finding(
                check="lamp",
                of=name,
                code="spot_moved",
                state="fails",
                measured=spot.size,
                planned=0.0,
                within=(None, LEAST_MOVE),
                unit="fraction",
                uncertainty=spot.uncertainty,
                cause="lamp",
                detail=Detail(
                    moved=spot.moved,
                    overhead=light.is_overhead,
                    held="boom" if on_boom else "stand",
                ),
            )


def _laid_to_spot(finding: Finding, told: Finding, now: PlanNow) -> Finding:
    """Return a finding with a spot's move, or the sitter out of it, as its cause.

    A patch that a lamp leads and whose spot moved, or that lost light out of its spot, turns no
    lamp.
    """
    if finding.state != "fails" or finding.cause in ("camera", "shutter", "backdrop"):
        return finding
    if finding.explained_by not in (None, told.of):
        return finding
    led = {patch.name for patch in now.patches if patch.follow and patch.lit_by[:1] == (told.of,)}
    has_lost = finding.difference is not None and finding.difference < 0.0
    if not led.intersection(finding.detail.patches) or (told.cause == "sitter" and not has_lost):
        return finding
    return replace(
        finding,
        cause=told.cause,
        explained_by=told.of,
        advice="way_back" if told.code == "out_of_spot" else "secure",
        detail=replace(
            finding.detail,
            moved=told.detail.moved,
            overhead=told.detail.overhead,
            held=told.detail.held,
        ),
    )


_BY_LAMPS = ("patch", "headroom", "clip")
"""Checks of a patch that its lamps' own light explains."""


def with_solos_asked(
    findings: Sequence[Finding], now: PlanNow, known: Collection[str]
) -> list[Finding]:
    """Return the findings, those that nothing explains with the solo that is to be shot for them.

    Parameters
    ----------
    findings
        One frame's, with their causes.
    now
        What holds now: which lamps are lit, and which light each patch.
    known
        Lamps whose own light is known.

    Notes
    -----
    A lamp that lights a patch together with one whose own light isn't known can't be read: then
    that one's solo is what lacks. Paper asks for its own lamps'. A ratio is off with its patches,
    and is left to its usual advice where they hold. A solo is asked for at the power at which the
    lamp is known to stand: that is written down with it.
    """
    lit = {light.name for light in now.plan.lights} if now.lit is None else now.lit
    missing = lit.difference(known)
    if not missing:
        return list(findings)
    off = {one.of for one in findings if one.check == "patch" and one.state == "fails"}

    def asked(finding: Finding) -> Finding:
        is_by_lamps = (
            finding.check in _BY_LAMPS
            or finding.figure in ("zone", "left_right")
            or not off.isdisjoint((finding.lit, finding.shadow))
        )
        is_open = finding.cause in (None, "unknown", "backdrop") and finding.explained_by is None
        is_told = finding.advice is not None or finding.code == "hot_centre"
        if finding.state != "fails" or is_told or not (is_by_lamps and is_open):
            return finding
        own = set(finding.detail.lamps)
        beside = {
            lamp for patch in now.measured if own & set(patch.lit_by) for lamp in patch.lit_by
        }
        lacks = (own & missing) or (beside & missing)
        light = next((one for one in now.plan.lights if one.name in lacks), None)
        if light is None:
            return finding
        stands = now.powers.get(light.name, light.power)
        power = None if stands is None else light.power_shown(stands)
        detail = replace(finding.detail, lamps=(light.name,), shown=power)
        return replace(finding, cause="unknown", advice="solo", detail=detail)

    return [asked(finding) for finding in findings]


def with_likely_out(record: Record, earlier: Sequence[Record], now: PlanNow) -> Record:
    """Return a frame's record with one finding on the lamp that likely did not fire.

    Parameters
    ----------
    record
        The frame's record.
    earlier
        Records of the take's frames so far, oldest first: three at least.
    now
        What holds now: which lamps light each patch.

    Returns
    -------
    Record
        The record as it is where solos are known, or where no single lamp explains what fell. Else
        that lamp's finding comes first, and what its patches would say is left out.
    """
    lit_by: Mapping[str, tuple[str, ...]] = {
        patch.name: patch.lit_by for patch in now.patches if patch.lit_by
    }
    lamp = None if record.lamps else likely_out(_drops(record, earlier), lit_by)
    if lamp is None:
        return record
    led = {patch for patch, lamps in lit_by.items() if lamp in lamps}
    kept = [
        one
        for one in record.findings
        if one.state == "holds" or not led.intersection(one.detail.patches)
    ]
    found = Finding("lamp", lamp, "likely_out", "fails", cause="lamp")
    return record.with_verdict(verdict_of([found, *kept]))


def _drops(record: Record, earlier: Sequence[Record]) -> dict[str, float]:
    """Return the stops by which each seen patch differs from its median in the run."""
    found = {}
    for name, patch in record.patches.items():
        before = [
            level
            for one in earlier
            if name in one.patches and (level := one.patches[name].log2_y) is not None
        ]
        if patch.log2_y is not None and len(before) >= RUN_FRAMES:
            found[name] = patch.log2_y - median(before)
    return found
