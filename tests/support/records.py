"""Frame records and plans for tests of what a person sees, as the ledger and the plan give them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stopwise.plan.model import Plan
from stopwise.record import record_from_json

if TYPE_CHECKING:
    from stopwise.record import Record

PLAN = Plan.model_validate(
    {
        "schema": 1,
        "title": "Fencer, hard light",
        "camera": {"iso": 100, "f_number": 11.0, "shutter": 1 / 160, "sync_speed": 1 / 200},
        "light": [
            {"name": "key", "role": "key", "power": -2.0},
            {"name": "fill", "role": "fill", "power": -3.0},
            {"name": "hair", "role": "hair", "power": -4.0},
            {"name": "left paper", "role": "background", "power": -3.5},
            {"name": "right paper", "role": "background", "power": -3.5},
        ],
        "patch": [
            {
                "name": "lit cheek",
                "box": [0.535, 0.44, 0.565, 0.49],
                "material": "skin",
                "zone": 6.5,
                "lit_by": ["key", "fill"],
            },
            {
                "name": "shadow cheek",
                "box": [0.45, 0.44, 0.48, 0.49],
                "material": "skin",
                "zone": 4.5,
            },
            {"name": "white jacket", "box": [0.55, 0.7, 0.64, 0.82], "material": "white cloth"},
            {"name": "hair", "box": [0.46, 0.2, 0.54, 0.26], "material": "hair", "zone": 6.0},
            {"name": "mask", "box": [0.3, 0.72, 0.4, 0.86], "material": "black cloth"},
        ],
        "ratio": [{"lit": "lit cheek", "shadow": "shadow cheek", "stops": 2.0}],
        "backdrop": {
            "boxes": [[0.02, 0.1, 0.3, 0.6], [0.7, 0.1, 0.98, 0.6]],
            "zone": 4.5,
            "left_right": 0.0,
        },
    }
)
"""The plan that these records are judged by."""


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


def patch(zone: float | None, box: tuple[float, ...], **more: Any) -> dict[str, Any]:
    """Return one patch's figures."""
    figures: dict[str, Any] = {
        "zone": zone,
        "uncertainty": 0.02,
        "top": None if zone is None else zone + 0.6,
        "headroom": 0.8,
        "texture": 0.1,
        "clipped": 0.0,
        "blocked": 0.0,
        "snr": 80.0,
        "red_green": 0.1,
        "blue_green": -0.2,
        "log2_y": None if zone is None else zone - 7.97,
        "box": list(box),
        "score": None,
    }
    return {**figures, **more}


def record(verdict: str = "on plan", *findings: Any, **more: Any) -> dict[str, Any]:
    """Return a whole record of a frame that measured well, with these findings."""
    boxes = {target.name: target.box for target in PLAN.patches}
    zones = dict(zip(boxes, (6.5, 4.4, 6.9, 6.1, 2.3), strict=True))
    whole: dict[str, Any] = {
        "schema": 1,
        "file": "F0012.dng",
        "sha256": "0" * 64,
        "verdict": verdict,
        "reason": None,
        "take": 3,
        "look": None,
        "camera": {"make": "Made", "model": "Light model", "lens": "85 mm"},
        "exposure": {
            "iso": 100,
            "f_number": 11.0,
            "shutter_s": 0.00625,
            "taken": "2026-03-02T10:00:00",
        },
        "size": [1800, 1200],
        "levels": {
            "black": [512.0, 510.0, 515.0, 510.0],
            "saturation": [16383.0] * 4,
            "saturation_source": "file",
            "anchor": [16383.0] * 4,
            "tolerance": [0.0] * 4,
        },
        "clipping": {
            "any": 0.0013,
            "all": 0.0004,
            "by_colour": {"R": 0.0013, "G": 0.0006, "B": 0.0004},
            "headroom_stops": {"R": 0.0, "G": 0.2, "B": 0.9},
            "areas": [],
            "pinpoints": {"count": 3, "fraction": 0.00001},
            "blocked": 0.012,
        },
        "zones": {
            "share": [0.01, 0.05, 0.12, 0.16, 0.34, 0.17, 0.08, 0.05, 0.02, 0.0, 0.0],
            "clipped": 0.0013,
            "mid_grey": 0.1273,
        },
        "patches": {name: patch(zones[name], box) for name, box in boxes.items()},
        "ratio": {
            "stops": 2.1,
            "ratio": 4.287,
            "by": "patches",
            "separability": None,
            "lit": "lit cheek",
            "shadow": "shadow cheek",
        },
        "backdrop": {
            "zone": 4.5,
            "left_right": 0.02,
            "falloff": 0.9,
            "brightest": [0.5, 0.3],
            "darkest": [0.98, 0.1],
            "uneven": 0.03,
            "blotch": 0.08,
            "blotch_at": [0.8, 0.3],
            "tint": {"red_green": 0.01, "blue_green": -0.01},
            "log2_y": -3.47,
        },
        "lamps": {},
        "findings": list(findings),
        "timing_ms": {"decode": 120.0, "measure": 20.0},
    }
    return {**whole, **more}


def kept(*said: Any, **more: Any) -> Record:
    """Return such a record typed, as the rooms take it: see `record`."""
    return record_from_json(record(*said, **more))


def unreadable(reason: str = "the file is cut short: 10 of 100 bytes") -> dict[str, Any]:
    """Return the record of a file that gave no pixels."""
    empty = dict.fromkeys(
        (
            "size",
            "levels",
            "clipping",
            "zones",
            "ratio",
            "backdrop",
            "camera",
            "exposure",
            "take",
            "look",
        )
    )
    return record("unreadable", reason=reason, patches={}, lamps={}, **empty)
