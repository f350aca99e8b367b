"""The flash's tail over a day's frames: what a slower frame that was asked for has shown."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from stopwise.findings import verdict_of
from stopwise.nominal import slower_full_mark
from stopwise.wording import shutter_text

if TYPE_CHECKING:
    from stopwise.findings import Finding
    from stopwise.record import Record

_SAME_STOPS = 1.0 / 6.0
"""Stops within which two times are one mark: files round them."""

_MOST = 0.5
"""Share of left against right that a slower shutter must take away to be shown as the cause."""


class Tail:
    """Takes a slower frame for what it was asked for, and remembers what it showed."""

    def __init__(self) -> None:
        self._asked_s: float | None = None
        self._uneven: float | None = None
        self._is_shown = False

    def settled(self, record: Record) -> tuple[Record, str]:
        """Return a readable frame's record with what its slower neighbour told, and what to tell.

        Parameters
        ----------
        record
            The frame's record, judged by itself.

        Returns
        -------
        Record, str
            At the time that was asked for the shutter's setting holds. Where the paper came even
            there, uneven paper at a faster time is the shutter's. "" for nothing to tell.
        """
        taken_s = None if record.exposure is None else record.exposure.shutter_s
        sides = _sides(record)
        if not taken_s or sides is None:
            return record, ""
        asked_s = self._asked_s
        if asked_s is not None and abs(math.log2(taken_s / asked_s)) < _SAME_STOPS:
            return self._slower(record, sides, asked_s)
        if sides.state != "fails":
            return record, ""
        if self._is_shown and asked_s is not None and taken_s < asked_s:
            return _with(record, [_blamed(finding, asked_s) for finding in record.findings]), ""
        if sides.cause == "shutter" or sides.advice == "shoot_slower":
            self._asked_s, self._uneven = slower_full_mark(taken_s), sides.measured
        return record, ""

    def _slower(self, record: Record, sides: Finding, asked_s: float) -> tuple[Record, str]:
        words, before, after = "", self._uneven, abs(sides.measured or 0.0)
        if sides.state != "fails" and not self._is_shown and before is not None:
            self._is_shown = after <= _MOST * abs(before)
            if self._is_shown:
                at = shutter_text(asked_s)
                words = (
                    f"It was the shutter: paper left against right reads {after:.2f} at {at}, "
                    f"after {abs(before):.2f}. Stay at {at}, leave the paper lamps."
                )
        findings = [
            replace(finding, state="holds", code="as_asked", cause=None)
            if (finding.check, finding.of, finding.state) == ("setting", "shutter", "fails")
            else finding
            for finding in record.findings
        ]
        return _with(record, findings), words


def _blamed(finding: Finding, asked_s: float) -> Finding:
    if finding.state != "fails" or not (finding.figure == "left_right" or finding.code == "slope"):
        return finding
    detail = replace(finding.detail, shutter_s=asked_s)
    return replace(finding, cause="shutter", turn=None, advice="stay_slower", detail=detail)


def _sides(record: Record) -> Finding | None:
    """Return the finding on the paper's left against its right, where the frame stands upright."""
    width, height = record.size or (1, 0)
    if height <= width:
        return None
    found = [one for one in record.findings if one.figure == "left_right"]
    return found[0] if found and found[0].measured is not None else None


def _with(record: Record, findings: list[Finding]) -> Record:
    """Return a record with other findings, and the verdict that these come to."""
    return record.with_verdict(verdict_of(findings))
