"""Checks of the frame as a whole: blown areas, pinpoints, camera settings, the shutter."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.nominal import aperture_stops, iso_stops, shutter_stops, slower_full_mark
from stopwise.verdict.findings import Finding, Within, state_of
from stopwise.wording import (
    f_text,
    place_text,
    share_text,
    shutter_text,
    stops_text,
    title,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from stopwise.frame import Exposure
    from stopwise.measurement.measurement import BlownArea, Box, Measurement, ShutterReading
    from stopwise.plan.model import CameraPlan, Plan
    from stopwise.plan.now import PlanNow

_ROUNDED_STOPS = 1 / 6
"""Settings agree within this: files round them, and marks differ from exact stops by up to 0.14."""

_SLOPE_STOPS = 0.15
"""A slope along the shutter's travel that is let be: half of a 1/250 s flash's at 1/160 s."""


def frame_findings(targets: PlanNow, measurement: Measurement) -> Iterator[Finding]:
    """Yield the findings that belong to no patch."""
    yield _blown(targets, measurement)
    yield _pinpoints(targets.plan, measurement)
    yield from setting_findings(targets.plan.camera, measurement.exposure)
    edge = _shutter_edge(measurement.shutter)
    if edge is not None:
        yield edge
    slope = _shutter_slope(measurement.shutter, measurement.exposure)
    if slope is not None:
        yield slope


def _blown(targets: PlanNow, measurement: Measurement) -> Finding:
    boxes = [place.box for place in targets.plan.may_clip]
    boxes += [reading.box for reading in measurement.patches.values()]
    loose = [
        area
        for area in measurement.clipping.areas
        if area.patch is None and not _inside(area.centre, boxes)
    ]
    largest = max(loose, key=lambda area: area.fraction, default=None)
    fraction = 0.0 if largest is None else largest.fraction
    within = (None, targets.plan.limits.blown_area)
    return Finding(
        check="blown",
        of="frame",
        measured=fraction,
        planned=0.0,
        within=within,
        unit="fraction",
        state=state_of(fraction, within, None),
        say=_blown_sentence(largest),
    )


def _blown_sentence(area: BlownArea | None) -> str:
    if area is None:
        return "No blown area outside patches."
    return f"Blown area of {share_text(area.fraction)}, {place_text(area.centre)}."


def _inside(point: tuple[float, float], boxes: list[Box]) -> bool:
    x, y = point
    return any(x0 <= x <= x1 and y0 <= y <= y1 for x0, y0, x1, y1 in boxes)


def _pinpoints(plan: Plan, measurement: Measurement) -> Finding:
    fraction = measurement.clipping.pinpoints.fraction
    within = (None, plan.limits.pinpoints_total)
    count = measurement.clipping.pinpoints.count
    return Finding(
        check="pinpoints",
        of="frame",
        measured=fraction,
        planned=0.0,
        within=within,
        unit="fraction",
        state=state_of(fraction, within, None),
        say=f"{count} pinpoints cover {share_text(fraction)} of the frame."
        if count
        else "No pinpoints.",
    )


def setting_findings(camera: CameraPlan, exposure: Exposure) -> Iterator[Finding]:
    """Yield a finding for each camera setting that the plan states.

    Differences and limits are in the setting's own unit; the limit is 1/6 stop either way.
    """
    for key, planned, measured in (
        ("iso", camera.iso, exposure.iso),
        ("f_number", camera.f_number, exposure.f_number),
        ("shutter", camera.shutter, exposure.shutter_s),
    ):
        if planned is not None:
            yield _setting(key, planned, measured)


def setting_offset_stops(camera: CameraPlan, exposure: Exposure) -> dict[str, float]:
    """Return by how many stops each setting lets in more light than planned.

    The shutter is told apart since it does nothing to light from a flash.
    """
    pairs = {
        "iso": (iso_stops, camera.iso, exposure.iso),
        "f_number": (aperture_stops, camera.f_number, exposure.f_number),
        "shutter": (shutter_stops, camera.shutter, exposure.shutter_s),
    }
    return {
        key: stops_of(planned, measured)
        for key, (stops_of, planned, measured) in pairs.items()
        if planned is not None and measured is not None
    }


def _setting(key: str, planned: float, measured: float | None) -> Finding:
    ratio = 2.0 ** (_ROUNDED_STOPS / (2.0 if key == "f_number" else 1.0))
    within: Within = (planned / ratio - planned, planned * ratio - planned)
    state = state_of(None if measured is None else measured - planned, within, None)
    unit, text = _SETTINGS[key]
    return Finding(
        check="setting",
        of=key,
        measured=measured,
        planned=planned,
        within=within,
        unit=unit,
        state=state,
        say=f"The file doesn't say its {_NAMES[key]}."
        if measured is None
        else f"{title(_NAMES[key])} at {text(measured)}, plan {text(planned)}.",
        do=f"Camera back to {text(planned)}." if state == "fails" else "",
        cause="camera" if state == "fails" else None,
        why="no_metadata" if measured is None else None,
    )


def _iso_text(iso: float) -> str:
    return f"ISO {iso:.0f}"


_NAMES = {"iso": "ISO", "f_number": "aperture", "shutter": "shutter"}
_SETTINGS: dict[str, tuple[str, Callable[[float], str]]] = {
    "iso": ("ISO", _iso_text),
    "f_number": ("f-number", f_text),
    "shutter": ("s", shutter_text),
}


def _shutter_edge(shutter: ShutterReading) -> Finding | None:
    if not shutter.edge_side:
        return None
    return Finding(
        check="shutter",
        of="frame",
        measured=shutter.edge_share,
        planned=0.0,
        within=(None, 0.0),
        unit="fraction",
        state="fails",
        say=f"Shutter's edge covers {share_text(shutter.edge_share)} at the {shutter.edge_side}.",
        do="Slower shutter: stay under the sync speed.",
        cause="shutter",
    )


def _shutter_slope(shutter: ShutterReading, exposure: Exposure) -> Finding | None:
    """Suspect the flash's tail where paper and sitter slope alike along the shutter's travel."""
    slope = shutter.slope_stops
    if slope is None or abs(slope) <= _SLOPE_STOPS:
        return None
    return Finding(
        check="shutter",
        of="slope",
        measured=slope,
        planned=0.0,
        within=(-_SLOPE_STOPS, _SLOPE_STOPS),
        unit="stops",
        state="fails",
        say=f"Light slopes {stops_text(abs(slope))} along the shutter's travel.",
        do=ask_slower(exposure.shutter_s),
        cause="shutter",
    )


def ask_slower(shutter_s: float | None) -> str:
    """Return what shows whether a slope is the flash's cut-off tail: a frame at a slower shutter.

    Parameters
    ----------
    shutter_s
        The frame's time; the next slower full-stop mark is asked for by its figure.
    """
    if not shutter_s:
        return "Shoot one at a slower shutter: the flash's tail may be cut off."
    mark = shutter_text(slower_full_mark(shutter_s))
    return f"Shoot one at {mark}, leave the lamps: the flash's tail may be cut off."
