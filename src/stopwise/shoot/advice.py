"""Advice inside a take: a lamp's turn is given when two of the last three frames agree on it."""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from stopwise.findings import Finding
    from stopwise.record import Record

AGREE_STOPS = 0.2
"""Stops within which two frames ask the same turn of a lamp."""

_BEFORE = 2
"""Frames before this one that a turn may agree with: two of the last three."""


class Advice:
    """Holds a lamp's turn back until a second frame asks for it; new with each take."""

    def __init__(self) -> None:
        self._asked: deque[dict[str, float]] = deque(maxlen=_BEFORE)

    def settled(self, record: Record, *, in_take: bool) -> Record:
        """Return a readable frame's record with the turns that two of three frames agree on.

        Parameters
        ----------
        record
            The frame's record.
        in_take
            False while building up: then every turn is given at once.
        """
        asked = _turns(record.findings)
        if in_take:
            agreed = {name for name, stops in asked.items() if self._has(name, stops)}
            held = tuple(_held_back(finding, agreed) for finding in record.findings)
            record = replace(record, findings=held)
        self._asked.append(asked)
        return record

    def _has(self, lamp: str, stops: float) -> bool:
        return any(
            lamp in frame
            and frame[lamp] * stops > 0
            and abs(frame[lamp] - stops) <= max(AGREE_STOPS, abs(stops) / 2.0)
            for frame in self._asked
        )


def _turns(findings: Iterable[Finding]) -> dict[str, float]:
    asked: dict[str, list[float]] = {}
    for finding in findings:
        if finding.turn is not None:
            asked.setdefault(finding.turn.light, []).append(finding.turn.needed)
    return {name: median(stops) for name, stops in asked.items()}


def _held_back(finding: Finding, agreed: set[str]) -> Finding:
    if finding.turn is None or finding.turn.light in agreed:
        return finding
    return replace(finding, turn=None, advice="wait")
