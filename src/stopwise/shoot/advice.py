"""Advice inside a take: a lamp's turn is given when two of the last three frames agree on it."""

from __future__ import annotations

from collections import deque
from statistics import median
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

AGREE_STOPS = 0.2
"""Stops within which two frames ask the same turn of a lamp."""

_BEFORE = 2
WAIT = "One frame only: shoot on."
"""What to do while no second frame asks for the same."""


class Advice:
    """Holds a lamp's turn back until a second frame asks for it; new with each take."""

    def __init__(self) -> None:
        self._asked: deque[dict[str, float]] = deque(maxlen=_BEFORE)

    def settled(self, record: Mapping[str, Any], *, in_take: bool) -> dict[str, Any]:
        """Return a readable frame's record with the turns that two of three frames agree on.

        Parameters
        ----------
        record
            The frame's record.
        in_take
            False while building up: then every turn is given at once.
        """
        findings = list(record.get("findings") or ())
        asked = _turns(findings)
        if in_take:
            agreed = {name for name, stops in asked.items() if self._has(name, stops)}
            findings = [_held_back(finding, agreed) for finding in findings]
        self._asked.append(asked)
        return {**record, "findings": findings}

    def _has(self, lamp: str, stops: float) -> bool:
        return any(
            lamp in frame
            and frame[lamp] * stops > 0
            and abs(frame[lamp] - stops) <= max(AGREE_STOPS, abs(stops) / 2.0)
            for frame in self._asked
        )


def _turns(findings: list[dict[str, Any]]) -> dict[str, float]:
    asked: dict[str, list[float]] = {}
    for finding in findings:
        if finding.get("turn"):
            asked.setdefault(finding["turn"]["light"], []).append(finding["turn"]["stops"])
    return {name: median(stops) for name, stops in asked.items()}


def _held_back(finding: dict[str, Any], agreed: set[str]) -> dict[str, Any]:
    turn = finding.get("turn")
    if not turn or turn["light"] in agreed:
        return finding
    return {**finding, "turn": None, "do": WAIT}
