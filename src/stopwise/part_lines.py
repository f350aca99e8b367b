"""What one of the plan's own frames came to, in the two lines of a headline."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from stopwise.wording import (
    HEADLINE_WIDTH,
    fitted,
    lamp_name,
    over_or_under,
    share_text,
    stops_text,
    tenths,
    title,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.findings import Reason


@dataclass(frozen=True, slots=True)
class Unjudged:
    """What is said of a frame that isn't judged.

    Attributes
    ----------
    ratio_stops
        Lit to shadow; None where it isn't seen.
    blown
        Share of the frame in blown areas.
    may_be
        Greatest share of the frame that may be clipped, where that isn't sure.
    zones
        Of its patches, by name, and of the paper; None where not seen.
    """

    ratio_stops: float | None = None
    blown: float = 0.0
    may_be: float | None = None
    zones: Mapping[str, float | None] = field(default_factory=dict)


_SOLO_SPAN = 3.0
"""Stops under its brightest place down to which a lamp alone is said to light one: half a stop of
it is an eighth there, which no ratio of a portrait goes beyond (common practice: 8 to 1)."""


def part_lines(reason: Reason, unjudged: Unjudged) -> tuple[str, str] | None:
    """Return what one of the plan's own frames came to; None where its part isn't told so.

    Parameters
    ----------
    reason
        Why it isn't judged: the part that it plays, and what that came to.
    unjudged
        What else is said of it.

    Returns
    -------
    tuple of str or None
        Two lines of at most 38 characters: what it came to, and what it is for.
    """
    value = reason.value
    blown = f"Blown, {share_text(unjudged.blown)}: turn it down." if unjudged.blown else ""
    if reason.role == "solo" and reason.lamp is not None:
        return _solo(lamp_name(reason.lamp), unjudged, blown)
    if value is None and reason.role == "grey":
        return "Grey card: mid-grey not set.", "Say stopwise grey, with its box."
    if value is None:
        return None
    lines = {
        "grey": (f"Grey card: mid-grey {value:.3f}, set.", "Zones stand on it, at this ISO."),
        "ambient": (
            f"Ambient: {stops_text(value)} {over_or_under(value)}.",
            "It is taken out of every solo.",
        ),
        "clip": (
            f"Stops at {value:.3f} of the named white.",
            "What is blown is counted from there.",
        ),
        "plate": (
            f"Paper bare: even to {abs(value):.2f}.",
            "It shows the paper behind the sitter.",
        ),
    }.get(reason.role or "")
    return None if lines is None else (lines[0], blown or lines[1])


def _solo(name: str, unjudged: Unjudged, blown: str) -> tuple[str, str]:
    zones = {of: zone for of, zone in unjudged.zones.items() if zone is not None}
    if not zones:
        return fitted("{} alone: no patch seen.".format, name), blown or "Draw one that it lights."
    least = max(zones.values()) - _SOLO_SPAN
    lit = sorted((of for of, zone in zones.items() if zone >= least), key=zones.__getitem__)
    while lit:
        told = ", ".join(f"{of} {tenths(zones[of])}" for of in zones if of in lit)
        line = title(f"{name} alone: {told}.")
        if len(line) <= HEADLINE_WIDTH:
            return line, blown or "Good solo."
        lit = lit[1:]
    return fitted("{} alone.".format, name), blown or "Good solo."
