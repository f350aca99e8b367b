"""Findings on lamps that only the run of a take can tell: weak, strong, not ready, not dumped."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stopwise.lamps.outputs import LEAST_OFF, LampReading
from stopwise.verdict.findings import Finding as JudgedFinding
from stopwise.wording import lamp_name, stops_text, title

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Finding = dict[str, Any]
"""A finding as the record keeps it."""


def readings_of(
    record: Mapping[str, Any], lit: Sequence[str] | None = None
) -> dict[str, LampReading]:
    """Return what a record says of the lamps that are meant to be lit; {} where it says nothing."""
    return {
        name: LampReading(one["stops"], one["uncertainty"], one["state"])
        for name, one in (record.get("lamps") or {}).items()
        if lit is None or name in lit
    }


def misfires(record: Mapping[str, Any]) -> bool:
    """Tell whether a lamp that was meant to fire didn't, or none did."""
    return any(
        finding["check"] == "lamp" and finding["state"] == "fails" and finding["measured"] is None
        for finding in record.get("findings") or ()
    )


def off_finding(name: str, reading: LampReading, planned: float) -> Finding:
    """Return the finding on a lamp that gives more or less than its take does."""
    off = (reading.stops or 0.0) - planned
    way = "strong" if off > 0 else "weak"
    do = "Check its power." if off > 0 else "Check its power, wait for ready."
    return _finding(
        name, reading, planned, f"{title(lamp_name(name))} {stops_text(off)} {way}.", do
    )


def asked_finding(finding: Finding) -> Finding:
    """Return a finding on a lamp whose step is asked about."""
    return {**finding, "do": "Was that you? Say: take yes."}


def recycling_finding(name: str, reading: LampReading, planned: float, since_s: float) -> Finding:
    """Return the finding on a lamp that fired before it was ready."""
    weak = abs((reading.stops or 0.0) - planned)
    say = f"{title(lamp_name(name))} {weak:.1f} weak, {since_s:.1f} s after the last."
    return _finding(name, reading, planned, say, "Wait for ready.")


def old_power_finding(name: str, reading: LampReading, *, planned: float, turned: float) -> Finding:
    """Return the finding on a lamp that was turned and still fired at its old power."""
    say = f"{title(lamp_name(name))} still at the old power"
    if turned < 0:
        return _finding(name, reading, planned, f"{say}: not dumped.", "Fire it once, shoot again.")
    return _finding(name, reading, planned, f"{say}.", "Check its power, shoot again.")


def _finding(name: str, reading: LampReading, planned: float, say: str, do: str) -> Finding:
    return JudgedFinding(
        check="lamp",
        of=name,
        measured=reading.stops,
        planned=planned,
        within=(-LEAST_OFF, LEAST_OFF),
        unit="stops",
        state="fails",
        say=say,
        do=do,
        cause="lamp",
        uncertainty=reading.uncertainty,
    ).to_json()


def with_lamp_findings(record: Mapping[str, Any], findings: Sequence[Finding]) -> dict[str, Any]:
    """Return a record with what the run says of lamps put first, and no turn of those lamps.

    A lamp that is off its own run is mended where it stands, and not by turning what it gives.
    """
    if not findings:
        return dict(record)
    named = {finding["of"] for finding in findings}
    kept = [
        {**finding, "turn": None, "do": ""}
        if finding.get("turn") and finding["turn"]["light"] in named
        else finding
        for finding in record.get("findings") or ()
    ]
    return {**record, "verdict": "off plan", "reason": None, "findings": [*findings, *kept]}
