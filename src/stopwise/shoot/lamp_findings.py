"""Findings on lamps that only the run of a take can tell: weak, strong, not ready, not dumped."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from stopwise.findings import Detail, Finding, verdict_of
from stopwise.lamps.outputs import LEAST_OFF

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stopwise.codes import Code
    from stopwise.lamps.outputs import LampReading
    from stopwise.record import Record


def readings_of(record: Record, lit: Sequence[str] | None = None) -> dict[str, LampReading]:
    """Return what a record says of the lamps that are meant to be lit; {} where it says nothing."""
    lamps = record.lamps or {}
    return {name: one for name, one in lamps.items() if lit is None or name in lit}


def misfires(record: Record) -> bool:
    """Tell whether a lamp that was meant to fire didn't, or none did."""
    return any(finding.is_misfire for finding in record.findings)


def lamp_finding(
    name: str,
    reading: LampReading,
    planned: float,
    *,
    code: Code | None = None,
    since_s: float | None = None,
) -> Finding:
    """Return the failed finding on a lamp that isn't what its take expects.

    Parameters
    ----------
    name, reading
        The lamp, and what it gave.
    planned
        What is expected of it, stops against its solo.
    code
        What is to be said; None for weak or strong.
    since_s
        Seconds since the frame before, for a lamp that wasn't ready.
    """
    off: Code = "strong" if (reading.stops or 0.0) > planned else "weak"
    return Finding(
        check="lamp",
        of=name,
        code=code or off,
        state="fails",
        measured=reading.stops,
        planned=planned,
        within=(-LEAST_OFF, LEAST_OFF),
        uncertainty=reading.uncertainty,
        cause="lamp",
        detail=Detail(since_s=since_s),
    )


def with_lamp_findings(record: Record, findings: Sequence[Finding]) -> Record:
    """Return a record with what the run says of lamps, and no turn of those lamps.

    A lamp that is off its own run is mended where it stands, and not by turning what it gives.
    """
    if not findings:
        return record
    named = {finding.of for finding in findings}
    kept = [
        replace(finding, turn=None)
        if finding.turn is not None and finding.turn.light in named
        else finding
        for finding in record.findings
    ]
    return record.with_verdict(verdict_of([*findings, *kept]))
