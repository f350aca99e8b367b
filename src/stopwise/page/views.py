"""What the page shows of a frame and of the set, composed once on the server, as plain JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from stopwise.comparison.changes import KnownSet, patch_changes
from stopwise.comparison.settings import settings_change
from stopwise.comparison.sides import side_of
from stopwise.messages import do, say
from stopwise.plan.floor import floor_of_plan
from stopwise.report.facts import facts, marked_patches, share, unseen
from stopwise.report.lamp_words import LampWords, told_at_lamps
from stopwise.report.look import STATE_MARKS, VERDICT_MARKS
from stopwise.report.ruler import ROMAN, ruler_of
from stopwise.wording import shown, signed, tenths

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.findings import Finding
    from stopwise.ledger import Kept
    from stopwise.plan.model import Plan
    from stopwise.record import Record

MOST_TAGS = 9
"""Blown areas that get a number on the picture: as many as one digit tells apart."""

_MARKS = {
    **STATE_MARKS,
    "fired": STATE_MARKS["holds"],
    "weak": STATE_MARKS["fails"],
    "strong": STATE_MARKS["fails"],
    "out": VERDICT_MARKS["unreadable"],
}
"""The mark of each state that a finding or a lamp can be in."""


def frame_view(kept: Kept, plan: Plan | None = None) -> dict[str, Any]:
    """Return everything that the page shows of a frame but its picture.

    Parameters
    ----------
    kept
        The frame.
    plan
        The plan, each lamp at the power where its dial stands now.
    """
    record = kept.record
    line, advice = record.headline
    worst = next((one for one in record.findings if one.state == "fails"), None)
    areas = () if record.clipping is None else record.clipping.areas
    return {
        "number": kept.frame,
        "file": shown(record.file),
        "verdict": record.verdict,
        "mark": VERDICT_MARKS[record.verdict].shape,
        "role": VERDICT_MARKS[record.verdict].role,
        "say": line,
        "do": advice,
        "take": record.take,
        "look": record.look,
        "lamp_out": worst.of if worst and worst.check == "lamp" else None,
        "findings": [_finding(finding) for finding in record.findings],
        "patches": [
            {
                "name": shown(patch.name),
                "box": patch.box,
                "figure": patch.figure,
                **_marked(patch.state, plain=None),
            }
            for patch in marked_patches(record)
        ],
        "areas": [{"box": one.box, "share": share(one.fraction)} for one in areas[:MOST_TAGS]],
        "ruler": _ruler(record),
        "floor": None if plan is None else _floor(plan, told_at_lamps(plan, record)),
        "facts": [*facts(record), *unseen(record)],
        "run": run_point(kept.frame, record),
    }


def run_point(number: int, record: Record) -> dict[str, Any]:
    """Return what the run of a take keeps of a frame: its verdict, every patch's and lamp's off."""
    return {
        "number": number,
        "file": shown(record.file),
        "verdict": record.verdict,
        "take": record.take,
        "patches": {
            reading.name: {
                "off": reading.off,
                "zone": reading.value,
                "low": None if reading.low is None else reading.low - (reading.target or 0.0),
                "high": None if reading.high is None else reading.high - (reading.target or 0.0),
                **_marked(reading.state),
            }
            for reading in ruler_of(record).readings
        },
        "lamps": {
            name: {"off": lamp.stops, **_marked(lamp.state)}
            for name, lamp in (record.lamps or {}).items()
        },
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {**_marked(finding.state), "say": shown(say(finding)), "do": shown(do(finding))}


def _marked(state: str | None, *, plain: str | None = "disc") -> dict[str, Any]:
    """Return a state with its mark; without a state the mark is a plain one, or none."""
    mark = _MARKS.get(state or "")
    shape, role = (mark.shape, mark.role) if mark else (plain, "rule")
    return {"state": state, "mark": shape, "role": role}


def _ruler(record: Record) -> dict[str, Any]:
    ruler = ruler_of(record)
    return {
        "clip": ruler.clip,
        "clipped": share(ruler.clipped) if ruler.clipped else None,
        "lanes": ruler.lanes,
        "zones": [
            {"zone": zone, "name": name} for zone, name in enumerate(ROMAN) if zone < ruler.clip
        ],
        "shares": [{**asdict(bar), "words": share(bar.fraction)} for bar in ruler.shares],
        "readings": [
            {
                **asdict(reading),
                **_marked(reading.state, plain=None),
                "name": shown(reading.name),
                "figure": _figure(reading.value, reading.off),
            }
            for reading in ruler.readings
        ],
    }


def _figure(value: float | None, off: float | None) -> str:
    if value is None:
        return "not seen"
    return tenths(value) if off is None else signed(off)


def plan_floor(plan: Plan | None) -> dict[str, Any] | None:
    """Return the set from above before any frame: each lamp with the power that it is at."""
    if plan is None:
        return None
    powers = {
        light.name: "" if light.power is None else f"at {light.power_shown(light.power)}"
        for light in plan.lights
    }
    return _floor(plan, {name: LampWords(words) for name, words in powers.items()})


def _floor(plan: Plan, told: Mapping[str, LampWords]) -> dict[str, Any]:
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


def patch_changes_view(before: Record, after: Record) -> list[dict[str, Any]]:
    """Return what changed in each patch of the later frame, in stops, camera settings taken out."""
    sides = [side_of(record, name="") for record in (before, after)]
    settings = settings_change(sides[0].exposure, sides[1].exposure)
    changes = patch_changes(sides[0], sides[1], settings, KnownSet())
    zones = [{name: one.zone for name, one in side.patches.items()} for side in sides]
    return [
        {
            "name": shown(name),
            "before": zones[0].get(name),
            "after": zones[1].get(name),
            "figure": "not seen" if change.stops is None else signed(change.stops),
        }
        for name, change in changes.items()
        if name in zones[1]
    ]


def settings_stops(before: Record, after: Record) -> float:
    """Return what aperture and ISO did between two frames, in stops of light recorded."""
    return settings_change(before.exposure, after.exposure).flash_stops
