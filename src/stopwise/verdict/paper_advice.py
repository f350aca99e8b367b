"""What no turn mends of the paper: its lamps tilted, moved or feathered; a direction, no figure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stopwise.findings import Advice, Finding
    from stopwise.frame import Box, Point
    from stopwise.measurement.figures import Measurement
    from stopwise.plan.model import BackdropPlan, Light
    from stopwise.plan.now import PlanNow

_ONE_SIDED = 0.5
"""Part of the falloff by which the sides differ from which on it runs across the paper."""

_SURE = 3.0
"""Standard uncertainties of the falloff from which its brightest and darkest places are known."""

_MIDDLE = 0.5
"""Fraction of the width at which the picture's middle lies."""

_OFF = 0.25
"""Part of the paper by which a hot spot lies off its middle: nearer to it both ways are wrong."""


def with_paper_advice(
    findings: Sequence[Finding], now: PlanNow, measurement: Measurement
) -> list[Finding]:
    """Return the findings with how the paper's lamps are to be moved for its falloff.

    Parameters
    ----------
    findings
        One frame's, with their causes.
    now
        What holds now: its background lamps are the paper's.
    measurement
        The frame's: where its paper is brightest and darkest.

    Notes
    -----
    Paper that falls off upwards gets its light too low: its lamps are tilted up alike, which lays
    the beams' middle nearer to what is dark, and down to make it steeper; the other way round where
    it falls off downwards (common practice). Paper that is dark in its middle has its lamps turned
    in, paper that is dark at its edges out. One side alone is its lamp's. Where the hot spot lies
    in the middle of what is seen, no small turn mends it and none is told.
    """
    lamps = [light for light in now.plan.lights if light.role == "background"]
    return [
        _advised(finding, lamps, now.backdrop, measurement)
        if finding.figure == "falloff"
        and finding.state == "fails"
        and finding.explained_by is None
        and lamps
        and now.backdrop is not None
        else finding
        for finding in findings
    ]


def _advised(
    finding: Finding, lamps: Sequence[Light], backdrop: BackdropPlan, measurement: Measurement
) -> Finding:
    paper, (width, height) = measurement.backdrop, measurement.size
    falloff, is_steep = finding.measured or 0.0, finding.code == "too_steep"
    if paper is None or paper.brightest is None or paper.darkest is None:
        return finding
    if falloff < _SURE * paper.uncertainty.get("falloff", 0.0):
        return finding
    sides = paper.left_right or 0.0
    if abs(sides) >= _ONE_SIDED * falloff:
        lit = [one for one in lamps if (one.off_axis or 0.0) * sides < 0.0]
        return _told(finding, "feather_paper", lit) if is_steep and len(lit) == 1 else finding
    hot, dark = (_Place(point, backdrop.boxes) for point in (paper.brightest, paper.darkest))
    lower, outer = (hot.down - dark.down) * height, (hot.out - dark.out) * width
    ways: tuple[Advice, Advice] = ("tilt_up", "tilt_down")
    way, lies = lower, hot.is_low_or_high
    if abs(outer) > 2.0 * abs(lower):
        ways, way, lies = ("turn_in", "turn_out"), outer, hot.is_inside_or_outside
    return _told(finding, ways[(way > 0.0) != is_steep], lamps) if lies else finding


class _Place:
    """A place of the paper: how far down, and how far out from the picture's upright middle."""

    def __init__(self, point: Point, boxes: Sequence[Box]) -> None:
        self.down, self.out = point[1], abs(point[0] - _MIDDLE)
        self._downs = [y for _, top, _, bottom in boxes for y in (top, bottom)]
        self._outs = [abs(x - _MIDDLE) for left, _, right, _ in boxes for x in (left, right)]

    @property
    def is_low_or_high(self) -> bool:
        """Whether it lies off the middle of the paper's height."""
        return _is_off_middle(self.down, self._downs)

    @property
    def is_inside_or_outside(self) -> bool:
        """Whether it lies off the middle between the paper's inner and outer edges."""
        return _is_off_middle(self.out, self._outs)


def _is_off_middle(value: float, ends: Sequence[float]) -> bool:
    low, high = min(ends), max(ends)
    return abs((value - low) / (high - low) - _MIDDLE) >= _OFF


def _told(finding: Finding, advice: Advice, lamps: Sequence[Light]) -> Finding:
    names = tuple(light.name for light in lamps)
    return replace(finding, advice=advice, detail=replace(finding.detail, lamps=names))
