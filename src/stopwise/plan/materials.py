"""The materials that a patch may show, and the limits that each brings."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Material:
    """One row of the table: defaults in stops and fractions (common practice, from memory).

    Attributes
    ----------
    over, under
        Stops above and below the target zone that still hold; None where it isn't judged.
    headroom
        Stops that the fullest colour's 99th percentile must stay under clip; None where not judged.
    may_clip
        Greatest share of the patch in blown areas.
    zone
        Default target, None where it must be stated (skin has none, ever).
    blocked
        Greatest blocked share; None where not judged.
    snr
        Least signal to noise ratio; None where not judged.
    read_at
        Percentile of Y that its zone is read at.
    must_see
        Whether there is no verdict without it: a picture of a person is about the skin.
    shine
        Stops that its 99th percentile may lie above its median before it counts as shine.
    """

    over: float | None = 0.3
    under: float | None = 0.3
    headroom: float | None = None
    may_clip: float = 0.0
    zone: float | None = None
    blocked: float | None = None
    snr: float | None = None
    read_at: float = 50.0
    shine: float | None = None
    must_see: bool = False


MATERIALS: Mapping[str, Material] = MappingProxyType(
    {
        "skin": Material(
            over=0.2, under=0.3, headroom=0.5, may_clip=0.0005, shine=1.0, must_see=True
        ),
        "white cloth": Material(over=0.15, under=0.4, headroom=0.3, may_clip=0.001, zone=7.0),
        "hair": Material(over=0.3, under=0.5, headroom=0.0, may_clip=0.01, read_at=90.0),
        "black cloth": Material(over=0.5, under=0.5, zone=2.2, blocked=0.3, snr=10.0),
        "metal": Material(over=None, under=None, may_clip=1.0),
        "paper": Material(over=0.2, under=0.2),
    }
)
"""The table, by the name that a plan uses."""

PLAIN = Material()
"""What holds for a patch without a material, and where a row leaves a tolerance open."""
