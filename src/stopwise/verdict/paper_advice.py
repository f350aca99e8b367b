"""What no turn mends of the paper: its lamps tilted, turned or feathered; a way, no figure."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from stopwise.measurement.backdrop import MIDDLE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stopwise.findings import Advice, Finding
    from stopwise.measurement.figures import Measurement
    from stopwise.plan.model import Light
    from stopwise.plan.now import PlanNow

_ONE_SIDED = 0.5
"""Part of the falloff by which the sides differ from which on it runs across the paper: half."""

_SURE = 3.0
"""Standard uncertainties of the falloff from which its brightest and darkest places are known."""

_ACROSS = 2.0
"""How many times as far apart they lie across as down where the lamps are turned, not tilted: what
a tilt does to both halves alike, turning does to each the other way round."""

_OFF = 0.25
"""Part of the paper by which a hot spot lies off its middle: nearer to an end than to that."""


def with_paper_advice(finding: Finding, now: PlanNow, measurement: Measurement) -> Finding:
    """Return a falloff that fails with how the paper's lamps are to be moved for it.

    Parameters
    ----------
    finding
        With its cause; one that a lamp's turn mends stays as it is.
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
    paper, (width, height) = measurement.backdrop, measurement.size
    if finding.explained_by is not None or not lamps or now.backdrop is None or paper is None:
        return finding
    falloff, is_steep = finding.measured or 0.0, finding.code == "too_steep"
    is_sure = falloff >= _SURE * paper.uncertainty.get("falloff", 0.0)
    if paper.brightest is None or paper.darkest is None or not is_sure:
        return finding
    sides = paper.left_right or 0.0
    if abs(sides) >= _ONE_SIDED * falloff:
        lit = [one for one in lamps if (one.off_axis or 0.0) * sides < 0.0]
        return _told(finding, "feather_paper", lit) if is_steep and len(lit) == 1 else finding
    (x, hot_down), (dark_x, dark_down) = paper.brightest, paper.darkest
    hot_out, dark_out = abs(x - MIDDLE), abs(dark_x - MIDDLE)
    lower, outer = (hot_down - dark_down) * height, (hot_out - dark_out) * width
    boxes = now.backdrop.boxes
    if abs(outer) > _ACROSS * abs(lower):
        ends = [abs(side - MIDDLE) for left, _, right, _ in boxes for side in (left, right)]
        inward: Advice = "turn_in" if (outer > 0.0) == is_steep else "turn_out"
        return _told(finding, inward, lamps) if _is_off_middle(hot_out, ends) else finding
    ends = [side for _, top, _, bottom in boxes for side in (top, bottom)]
    upward: Advice = "tilt_up" if (lower > 0.0) == is_steep else "tilt_down"
    return _told(finding, upward, lamps) if _is_off_middle(hot_down, ends) else finding


def _is_off_middle(value: float, ends: Sequence[float]) -> bool:
    low, high = min(ends), max(ends)
    return abs((value - low) / (high - low) - 0.5) >= _OFF


def _told(finding: Finding, advice: Advice, lamps: Sequence[Light]) -> Finding:
    names = tuple(light.name for light in lamps)
    return replace(finding, advice=advice, detail=replace(finding.detail, lamps=names))
