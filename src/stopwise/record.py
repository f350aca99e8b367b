"""The JSON record of one frame: what `--json` prints and the ledger keeps."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.errors import Unreadable
    from stopwise.measurement.measurement import (
        BackdropReading,
        Clipping,
        Levels,
        Measurement,
        PatchReading,
        Ratio,
        ShutterReading,
        Zones,
    )
    from stopwise.verdict.findings import Verdict

SCHEMA = 1
_DIGITS = 7


@dataclass(frozen=True, slots=True)
class Heading:
    """What a record says of its frame besides measurement and verdict.

    Attributes
    ----------
    file
        The path as given, or relative to the watched folder.
    take, look
        The take's number and the look's name, where there are such.
    timing_ms
        Milliseconds that each step took.
    """

    file: str
    take: int | None = None
    look: str | None = None
    timing_ms: Mapping[str, float] | None = None


def frame_record(
    heading: Heading,
    measurement: Measurement,
    verdict: Verdict,
    *,
    lamps: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Return the record of a frame that was measured, every number finite or None.

    Parameters
    ----------
    heading
        File, take, look and timing.
    measurement, verdict
        What was measured, and the answer.
    lamps
        Each lamp's output, where solo frames are known.
    """
    camera, exposure = measurement.camera, measurement.exposure
    body = {
        "camera": {"make": camera.make, "model": camera.model, "lens": camera.lens},
        "exposure": {
            "iso": exposure.iso,
            "f_number": exposure.f_number,
            "shutter_s": exposure.shutter_s,
            "taken": exposure.taken,
        },
        "size": list(measurement.size),
        "levels": _levels(measurement.levels),
        "clipping": _clipping(measurement.clipping),
        "zones": _zones(measurement.zones),
        "patches": {name: _patch(reading) for name, reading in measurement.patches.items()},
        "ratio": _ratio(measurement.ratios[0]) if measurement.ratios else None,
        "backdrop": None if measurement.backdrop is None else _backdrop(measurement.backdrop),
        "shutter": _shutter(measurement.shutter),
        "lamps": lamps,
    }
    return _record(heading, verdict.to_json(), body)


def unreadable_record(heading: Heading, error: Unreadable) -> dict[str, Any]:
    """Return the record of a file that gave no pixels to be trusted: all figures None."""
    answer = {"verdict": "unreadable", "reason": error.reason, "findings": []}
    return _record(heading, answer, dict.fromkeys(_MEASURED_KEYS) | {"patches": {}})


_MEASURED_KEYS = (
    "camera",
    "exposure",
    "size",
    "levels",
    "clipping",
    "zones",
    "patches",
    "ratio",
    "backdrop",
    "shutter",
    "lamps",
)


def _record(heading: Heading, answer: Mapping[str, Any], body: Mapping[str, Any]) -> dict[str, Any]:
    record = {
        "schema": SCHEMA,
        "file": heading.file,
        "sha256": None,
        "verdict": answer["verdict"],
        "reason": answer["reason"],
        "take": heading.take,
        "look": heading.look,
        "in_run": None,
        "level": None,
        **body,
        "findings": answer["findings"],
        "timing_ms": dict(heading.timing_ms or {}),
    }
    return {key: tidy(value) for key, value in record.items()}


def tidy(value: Any) -> Any:
    """Return a value as plain JSON holds it: seven digits, no NaN, no infinity, lists and dicts."""
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return float(f"{value:.{_DIGITS}g}") if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: tidy(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [tidy(item) for item in value]
    return value


def _levels(levels: Levels) -> dict[str, Any]:
    return {
        "black": levels.black,
        "saturation": levels.saturation,
        "saturation_source": levels.saturation_source,
        "anchor": levels.anchor,
        "tolerance": levels.tolerance,
        "masked_black": levels.masked_black,
        "why": dict(levels.why),
    }


def _clipping(clipping: Clipping) -> dict[str, Any]:
    return {
        "any": clipping.any,
        "all": clipping.all,
        "by_colour": dict(clipping.by_colour),
        "headroom_stops": dict(clipping.headroom_stops),
        "areas": [
            {"fraction": area.fraction, "box": area.box, "patch": area.patch}
            for area in clipping.areas
        ],
        "pinpoints": {"count": clipping.pinpoints.count, "fraction": clipping.pinpoints.fraction},
        "blocked": clipping.blocked,
    }


def _zones(zones: Zones) -> dict[str, Any]:
    return {"share": zones.share, "clipped": zones.clipped, "mid_grey": zones.mid_grey}


def _patch(reading: PatchReading) -> dict[str, Any]:
    return {
        "zone": reading.zone,
        "uncertainty": reading.uncertainty,
        "top": reading.top,
        "top_at": reading.top_at,
        "headroom": reading.headroom,
        "texture": reading.texture,
        "clipped": reading.clipped,
        "blocked": reading.blocked,
        "snr": reading.snr,
        "red_green": reading.red_green,
        "blue_green": reading.blue_green,
        "log2_y": reading.log2_y,
        "box": reading.box,
        "score": reading.score,
        "why": dict(reading.why),
    }


def _ratio(ratio: Ratio) -> dict[str, Any]:
    return {
        "stops": ratio.stops,
        "ratio": ratio.ratio,
        "by": ratio.by,
        "separability": ratio.separability,
        "lit": ratio.lit,
        "shadow": ratio.shadow,
        "uncertainty": ratio.uncertainty,
        "why": ratio.why,
    }


def _backdrop(reading: BackdropReading) -> dict[str, Any]:
    return {
        "zone": reading.zone,
        "left_right": reading.left_right,
        "falloff": reading.falloff,
        "brightest": reading.brightest,
        "darkest": reading.darkest,
        "uneven": reading.uneven,
        "blotch": reading.blotch,
        "blotch_at": reading.blotch_at,
        "tint": {"red_green": reading.tint.red_green, "blue_green": reading.tint.blue_green},
        "log2_y": reading.log2_y,
        "uncertainty": dict(reading.uncertainty),
        "by": reading.by,
        "why": dict(reading.why),
    }


def _shutter(reading: ShutterReading) -> dict[str, Any]:
    return {
        "edge_share": reading.edge_share,
        "edge_side": reading.edge_side,
        "slope_stops": reading.slope_stops,
    }
