"""Made records and findings for tests of what a person sees, typed as the ledger gives them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from stopwise.findings import Detail, Finding, Reason, Turn
from stopwise.frame import Camera, Exposure
from stopwise.lamps.outputs import LampReading
from stopwise.measurement.figures import (
    BackdropReading,
    Clipping,
    Levels,
    PatchReading,
    Pinpoints,
    Ratio,
    Tint,
    Zones,
)
from stopwise.plan.model import Plan
from stopwise.record import Record
from stopwise.verdict.causes import turn_of

if TYPE_CHECKING:
    from stopwise.findings import Answer, Check, Code, State
    from stopwise.frame import Box
    from stopwise.lamps.outputs import LampState

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


def finding(
    check: Check,
    code: Code,
    of: str = "frame",
    measured: float | None = None,
    planned: float | None = None,
    *,
    state: State = "fails",
    **more: Any,
) -> Finding:
    """Return one finding; what `Detail` has may stand in `more` with what `Finding` has."""
    own = (of,) if check in ("patch", "headroom", "clip", "blocked", "texture") else ()
    pair = tuple(more[side] for side in ("lit", "shadow") if side in more)
    detail = {key: more.pop(key) for key in [*more] if key in Detail.__slots__}
    detail.setdefault("patches", own or pair)
    known = {"within": (-0.3, 0.2), "uncertainty": 0.02, "detail": Detail(**detail), **more}
    return Finding(check, of, code, state, measured, planned, **known)


def turn(light: str, stops: float, *, setting: float | None = None) -> Turn:
    """Return a turn of a lamp of the plan, which stands at the plan's power or at `setting`."""
    known = PLAN.light(light)
    stands = known.power if known is not None and setting is None else setting
    told = None if known is None else turn_of(known, stops, stands)
    return Turn(light, stops) if told is None else told


def turned(light: str, stops: float, *, setting: float | None = None) -> dict[str, Any]:
    """Return what a finding has whose lamp is turned; `record` takes the turn to its own."""
    return {
        "cause": "lamp",
        "explained_by": light,
        "turn": turn(light, stops, setting=setting),
    }


def lamp(state: LampState, stops: float | None = -0.7, uncertainty: float = 0.1) -> LampReading:
    """Return what became of a lamp."""
    return LampReading(stops=stops, uncertainty=uncertainty, state=state)


def patch(zone: float | None, box: Box, **more: Any) -> PatchReading:
    """Return one patch's figures."""
    figures: dict[str, Any] = {
        "uncertainty": 0.02,
        "top": None if zone is None else zone + 0.6,
        "headroom": 0.8,
        "texture": 0.1,
        "clipped": 0.0,
        "blocked": 0.0,
        "snr": 80.0,
        "red_green": 0.1,
        "blue_green": -0.2,
        "log2_y": None if zone is None else zone - 8.0,
    }
    return PatchReading(box=box, zone=zone, **{**figures, **more})


def record(verdict: Answer = "on plan", *findings: Finding, **more: Any) -> Record:
    """Return a whole record of a frame that measured well, with these findings."""
    boxes = {target.name: target.box for target in PLAN.patches}
    zones = dict(zip(boxes, (6.5, 4.4, 6.9, 6.1, 2.3), strict=True))
    whole: dict[str, Any] = {
        "file": "F0012.dng",
        "sha256": "0" * 64,
        "take": 3,
        "camera": Camera("Made", "Light model", "85 mm"),
        "exposure": Exposure(100.0, 11.0, 0.00625, "2026-03-02T10:00:00"),
        "size": (1800, 1200),
        "levels": Levels(
            black=(512.0, 510.0, 515.0, 510.0),
            saturation=(16383.0,) * 4,
            anchor=(16383.0,) * 4,
            saturation_source="file",
            tolerance=(0.0,) * 4,
        ),
        "clipping": Clipping(
            any=0.0013,
            all=0.0004,
            by_colour={"R": 0.0013, "G": 0.0006, "B": 0.0004},
            headroom_stops={"R": 0.0, "G": 0.2, "B": 0.9},
            areas=(),
            pinpoints=Pinpoints(3, 0.00001),
            blocked=0.012,
        ),
        "zones": Zones(
            share=(0.01, 0.05, 0.12, 0.16, 0.34, 0.17, 0.08, 0.05, 0.02, 0.0, 0.0),
            clipped=0.0013,
            mid_grey=0.1273,
        ),
        "patches": {name: patch(zones[name], box) for name, box in boxes.items()},
        "ratio": Ratio(2.1, "patches", lit="lit cheek", shadow="shadow cheek"),
        "backdrop": BackdropReading(
            zone=4.5,
            left_right=0.02,
            falloff=0.9,
            brightest=(0.5, 0.3),
            darkest=(0.98, 0.1),
            uneven=0.03,
            blotch=0.08,
            blotch_at=(0.8, 0.3),
            tint=Tint(0.01, -0.01),
            log2_y=-3.5,
        ),
        "lamps": {},
        "timing_ms": {"decode": 120.0, "measure": 20.0},
    }
    turns = {one.turn.light: one.turn for one in findings if one.turn is not None}
    whole["findings"] = tuple(replace(one, turn=None) for one in findings)
    whole["turns"] = tuple(turns.values())
    return Record(**{**whole, "verdict": verdict, **more})


def unreadable(condition: str | None = "cut_short", detail: str = "10 of 100 bytes") -> Record:
    """Return the record of a file that gave no pixels."""
    reason = Reason("file", detail=detail, condition=condition)
    return Record("F0012.dng", "unreadable", reason, sha256="0" * 64)
