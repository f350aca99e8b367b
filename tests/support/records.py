"""Rows of a ledger for tests: the made records as JSON, with whatever a test puts in them."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from stopwise.record import record_from_json
from support import made_records
from support.made_records import PLAN

if TYPE_CHECKING:
    from stopwise.frame import Box
    from stopwise.record import Record

__all__ = ["PLAN", "finding", "kept", "patch", "record", "turned", "unreadable"]


def finding(check: str, of: str, measured: float | None, planned: float | None, **more: Any) -> Any:
    """Return one finding; it fails unless `more` says otherwise."""
    return {
        "check": check,
        "of": of,
        "measured": measured,
        "planned": planned,
        "within": [-0.3, 0.2],
        "unit": "stops",
        "uncertainty": 0.02,
        "state": "fails",
        "cause": "unknown",
        "say": "",
        "do": "",
        "turn": None,
        "why": None,
        **more,
    }


def turned(light: str, stops: float) -> dict[str, Any]:
    """Return what a finding has when a lamp is shown to be its cause."""
    lamp = PLAN.light(light)
    power = None if lamp is None or lamp.power is None else round(lamp.power + stops, 2)
    dial = {"to": power, "shown": None if power is None else f"to {power:.1f}"}
    return {"cause": "lamp", "turn": {"light": light, "stops": stops, **dial}}


def patch(zone: float | None, box: Box, **more: Any) -> dict[str, Any]:
    """Return one patch's figures."""
    return {**asdict(made_records.patch(zone, box)), **more}


def record(verdict: str = "on plan", *findings: Any, **more: Any) -> dict[str, Any]:
    """Return a whole record of a frame that measured well, with these findings.

    Each has its own turn, as earlier versions kept it.
    """
    row = made_records.record().to_json()
    del row["turns"]
    return {**row, "verdict": verdict, "findings": list(findings), **more}


def kept(*said: Any, **more: Any) -> Record:
    """Return such a record typed, as the rooms take it: see `record`."""
    return record_from_json(record(*said, **more))


def unreadable() -> dict[str, Any]:
    """Return the record of a file that gave no pixels."""
    return made_records.unreadable().to_json()
