"""Findings and verdicts: one check's answer, and the answer over all of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

Check = Literal[
    "patch",
    "headroom",
    "clip",
    "blocked",
    "ratio",
    "separation",
    "backdrop",
    "blown",
    "pinpoints",
    "setting",
    "exposure",
    "shutter",
    "ambient",
    "lamp",
]
State = Literal["holds", "fails", "on the line", "not seen"]
Cause = Literal["lamp", "sitter", "camera", "shutter", "backdrop", "unknown"]
Within = tuple[float | None, float | None]
Answer = Literal["on plan", "off plan", "can't tell", "measured", "unreadable"]

_ROUNDING = 1e-9
"""A difference this little outside its limit is one that float arithmetic put there."""


@dataclass(frozen=True, slots=True)
class Turn:
    """Which lamp to turn and by how many stops, negative for down."""

    light: str
    stops: float


@dataclass(frozen=True, slots=True)
class Finding:
    """One check's answer.

    Attributes
    ----------
    check, of
        What was checked, of which patch, lamp or setting.
    measured, planned
        In `unit`; None where not seen or not stated.
    within
        Least and greatest difference allowed; None where a side is open.
    unit
        "stops", "zone", "fraction", or the setting's own unit.
    state
        Holds, fails, on the line (its uncertainty straddles the limit), not seen.
    cause
        Of a failed finding; None else.
    say, do
        One plain sentence each: what, and what to do ("" where nothing is).
    turn
        A lamp's turn, only where the lamp is shown to be the cause.
    uncertainty
        Standard uncertainty of `measured`, same unit.
    why
        Name of the condition that keeps it from being seen.
    """

    check: Check
    of: str
    measured: float | None
    planned: float | None
    within: Within | None
    unit: str
    state: State
    say: str
    do: str = ""
    cause: Cause | None = None
    turn: Turn | None = None
    uncertainty: float | None = None
    why: str | None = None

    @property
    def difference(self) -> float | None:
        """Measured less planned, where both are known."""
        if self.measured is None or self.planned is None:
            return None
        return self.measured - self.planned

    @property
    def excess(self) -> float:
        """How far the difference lies outside `within`, in its unit; negative inside.

        Minus infinity where nothing is measured or no limit is set.
        """
        return excess(self.difference, self.within)

    def to_json(self) -> dict[str, Any]:
        """Return the finding as the record keeps it."""
        return {
            "check": self.check,
            "of": self.of,
            "measured": self.measured,
            "planned": self.planned,
            "within": None if self.within is None else list(self.within),
            "unit": self.unit,
            "uncertainty": self.uncertainty,
            "state": self.state,
            "cause": self.cause,
            "say": self.say,
            "do": self.do,
            "turn": None
            if self.turn is None
            else {"light": self.turn.light, "stops": self.turn.stops},
            "why": self.why,
        }


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer over all findings, worst first, with the reason where it can't be told."""

    verdict: Answer
    findings: tuple[Finding, ...]
    reason: str | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the record's parts that the verdict answers for."""
        return {
            "verdict": self.verdict,
            "reason": self.reason,
            "findings": [finding.to_json() for finding in self.findings],
        }


def excess(difference: float | None, within: Within | None) -> float:
    """Return how far `difference` lies outside `within`; negative inside, -inf with no limit."""
    if difference is None or within is None:
        return -math.inf
    low, high = within
    over = -math.inf if high is None else difference - high
    under = -math.inf if low is None else low - difference
    return max(over, under)


def state_of(difference: float | None, within: Within, uncertainty: float | None) -> State:
    """Return what a difference says of its limit.

    Parameters
    ----------
    difference
        Measured less planned; None where it isn't seen.
    within
        Least and greatest difference allowed, each None where that side is open.
    uncertainty
        Standard uncertainty of the difference, same unit; None counts as 0.

    Returns
    -------
    str
        "on the line" where difference +- uncertainty straddles a limit.
    """
    if difference is None:
        return "not seen"
    outside = excess(difference, within)
    if abs(outside) < (uncertainty or 0.0):
        return "on the line"
    return "fails" if outside > _ROUNDING else "holds"
