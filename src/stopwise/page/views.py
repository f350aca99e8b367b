"""What the page shows of one frame, worked out once on the server from its record."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from stopwise.messages import do, say
from stopwise.plan.floor import floor_of_plan
from stopwise.report.facts import facts, marked_patches, share, unseen
from stopwise.report.lamp_words import Told, told_at_lamps
from stopwise.report.look import STATE_MARKS, VERDICT_MARKS
from stopwise.report.ruler import ROMAN, ruler_of
from stopwise.wording import shown, signed, tenths

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.findings import Finding
    from stopwise.plan.model import Light, Plan
    from stopwise.record import Record
    from stopwise.report.facts import MarkedPatch

MOST_TAGS = 9
"""Blown areas that get a number on the picture."""


def frame_view(
    number: int,
    record: Record,
    *,
    plan: Plan | None = None,
    powers: Mapping[str, float] | None = None,
) -> dict[str, Any]:
    """Return everything the page shows of a frame but its picture, as plain JSON.

    Parameters
    ----------
    number
        The frame's row in the ledger.
    record
        Its record.
    plan, powers
        The plan, and where dials stand now where that isn't the plan's power.
    """
    what, advice = record.headline
    worst = next((one for one in record.findings if one.state == "fails"), None)
    areas = record.clipping.areas if record.clipping else ()
    return {
        "number": number,
        "file": shown(record.file),
        "verdict": record.verdict,
        "mark": VERDICT_MARKS[record.verdict].shape,
        "role": VERDICT_MARKS[record.verdict].role,
        "say": what,
        "do": advice,
        "take": record.take,
        "look": record.look,
        "lamp_out": worst.of if worst and worst.check == "lamp" else None,
        "findings": [_finding(finding) for finding in record.findings],
        "patches": [_patch(patch) for patch in marked_patches(record)],
        "areas": [{"box": one.box, "share": share(one.fraction)} for one in areas[:MOST_TAGS]],
        "ruler": _ruler(record),
        "floor": _floor(plan, record, powers),
        "facts": [*facts(record), *unseen(record)],
    }


def run_point(number: int, record: Record) -> dict[str, Any]:
    """Return what the run of a take keeps of a frame: its verdict and every patch's offset."""
    ruler = ruler_of(record)
    return {
        "number": number,
        "file": shown(record.file),
        "verdict": record.verdict,
        "take": record.take,
        "patches": {
            reading.name: {
                "off": reading.off,
                "zone": reading.value,
                **_mark(reading.state),
                "low": None if reading.low is None else reading.low - (reading.target or 0.0),
                "high": None if reading.high is None else reading.high - (reading.target or 0.0),
            }
            for reading in ruler.readings
        },
        "lamps": {
            name: {"off": lamp.stops, **_mark(lamp.state)}
            for name, lamp in (record.lamps or {}).items()
        },
    }


def _mark(state: str | None) -> dict[str, Any]:
    """Return the state of a patch or a lamp with its mark; a plain disc without a state."""
    mark = _RUN_MARKS.get(state or "")
    shape, role = (mark.shape, mark.role) if mark else ("disc", "rule")
    return {"state": state, "mark": shape, "role": role}


_RUN_MARKS = {
    **STATE_MARKS,
    "fired": STATE_MARKS["holds"],
    "weak": STATE_MARKS["fails"],
    "strong": STATE_MARKS["fails"],
    "out": VERDICT_MARKS["unreadable"],
}
"""The mark of each state that a patch or a lamp can have."""


def plan_floor(plan: Plan | None) -> dict[str, Any] | None:
    """Return the set from above before any frame: each lamp with the power that it is at."""
    if plan is None:
        return None
    told = {light.name: Told(_at(light)) for light in plan.lights}
    return _set_from_above(plan, told)


def _at(light: Light) -> str:
    return "" if light.power is None else f"at {light.power_shown(light.power)}"


def _floor(
    plan: Plan | None, record: Record, powers: Mapping[str, float] | None
) -> dict[str, Any] | None:
    """Return the set from above after a frame, with what is to be done at each lamp."""
    if plan is None:
        return None
    return _set_from_above(plan, told_at_lamps(plan, record, powers=powers))


def _set_from_above(plan: Plan, told: Mapping[str, Told]) -> dict[str, Any]:
    """Return the floor: metres from the sitter, x to camera right, y to the camera."""
    floor = floor_of_plan(plan)
    return {
        "camera": [floor.camera.x, -floor.camera.y],
        "paper": [floor.paper_half, -floor.paper_y],
        "panels": [{"kind": one.kind, "at": [one.at.x, -one.at.y]} for one in floor.panels],
        "lamps": [
            {
                "name": shown(lamp.name),
                "short": shown(lamp.short),
                "at": [lamp.at.x, -lamp.at.y],
                "aim": [lamp.aim.x, -lamp.aim.y],
                "beam": lamp.beam,
                "is_placed": lamp.is_placed,
                "told": told[lamp.name].words,
                "told_there": told[lamp.name].there,
                "is_called": told[lamp.name].is_called,
            }
            for lamp in floor.lamps
        ],
    }


def _finding(finding: Finding) -> dict[str, Any]:
    mark = STATE_MARKS[finding.state]
    return {
        "state": finding.state,
        "mark": mark.shape,
        "role": mark.role,
        "say": shown(say(finding)),
        "do": shown(do(finding)),
    }


def _patch(patch: MarkedPatch) -> dict[str, Any]:
    mark = STATE_MARKS[patch.state] if patch.state else None
    return {
        "name": shown(patch.name),
        "box": patch.box,
        "figure": patch.figure,
        "mark": mark.shape if mark else None,
        "role": mark.role if mark else None,
        "state": patch.state,
    }


def _ruler(record: Record) -> dict[str, Any]:
    ruler = ruler_of(record)
    return {
        "clip": ruler.clip,
        "clipped": share(ruler.clipped) if ruler.clipped else None,
        "lanes": ruler.lanes,
        "zones": [
            {"zone": zone, "name": name} for zone, name in enumerate(ROMAN) if zone < ruler.clip
        ],
        "shares": [
            {
                "low": bar.low,
                "high": bar.high,
                "fraction": bar.fraction,
                "words": share(bar.fraction),
            }
            for bar in ruler.shares
        ],
        "readings": [
            {
                **asdict(reading),
                "name": shown(reading.name),
                "figure": _figure(reading.value, reading.off),
                "mark": STATE_MARKS[reading.state].shape if reading.state else None,
                "role": STATE_MARKS[reading.state].role if reading.state else "text",
            }
            for reading in ruler.readings
        ],
    }


def _figure(value: float | None, off: float | None) -> str:
    if value is None:
        return "not seen"
    return tenths(value) if off is None else signed(off)
