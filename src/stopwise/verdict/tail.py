"""The flash's cut-off tail where nothing can tell it: upright it looks like uneven paper."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from stopwise.verdict.frame import ask_slower

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stopwise.frame import Exposure
    from stopwise.measurement.measurement import Measurement
    from stopwise.plan.model import CameraPlan, Plan
    from stopwise.verdict.findings import Finding

_SLOW_S = 1.0 / 60.0
"""From this time on no studio flash is cut off: its tail is under 1/60 s (common practice)."""

_SLOWER = 2.0 ** (1.0 / 6.0)
"""A time counts as slower than the plan's from a sixth of a stop on."""


def with_shutter_doubt(
    findings: Sequence[Finding], plan: Plan, measurement: Measurement
) -> list[Finding]:
    """Return the findings with no lamp turned for uneven paper that may as well be the shutter's.

    Parameters
    ----------
    findings
        One frame's, with causes.
    plan
        Its lamps and camera.
    measurement
        The frame's.

    Returns
    -------
    list of Finding
        Upright the shutter travels from left to right, so one frame alone can't tell a paper lamp
        from a tail. Where no solo or reference tells it, a frame at the next slower full-stop mark
        is asked for. A frame that is slower than the plan's time already is that frame.
    """
    told = measurement.shutter.slope_stops is not None
    if told or not _can_be_cut(plan, measurement):
        return list(findings)
    return [
        replace(finding, cause="unknown", turn=None, do=ask_slower(measurement.exposure.shutter_s))
        if finding.of == "backdrop left_right" and finding.state == "fails"
        else finding
        for finding in findings
    ]


def _can_be_cut(plan: Plan, measurement: Measurement) -> bool:
    width, height = measurement.size
    flash = not plan.lights or any(light.kind == "flash" for light in plan.lights)
    return height > width and flash and not _is_slow(measurement.exposure, plan.camera)


def _is_slow(exposure: Exposure, camera: CameraPlan) -> bool:
    taken = exposure.shutter_s
    if not taken:
        return True
    return taken >= _SLOW_S / _SLOWER or (
        camera.shutter is not None and taken > camera.shutter * _SLOWER
    )
