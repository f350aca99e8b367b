"""What solos say: a lamp that did not fire, a spot that moved, the cause of each failed finding."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from stopwise.findings import Detail, Finding
from stopwise.lamps.beam_spots import LEAST_LOSS_STOPS, LEAST_MOVE
from stopwise.lamps.blame import explain
from stopwise.verdict.turns import turned

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from stopwise.lamps.beam_spots import SpotReading
    from stopwise.lamps.blame import Blame
    from stopwise.lamps.seen import LampsSeen
    from stopwise.plan.now import PlanNow


def with_lamp_causes(
    findings: Sequence[Finding], now: PlanNow, lamps: LampsSeen, out: Collection[str]
) -> list[Finding]:
    """Return the findings with their causes, and one for each lamp that is out.

    Parameters
    ----------
    findings
        One frame's.
    now, lamps
        What holds now, and what the lamps gave.
    out
        Lamps that gave no light. What such a lamp explains is left out: its patches would say the
        same a dozen times.
    """
    failing = [finding for finding in findings if finding.state == "fails" and not finding.cause]
    blames = explain(failing, lamps.knowledge, lamps.readings, lamps.around)
    causes = {id(finding): blame for finding, blame in zip(failing, blames, strict=True)}
    off = {finding.of for finding in failing if finding.check == "patch"}
    led_by_out = {patch.name for patch in now.patches if set(patch.lit_by[:1]) & set(out)}
    kept = []
    for finding in findings:
        blame = causes.get(id(finding))
        is_of_out = (blame is not None and blame.lamp in out) or led_by_out.intersection(
            finding.detail.patches
        )
        if finding.state == "holds" or not is_of_out:
            kept.append(_explained(finding, blame, now, off))
    return [*(Finding("lamp", name, "out", "fails", cause="lamp") for name in out), *kept]


def _explained(
    finding: Finding,
    blame: Blame | None,
    now: PlanNow,
    off: Collection[str],
) -> Finding:
    if blame is None:
        return finding
    if finding.check == "headroom" and blame.cause == "sitter" and finding.of not in off:
        # only the centre is hot: a turned head would take its whole patch along
        return replace(finding, cause="unknown")
    light = None if blame.lamp is None else now.plan.light(blame.lamp)
    if blame.cause == "lamp" and light is not None and blame.turn is not None:
        return turned(finding, light, blame.turn, now)
    advice = "leave_lamps" if blame.cause == "sitter" else finding.advice
    return replace(finding, cause=blame.cause, explained_by=blame.lamp, advice=advice)


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
    if finding.turn is not None and finding.turn.light != told.of:
        return finding
    led = {patch.name for patch in now.patches if patch.follow and patch.lit_by[:1] == (told.of,)}
    has_lost = finding.difference is not None and finding.difference < 0.0
    if not led.intersection(finding.detail.patches) or (told.cause == "sitter" and not has_lost):
        return finding
    return replace(
        finding,
        cause=told.cause,
        explained_by=told.of,
        turn=None,
        advice="way_back" if told.code == "out_of_spot" else "secure",
        detail=replace(
            finding.detail,
            moved=told.detail.moved,
            overhead=told.detail.overhead,
            held=told.detail.held,
        ),
    )
