"""What a frame shows as a whole: blown areas, the shutter, who moved, no lamp, one exposure."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import median
from typing import TYPE_CHECKING

from stopwise.findings import Detail, Finding, Knocked, state_of
from stopwise.lamps.outputs import no_lamp_fired
from stopwise.lamps.seen import moves_of, place_of
from stopwise.measurement.figures import CameraMove
from stopwise.stops import slower_full_mark
from stopwise.targets import setting_offset_stops

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from stopwise.codes import Code
    from stopwise.frame import Box, Point
    from stopwise.lamps.seen import LampsSeen
    from stopwise.measurement.figures import BlownArea, Measurement
    from stopwise.plan.model import CameraPlan
    from stopwise.plan.now import PlanNow

AGREE_STOPS = 0.15
"""An offset is common when every seen zone lies this near its median (stops; half a pack's usual
third of a stop)."""

LEAST_OFF_MARK = 0.03
"""Fraction of the picture from which a sitter counts as off his mark: half a hand's breadth in a
picture that shows a metre and a third (common practice: sitters sway by a finger or two)."""

_LEAST_ZONES = 3
"""Zones that must share an offset before it is the whole frame's: two may agree by chance."""

_SLOPE_STOPS = 0.15
"""A slope along the shutter's travel that is let be: half of a 1/250 s flash's at 1/160 s."""


def frame_findings(now: PlanNow, measurement: Measurement) -> Iterator[Finding]:
    """Yield the findings that belong to no patch and no setting."""
    yield _blown(now, measurement)
    yield from _may_be_blown(now, measurement)
    pinpoints = measurement.clipping.pinpoints
    within = (None, now.plan.limits.pinpoints_total)
    yield Finding(
        check="pinpoints",
        of="frame",
        code="blown" if pinpoints.count else "clear",
        state=state_of(pinpoints.fraction, within, None),
        measured=pinpoints.fraction,
        planned=0.0,
        within=within,
        unit="fraction",
        detail=Detail(count=pinpoints.count),
    )
    shutter, camera = measurement.shutter, now.plan.camera
    if shutter.edge_side:
        yield Finding(
            check="shutter",
            of="frame",
            code="edge",
            state="fails",
            measured=shutter.edge_share,
            planned=0.0,
            within=(None, 0.0),
            unit="fraction",
            cause="shutter",
            detail=Detail(side=shutter.edge_side, shutter_s=_safe_shutter_s(camera)),
        )
    slope, taken_s = shutter.slope_stops, measurement.exposure.shutter_s
    if slope is not None and abs(slope) > _SLOPE_STOPS:
        yield Finding(
            check="shutter",
            of="slope",
            code="slope",
            state="fails",
            measured=slope,
            planned=0.0,
            within=(-_SLOPE_STOPS, _SLOPE_STOPS),
            cause="shutter",
            detail=Detail(shutter_s=slower_full_mark(taken_s) if taken_s else None),
        )


def _safe_shutter_s(camera: CameraPlan) -> float | None:
    """Return the shortest time that is known to be safe: the plan's own, else the sync speed."""
    return camera.shutter or camera.sync_speed


def _blown(now: PlanNow, measurement: Measurement) -> Finding:
    """Find the largest blown area that lies in no patch and in no place that may clip."""
    largest = _largest_loose(measurement.clipping.areas, now, measurement)
    within = (None, now.plan.limits.blown_area)
    fraction = 0.0 if largest is None else largest.fraction
    return Finding(
        check="blown",
        of="frame",
        code="clear" if largest is None else "blown",
        state=state_of(fraction, within, None),
        measured=fraction,
        planned=0.0,
        within=within,
        unit="fraction",
        detail=Detail()
        if largest is None
        else Detail(
            at=largest.centre, where=largest.box, near=_patch_near(largest.box, measurement)
        ),
    )


def _patch_near(area: Box, measurement: Measurement) -> str | None:
    """Return the patch that lies nearest to an area; None where none is within a hand's breadth."""

    def apart(name: str) -> float:
        box = measurement.patches[name].box
        gaps = (max(box[side] - area[side + 2], area[side] - box[side + 2], 0.0) for side in (0, 1))
        return math.hypot(*gaps)

    name = min(measurement.patches, key=apart, default=None)
    return None if name is None or apart(name) > 2.0 * LEAST_OFF_MARK else name


def _largest_loose(
    areas: Sequence[BlownArea], now: PlanNow, measurement: Measurement
) -> BlownArea | None:
    moved = measurement.moved or CameraMove()
    boxes = [moved.carried(place.box) for place in now.plan.may_clip]
    boxes += [reading.box for reading in measurement.patches.values()]
    loose = [
        area
        for area in areas
        if area.patch is None
        and not any(
            x0 <= area.centre[0] <= x1 and y0 <= area.centre[1] <= y1 for x0, y0, x1, y1 in boxes
        )
    ]
    return max(loose, key=lambda area: area.fraction, default=None)


def _may_be_blown(now: PlanNow, measurement: Measurement) -> Iterator[Finding]:
    """Say it where what may be clipped could exceed a limit that what surely is doesn't.

    So where headroom holds by the stop that is sure and not by the one that may be.
    """
    doubt = measurement.doubt
    if doubt is None:
        return
    patches = tuple(
        patch.name
        for patch in now.patches
        if (reading := measurement.patches.get(patch.name)) is not None
        and (
            doubt.patches.get(patch.name, 0.0) > patch.most_clipped >= (reading.clipped or 0.0)
            or _is_within(reading.headroom, patch.least_headroom, doubt.lower)
        )
    )
    least, most = (
        0.0 if area is None else area.fraction
        for area in (
            _largest_loose(areas, now, measurement)
            for areas in (measurement.clipping.areas, doubt.areas)
        )
    )
    if patches or least <= now.plan.limits.blown_area < most:
        yield Finding(
            check="blown",
            of="frame",
            code="may_be_clipped",
            state="not seen",
            unit="fraction",
            detail=Detail(patches=patches, share=doubt.most),
        )


def _is_within(room: float | None, least: float | None, lower: float) -> bool:
    """Tell whether headroom, stops, is kept, and wouldn't be with a stop so much lower."""
    return room is not None and least is not None and least <= room < least + lower


def moved_findings(
    now: PlanNow, measurement: Measurement, lamps: LampsSeen | None
) -> Iterator[Finding]:
    """Yield who moved, how far and which way; nothing of it fails.

    Parameters
    ----------
    now
        What holds now.
    measurement
        The frame's, with how its still things lie and where its patches were found again.
    lamps
        What its lamps gave; those that can't be read are named with a sitter who is off his mark.
    """
    moved = measurement.moved
    if moved:
        still = tuple(patch.name for patch in now.measured if patch.still)
        paper = () if now.plan.backdrop is None else ("paper",)
        yield _moved("camera_moved", (moved.right, moved.down), patches=(*paper, *still))
    place = place_of(measurement, now)
    if place is None or max(abs(place.dx), abs(place.dy)) < LEAST_OFF_MARK:
        return
    readings = {} if lamps is None else lamps.readings
    unread = tuple(name for name, one in readings.items() if one.state == "not seen")
    code: Code = "something_moved" if moved is None else "off_mark"
    yield _moved(code, (place.dx, place.dy), lamps=unread)


_SAID_OFF_MARK = 0.01
"""Fraction of the picture from which a sitter is asked back: he is told so in whole percent."""

_BY_PLACE = ("patch", "ratio", "separation")
"""Checks of what a sitter shows that his place in the light decides, as his lamps' power does."""


def with_way_back(
    findings: Sequence[Finding], now: PlanNow, measurement: Measurement
) -> list[Finding]:
    """Return the findings, those that no lamp explains with the sitter's way back to his mark.

    A narrow lamp over a sitter who stands off it can't be read; back on it either all holds, or the
    next frame says which lamp it is. Whose patches moved each otherwise has turned his head: what
    that alone did is left as it is.
    """
    his = {patch.name for patch in now.measured if patch.follow}
    unexplained = [
        one
        for one in findings
        if one.state == "fails"
        and one.check in _BY_PLACE
        and one.cause in ("sitter", "unknown")
        and one.advice in (None, "leave_lamps")
        and not his.isdisjoint(one.detail.patches)
    ]
    place = place_of(measurement, now) if unexplained else None
    if place is None or max(abs(place.dx), abs(place.dy)) < _SAID_OFF_MARK:
        return list(findings)
    has_turned = any(
        math.hypot(right - place.dx, down - place.dy) >= _SAID_OFF_MARK
        for right, down in moves_of(measurement, now)
    )
    back = (-place.dx, -place.dy)
    return [
        replace(one, advice="way_back", detail=replace(one.detail, moved=back))
        if one in unexplained and not (has_turned and one.cause == "sitter")
        else one
        for one in findings
    ]


def _moved(
    code: Code, shift: Point, *, patches: tuple[str, ...] = (), lamps: tuple[str, ...] = ()
) -> Finding:
    return Finding(
        check="setting",
        of="framing",
        code=code,
        state="holds",
        measured=math.hypot(*shift),
        unit="fraction",
        detail=Detail(moved=shift, patches=patches, lamps=lamps),
    )


def trigger_finding() -> Finding:
    """Return the one finding of a frame that no lamp lit."""
    return Finding("lamp", "all", "none_fired", "fails", cause="lamp")


def is_unlit(
    measurement: Measurement, ambient: Measurement | None, findings: Sequence[Finding]
) -> bool:
    """Tell whether a frame shows no light but the room's.

    Parameters
    ----------
    measurement
        The frame.
    ambient
        The plan's ambient frame measured alike, if there is one: then every patch must lie within
        0.1 stop of it. Without one, every seen zone must lie 3 stops or more under its target.
    findings
        The frame's findings.
    """
    if ambient is None:
        return no_lamp_fired(off_target=_zone_differences(findings))
    pairs = [
        (reading.log2_y, ambient.patches[name].log2_y)
        for name, reading in measurement.patches.items()
        if name in ambient.patches
    ]
    pairs.append((measurement.subject_log2_y, ambient.subject_log2_y))
    differences = [here - there for here, there in pairs if here is not None and there is not None]
    return no_lamp_fired(over_ambient=abs(median(differences)) if differences else None)


def with_exposure(
    findings: Sequence[Finding],
    now: PlanNow,
    measurement: Measurement,
    *,
    only_knocked: bool = False,
) -> list[Finding]:
    """Return the findings with an offset that every zone shares said once, as exposure.

    The zones that it explains are left out; what fails besides it stays. `only_knocked` says it
    only where the camera's settings explain it, since each lamp is known and has its own turn.
    """
    zones = _zone_differences(findings)
    explained = [finding for finding in findings if finding.is_zone and finding.state == "fails"]
    if len(zones) < _LEAST_ZONES or not explained:
        return list(findings)
    offset = median(zones)
    if max(abs(zone - offset) for zone in zones) > AGREE_STOPS:
        return list(findings)
    limits = [finding.within for finding in explained if finding.within is not None]
    knocked = _knocked(offset, now.plan.camera, measurement)
    if only_knocked and knocked is None:
        return list(findings)
    exposure = Finding(
        check="exposure",
        of="frame",
        code="knocked" if knocked else "over" if offset > 0 else "under",
        state="fails",
        measured=offset,
        planned=0.0,
        within=(
            max((low for low, _ in limits if low is not None), default=None),
            min((high for _, high in limits if high is not None), default=None),
        ),
        cause="camera" if knocked else "unknown",
        detail=Detail(knocked=knocked),
    )
    return [exposure, *(finding for finding in findings if finding not in explained)]


def _knocked(offset: float, camera: CameraPlan, measurement: Measurement) -> Knocked | None:
    """Return the setting that was knocked, when ISO and aperture explain the offset."""
    stops, exposure = setting_offset_stops(camera, measurement), measurement.exposure
    aperture, iso = stops.get("f_number", 0.0), stops.get("iso", 0.0)
    if abs(aperture + iso - offset) > AGREE_STOPS or abs(aperture + iso) < AGREE_STOPS:
        return None
    if abs(aperture) >= abs(iso):
        return Knocked("f_number", exposure.f_number or 1.0, camera.f_number or 1.0)
    return Knocked("iso", exposure.iso or 1.0, camera.iso or 1.0)


def _zone_differences(findings: Sequence[Finding]) -> list[float]:
    return [
        finding.difference
        for finding in findings
        if finding.is_zone and finding.difference is not None
    ]
