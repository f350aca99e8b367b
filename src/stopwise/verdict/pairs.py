"""Checks of two places against one another: lighting ratio and separation."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from stopwise.plan.now import BACKDROP
from stopwise.verdict.findings import Finding, state_of
from stopwise.wording import stops_text, title

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.measurement.measurement import Measurement, Ratio
    from stopwise.plan.model import RatioTarget, Separation


def ratio_finding(target: RatioTarget, ratios: Mapping[tuple[str, str], Ratio]) -> Finding:
    """Return the finding of one target ratio, in stops from shadow to lit."""
    ratio = ratios.get((target.lit, target.shadow))
    stops = None if ratio is None else ratio.stops
    within = (-target.within, target.within)
    difference = None if stops is None else stops - target.stops
    uncertainty = None if ratio is None else ratio.uncertainty
    return Finding(
        check="ratio",
        of=f"{target.lit} to {target.shadow}",
        measured=stops,
        planned=target.stops,
        within=within,
        unit="stops",
        state=state_of(difference, within, uncertainty),
        say=_ratio_sentence(target, difference),
        uncertainty=uncertainty,
        why="patch_not_seen" if stops is None else None,
    )


def _ratio_sentence(target: RatioTarget, difference: float | None) -> str:
    if difference is None:
        return f"Ratio of {target.lit} to {target.shadow} not seen."
    side = "too deep" if difference > 0 else "too open"
    return f"{title(target.shadow)} {stops_text(difference)} {side} against {target.lit}."


def separation_finding(target: Separation, measurement: Measurement) -> Finding:
    """Return the finding of one target separation, stops from darker to lighter."""
    lighter, darker = _level(target.lighter, measurement), _level(target.darker, measurement)
    seen = lighter is not None and darker is not None
    stops = lighter[0] - darker[0] if lighter and darker else None
    uncertainty = math.hypot(lighter[1], darker[1]) if lighter and darker else None
    within = (0.0, None)
    return Finding(
        check="separation",
        of=f"{target.lighter} to {target.darker}",
        measured=stops,
        planned=target.at_least,
        within=within,
        unit="stops",
        state=state_of(None if stops is None else stops - target.at_least, within, uncertainty),
        say=f"{title(target.lighter)} stands {stops:.1f} over {target.darker}, "
        f"target {stops_text(target.at_least)}."
        if stops is not None
        else f"{title(target.lighter)} against {target.darker} not seen.",
        uncertainty=uncertainty,
        why=None if seen else "patch_not_seen",
    )


def _level(name: str, measurement: Measurement) -> tuple[float, float] | None:
    """Return log2 Y and its standard uncertainty of a patch or the backdrop."""
    if name == BACKDROP:
        backdrop = measurement.backdrop
        if backdrop is None or backdrop.log2_y is None:
            return None
        return backdrop.log2_y, backdrop.uncertainty.get("zone", 0.0)
    reading = measurement.patches.get(name)
    if reading is None or reading.log2_y is None:
        return None
    return reading.log2_y, reading.uncertainty or 0.0
