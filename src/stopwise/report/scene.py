"""What is known around a failed finding, and the parts that all calls are made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from stopwise.report.words import fitted, in_steps, lamp_name, power_text, shown
from stopwise.wording import CALL_WIDTH, stops_text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.plan.model import Light, Plan

Finding = dict[str, Any]
Call = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Scene:
    """What is known around a finding.

    Attributes
    ----------
    record
        The frame's JSON record.
    plan
        The plan, where there is one.
    powers
        Each lamp's power now, stops below full, where it isn't the plan's.
    since_last_s
        Seconds since the frame before.
    """

    record: dict[str, Any]
    plan: Plan | None
    powers: Mapping[str, float]
    since_last_s: float | None

    def light(self, name: str) -> Light | None:
        """Return the plan's lamp called `name`."""
        return None if self.plan is None else self.plan.light(name)

    def power(self, name: str) -> float | None:
        """Return a lamp's power now, stops below full."""
        light = self.light(name)
        return self.powers.get(name, None if light is None else light.power)


def turn_line(finding: Finding, scene: Scene, *, lead: str = "") -> str | None:
    """Return "Key down 0.4, to -2.4.", or None where the finding turns no lamp."""
    turn = finding.get("turn")
    if not turn:
        return None
    light, power = scene.light(turn["light"]), scene.power(turn["light"])
    stops = in_steps(turn["stops"], light)
    if light is not None and power is not None:
        low, high = light.range
        if not low - light.step / 2 <= power + stops <= high + light.step / 2:
            return fitted(_AT_LIMIT[stops > 0].format, lamp_name(turn["light"]))
    to = f", to {power_text(power + stops, light)}" if light and power is not None else ""
    way = "up" if stops > 0 else "down"
    tail = f" {way} {stops_text(stops)}{'' if lead else to}."
    return fitted(lambda name: f"{lead}{name}{tail}", lamp_name(turn["light"]))


def advice_for(finding: Finding, scene: Scene, otherwise: str) -> str:
    """Return the turn, else the judge's own advice where it is short enough, else `otherwise`."""
    turned = turn_line(finding, scene)
    if turned:
        return turned
    own = shown(finding.get("do") or "")
    return own if 0 < len(own) <= CALL_WIDTH else otherwise


def off_target(finding: Finding) -> float:
    """Return how far a finding lies off its target, 0 where either is missing."""
    if finding["measured"] is None or finding["planned"] is None:
        return 0.0
    return float(finding["measured"] - finding["planned"])


_AT_LIMIT = {True: "{} is at full: move it nearer.", False: "{} is at its least: move it back."}
