"""What a comparison or a run says: one check's answer, with its sentence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stopwise.findings import Cause, State, Turn, Within


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that differs between two sides; fields as in :class:`stopwise.findings.Finding`."""

    check: str
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

    def to_json(self) -> dict[str, Any]:
        """Return it as `compare --json` prints it."""
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
            "why": None,
        }
