"""What one cause explains is said once: no lamp fired, one offset in every patch."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from stopwise.lamps.outputs import no_lamp_fired
from stopwise.verdict.findings import Finding
from stopwise.verdict.frame import setting_offset_stops
from stopwise.wording import f_text, stops_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stopwise.measurement.measurement import Measurement
    from stopwise.plan.now import PlanNow

AGREE_STOPS = 0.15
"""An offset is common when every seen zone lies this near its median."""

_LEAST_ZONES = 3


def trigger_finding() -> Finding:
    """Return the one finding of a frame that no lamp lit."""
    return unlit_finding("all", "No lamp fired.", "Check the trigger, shoot again.")


def unlit_finding(of: str, say: str, do: str) -> Finding:
    """Return the failed finding of a lamp that gave no light, with what to say and to do."""
    return Finding(
        check="lamp",
        of=of,
        measured=None,
        planned=None,
        within=None,
        unit="stops",
        state="fails",
        say=say,
        do=do,
        cause="lamp",
    )


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


def with_common_offset(
    findings: Sequence[Finding], targets: PlanNow, measurement: Measurement
) -> list[Finding]:
    """Return the findings with an offset that every zone shares said once, as exposure.

    The zones that it explains are left out; what fails besides it stays.
    """
    zones = _zone_differences(findings)
    if len(zones) < _LEAST_ZONES or max(zones) - min(zones) > 2 * AGREE_STOPS:
        return list(findings)
    offset = median(zones)
    explained = [finding for finding in findings if _is_zone(finding) and finding.state == "fails"]
    if not explained or max(abs(zone - offset) for zone in zones) > AGREE_STOPS:
        return list(findings)
    rest = [finding for finding in findings if finding not in explained]
    return [_exposure(offset, explained, targets, measurement), *rest]


def _exposure(
    offset: float, explained: Sequence[Finding], targets: PlanNow, measurement: Measurement
) -> Finding:
    limits = [finding.within for finding in explained if finding.within is not None]
    camera, side = _knocked(offset, targets, measurement), "over" if offset > 0 else "under"
    return Finding(
        check="exposure",
        of="frame",
        measured=offset,
        planned=0.0,
        within=(
            max((low for low, _ in limits if low is not None), default=None),
            min((high for _, high in limits if high is not None), default=None),
        ),
        unit="stops",
        state="fails",
        say=f"All {stops_text(offset)} {side}{': ' + camera[0] if camera else ''}.",
        do=camera[1]
        if camera
        else f"Turn all lamps {'down' if offset > 0 else 'up'} {stops_text(offset)}.",
        cause="camera" if camera else "unknown",
    )


def _knocked(offset: float, targets: PlanNow, measurement: Measurement) -> tuple[str, str] | None:
    """Return what was knocked and how to mend it, when the settings explain the offset."""
    camera, exposure = targets.plan.camera, measurement.exposure
    stops = setting_offset_stops(camera, exposure)
    flash = stops.get("iso", 0.0) + stops.get("f_number", 0.0)
    if abs(flash - offset) > AGREE_STOPS or abs(flash) < AGREE_STOPS:
        return None
    if abs(stops.get("f_number", 0.0)) >= abs(stops.get("iso", 0.0)):
        planned, now = f_text(camera.f_number or 1.0), f_text(exposure.f_number or 1.0)
    else:
        planned, now = f"ISO {camera.iso:.0f}", f"ISO {exposure.iso:.0f}"
    return f"{now}, plan {planned}", f"Camera back to {planned}."


def _zone_differences(findings: Sequence[Finding]) -> list[float]:
    return [
        finding.difference
        for finding in findings
        if _is_zone(finding) and finding.difference is not None
    ]


def _is_zone(finding: Finding) -> bool:
    return finding.check == "patch" or finding.of == "backdrop zone"
