"""Measurements made by hand, so that the judge is tested on figures and not on pictures."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from stopwise.frame import Camera, Exposure
from stopwise.measurement.figures import (
    BackdropReading,
    BlownArea,
    Clipping,
    Levels,
    Measurement,
    PatchReading,
    Pinpoints,
    ShutterReading,
    Tint,
    Zones,
)
from stopwise.plan import Plan

MID_GREY = 0.1272792206
BOX = (0.4, 0.4, 0.5, 0.5)


def reading(zone: float | None, *, uncertainty: float = 0.0, **figures: Any) -> PatchReading:
    """Return a patch that reads `zone` and, but for `figures`, is in perfect order."""
    plain = PatchReading(
        box=BOX,
        zone=zone,
        uncertainty=uncertainty,
        top=None if zone is None else zone + 0.3,
        headroom=2.0,
        texture=0.05,
        clipped=0.0,
        blocked=0.0,
        snr=80.0,
        red_green=0.0,
        blue_green=0.0,
        log2_y=None if zone is None else zone - 8.0,
    )
    return replace(plain, **figures)


def lost() -> PatchReading:
    """Return a patch that was not found again."""
    nothing = reading(None, top=None, headroom=None, blocked=None, snr=None, score=0.2)
    return replace(nothing, why={"zone": "not_followed"})


def backdrop(**figures: Any) -> BackdropReading:
    """Return a backdrop that, but for `figures`, lies even at Zone 4.5."""
    plain = BackdropReading(
        zone=4.5,
        left_right=0.0,
        falloff=1.0,
        brightest=(0.5, 0.3),
        darkest=(0.1, 0.6),
        uneven=0.01,
        blotch=0.02,
        blotch_at=(0.2, 0.2),
        tint=Tint(0.0, 0.0),
        log2_y=-3.5,
    )
    return replace(plain, **figures)


def measurement(
    patches: dict[str, PatchReading] | None = None,
    *,
    areas: tuple[BlownArea, ...] = (),
    pinpoints: tuple[int, float] = (0, 0.0),
    **parts: Any,
) -> Measurement:
    """Return a whole frame's measurement with these patches and nothing clipped."""
    plain = Measurement(
        camera=Camera("Lumenfold", "LF-1", "85 mm"),
        exposure=Exposure(iso=100.0, f_number=11.0, shutter_s=1 / 160, taken=None),
        size=(1440, 1080),
        levels=Levels((512.0,) * 4, (15000.0,) * 4, (15000.0,) * 4, "file", (0.0,) * 4),
        clipping=Clipping(
            any=0.0,
            all=0.0,
            by_colour={"R": 0.0, "G": 0.0, "B": 0.0},
            headroom_stops={"R": 1.0, "G": 0.5, "B": 1.0},
            areas=areas,
            pinpoints=Pinpoints(*pinpoints),
            blocked=0.0,
        ),
        zones=Zones(share=(0.0,) * 11, clipped=0.0, mid_grey=MID_GREY),
        patches=patches or {},
        ratios=(),
        backdrop=None,
        shutter=ShutterReading(),
        subject_log2_y=-4.0,
    )
    return replace(plain, **parts)


def plan(**tables: Any) -> Plan:
    """Return a plan from its tables as a file would hold them."""
    return Plan.model_validate({"schema": 1, **tables})


def patch(name: str, **keys: Any) -> dict[str, Any]:
    """Return a `[[patch]]` table."""
    return {"name": name, "box": list(BOX), **keys}
