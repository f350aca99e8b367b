"""Which lamps hang over people, by what the plan says of them (common practice of rigging)."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stopwise.plan.model import Light

OVERHEAD_DEG = 45.0
"""Degrees of elevation from which a lamp counts as being over the sitter."""

_NEAR_M = 1.2
"""Metres that a raised lamp may stand off the sitter's feet and still fall on him."""


def is_on_boom(light: Light) -> bool:
    """Tell whether stand or note says that a boom holds a lamp."""
    return "boom" in f"{light.stand or ''} {light.note or ''}".lower()


def is_overhead(light: Light) -> bool:
    """Tell whether a lamp may fall on the sitter: on a boom, for the hair, high up, or near.

    Where the plan doesn't say how high a lamp is, it may.
    """
    if is_on_boom(light) or light.role == "hair" or light.elevation is None:
        return True
    if light.elevation <= 0.0:
        return False
    if light.elevation >= OVERHEAD_DEG:
        return True
    away = (
        None if light.distance is None else light.distance * math.cos(math.radians(light.elevation))
    )
    return away is not None and away < _NEAR_M
