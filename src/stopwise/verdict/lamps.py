"""What the lamps say: a lamp that did not fire, and the cause of each failed finding by solos."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from stopwise.lamps.cause import explain
from stopwise.verdict.causes import turned
from stopwise.verdict.common import unlit_finding
from stopwise.wording import lamp_name, stops_text, title

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from stopwise.lamps.beam_spots import SpotReading
    from stopwise.lamps.knowledge import Blame, Circumstances, Knowledge
    from stopwise.lamps.outputs import LampReading
    from stopwise.plan.now import PlanNow
    from stopwise.verdict.findings import Finding


@dataclass(frozen=True, eq=False, slots=True)
class LampsSeen:
    """Each lamp's output in one frame, and what solos say of the plan's targets.

    Attributes
    ----------
    readings
        By lamp.
    knowledge, around
        What solos say of the targets, and what else is known of the frame.
    spots
        What became of the spots of lamps that have a white card, by lamp.
    """

    readings: Mapping[str, LampReading]
    knowledge: Knowledge
    around: Circumstances
    spots: Mapping[str, SpotReading] = field(default_factory=dict)

    def out(self, lit: Collection[str] | None) -> list[str]:
        """Return the lamps that are meant to be lit and gave no light."""
        return [
            name
            for name, reading in self.readings.items()
            if reading.state == "out" and (lit is None or name in lit)
        ]


def with_lamp_causes(
    findings: Sequence[Finding], targets: PlanNow, lamps: LampsSeen, out: Collection[str]
) -> list[Finding]:
    """Return the findings with their causes, and one finding for each lamp that is out.

    What such a lamp explains is left out: its patches would say the same a dozen times.
    """
    failing = [finding for finding in findings if finding.state == "fails" and not finding.cause]
    blames = explain(failing, lamps.knowledge, lamps.readings, lamps.around)
    causes = {id(finding): blame for finding, blame in zip(failing, blames, strict=True)}
    off = {finding.of for finding in failing if finding.check == "patch"}
    led = {patch.name for patch in targets.patches if patch.lit_by[:1] and patch.lit_by[0] in out}
    kept = [
        _explained(finding, causes.get(id(finding)), targets, off)
        for finding in findings
        if not _is_of_a_dead_lamp(finding, causes.get(id(finding)), out, led)
    ]
    return [*(_out(name) for name in out), *kept]


def _is_of_a_dead_lamp(
    finding: Finding, blame: Blame | None, out: Collection[str], led: Collection[str]
) -> bool:
    if finding.state == "holds":
        return False
    if blame is not None and blame.lamp in out:
        return True
    return any(finding.of == name or name in finding.of.split(" to ") for name in led)


def _explained(
    finding: Finding, blame: Blame | None, targets: PlanNow, off: Collection[str]
) -> Finding:
    if blame is None:
        return finding
    if finding.check == "headroom" and blame.cause == "sitter" and finding.of not in off:
        return _hot_centre(finding, targets)
    light = None if blame.lamp is None else targets.plan.light(blame.lamp)
    if blame.cause == "lamp" and light is not None and blame.turn is not None:
        return turned(finding, light, blame.turn)
    do = "Sitter has turned. Leave the lamps." if blame.cause == "sitter" else finding.do
    return replace(finding, cause=blame.cause, do=do)


def _hot_centre(finding: Finding, targets: PlanNow) -> Finding:
    """Say what helps where only the centre is hot: a turned head takes its whole patch along."""
    leads = {patch.name: patch.lit_by[0] for patch in targets.patches if patch.lit_by}
    lead = leads.get(finding.of)
    if lead is None or finding.difference is None:
        return replace(finding, cause="unknown")
    lead = lamp_name(lead)
    do = f"Feather the {lead}, or {lead} down {stops_text(finding.difference)}."
    return replace(finding, cause="unknown", do=do)


def _out(name: str) -> Finding:
    say = f"{title(lamp_name(name))} did not fire."
    return unlit_finding(name, say, "Stop. Check it, shoot again.")
