"""Checks of two places against one another: lighting ratio and separation."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from stopwise.plan.wishes import BACKDROP
from stopwise.verdict.findings import Finding, state_of
from stopwise.wording import stops_text, title

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.measurement.measurement import Measurement, Ratio
    from stopwise.plan.model import Apart, RatioWish


def ratio_finding(wish: RatioWish, ratios: Mapping[tuple[str, str], Ratio]) -> Finding:
    """Return the finding of one wished ratio, in stops from shadow to lit."""
    ratio = ratios.get((wish.lit, wish.shadow))
    stops = None if ratio is None else ratio.stops
    within = (-wish.within, wish.within)
    difference = None if stops is None else stops - wish.stops
    uncertainty = None if ratio is None else ratio.uncertainty
    return Finding(
        check="ratio",
        of=f"{wish.lit} to {wish.shadow}",
        measured=stops,
        planned=wish.stops,
        within=within,
        unit="stops",
        state=state_of(difference, within, uncertainty),
        say=_ratio_sentence(wish, difference),
        uncertainty=uncertainty,
        why="patch_not_seen" if stops is None else None,
    )


def _ratio_sentence(wish: RatioWish, difference: float | None) -> str:
    if difference is None:
        return f"Ratio of {wish.lit} to {wish.shadow} not seen."
    side = "too deep" if difference > 0 else "too open"
    return f"{title(wish.shadow)} {stops_text(difference)} {side} against {wish.lit}."


def apart_finding(wish: Apart, measurement: Measurement) -> Finding:
    """Return the finding of one wished separation, stops from darker to lighter."""
    lighter, darker = _level(wish.lighter, measurement), _level(wish.darker, measurement)
    seen = lighter is not None and darker is not None
    stops = lighter[0] - darker[0] if lighter and darker else None
    uncertainty = math.hypot(lighter[1], darker[1]) if lighter and darker else None
    within = (0.0, None)
    return Finding(
        check="apart",
        of=f"{wish.lighter} to {wish.darker}",
        measured=stops,
        planned=wish.at_least,
        within=within,
        unit="stops",
        state=state_of(None if stops is None else stops - wish.at_least, within, uncertainty),
        say=f"{title(wish.lighter)} stands {stops:.1f} over {wish.darker}, "
        f"{stops_text(wish.at_least)} wished."
        if stops is not None
        else f"{title(wish.lighter)} against {wish.darker} not seen.",
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
