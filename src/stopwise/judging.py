"""Measurement x Plan -> Verdict: each wish's finding, its cause, and what to turn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Check = Literal[
    "patch",
    "headroom",
    "clip",
    "blocked",
    "ratio",
    "apart",
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
Answer = Literal["on plan", "off plan", "can't tell", "measured", "unreadable"]


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
    """

    check: Check
    of: str
    measured: float | None
    planned: float | None
    within: tuple[float | None, float | None] | None
    unit: str
    state: State
    say: str
    do: str = ""
    cause: Cause | None = None
    turn: Turn | None = None
    uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer over all findings, worst first, with the reason where it can't be told."""

    verdict: Answer
    findings: tuple[Finding, ...]
    reason: str | None = None
