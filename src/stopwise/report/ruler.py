"""The stop ruler: zone shares, targets and values as heights on one scale that ends at the clip."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from stopwise.report.facts import patch_states
from stopwise.stops import MID_GREY_OF_SATURATION, MIDDLE_ZONE

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from stopwise.findings import Finding, State
    from stopwise.record import Record

LOWEST = -0.5
"""Zone at the ruler's foot: Zone 0 begins here."""

ROMAN = ("0", "I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X")
"""How zones are written."""


@dataclass(frozen=True, slots=True)
class Share:
    """One zone's bar: from `low` to `high` along the ruler, as long as `fraction` of the frame."""

    low: float
    high: float
    fraction: float


@dataclass(frozen=True, slots=True)
class RulerReading:
    """One patch on the ruler, all heights as zones.

    Attributes
    ----------
    name
        The patch, or "paper".
    value
        Measured zone; None where not seen.
    uncertainty
        Standard uncertainty of `value`, stops.
    target, low, high
        The target and where it still holds; None without a target.
    off
        Measured less target, stops; None where either is missing.
    state
        Of the patch's worst finding, as on the picture; None where nothing is asked of it.
    lane
        Which upright lane its bracket stands in, 0 next to the scale, so that none overlap.
    """

    name: str
    value: float | None
    uncertainty: float | None
    target: float | None = None
    low: float | None = None
    high: float | None = None
    off: float | None = None
    state: State | None = None
    lane: int = 0

    @property
    def span(self) -> tuple[float, float] | None:
        """Least and greatest zone that it takes up, or None where it shows nothing.

        What lies below the ruler's foot stands at the foot.
        """
        heights = [
            max(zone, LOWEST) for zone in (self.value, self.low, self.high) if zone is not None
        ]
        return (min(heights), max(heights)) if heights else None

    @property
    def is_under(self) -> bool:
        """Whether its value lies below the ruler's foot."""
        return self.value is not None and self.value < LOWEST


@dataclass(frozen=True, slots=True)
class Ruler:
    """All that stands on the ruler.

    Attributes
    ----------
    clip
        Zone at which a neutral clips: nothing is claimed above it but "at least".
    shares
        Bars, lowest zone first; empty where zones aren't seen.
    clipped
        Fraction of the frame that is clipped, shown above the clip line.
    readings
        Patches and paper, in the order of the record.
    """

    clip: float
    shares: tuple[Share, ...]
    clipped: float
    readings: tuple[RulerReading, ...]

    @property
    def lanes(self) -> int:
        """How many lanes the brackets need."""
        return 1 + max((reading.lane for reading in self.readings), default=-1)


def ruler_of(record: Record) -> Ruler:
    """Return the ruler of one frame's record; an unreadable one gives an empty scale."""
    clip, zones = clip_zone(record), record.zones
    bars = (
        Share(zone - 0.5, min(zone + 0.5, clip), fraction)
        for zone, fraction in enumerate((zones and zones.share) or ())
    )
    return Ruler(
        clip=clip,
        shares=tuple(bar for bar in bars if bar.low < clip),
        clipped=zones.clipped if zones else 0.0,
        readings=in_lanes(one for one in _readings(record) if one.span is not None),
    )


def mid_grey_of(record: Record) -> float:
    """Return Y of mid-grey as a fraction of the anchor, the default where a record says nothing."""
    return (record.zones and record.zones.mid_grey) or MID_GREY_OF_SATURATION


def clip_zone(record: Record) -> float:
    """Return the zone at which a neutral's first colour clips.

    5 + log2(saturation / mid-grey), both above black and against the level that zones stand on.
    """
    levels = record.levels
    rows = zip(levels.saturation, levels.black, levels.anchor, strict=False) if levels else ()
    reach = [(top - black) / (anchor - black) for top, black, anchor in rows if anchor > black]
    least = min((part for part in reach if part > 0), default=1.0)
    return MIDDLE_ZONE + math.log2(least / mid_grey_of(record))


def _readings(record: Record) -> Iterator[RulerReading]:
    targets = {one.of: one for one in record.findings if one.check == "patch"}
    states = patch_states(record)
    for name, patch in record.patches.items():
        bare = RulerReading(name, patch.zone, patch.uncertainty, state=states.get(name))
        yield _with_target(bare, targets.get(name))
    paper = next((one for one in record.findings if one.figure == "zone"), None)
    backdrop = record.backdrop
    zone = backdrop.zone if backdrop else None
    if zone is not None or paper is not None:
        doubt = backdrop.uncertainty.get("zone") if backdrop else None
        bare = RulerReading("paper", zone, doubt, state=paper.state if paper else None)
        yield _with_target(bare, paper)


def _with_target(reading: RulerReading, finding: Finding | None) -> RulerReading:
    if finding is None or finding.planned is None:
        return reading
    target, (low, high) = finding.planned, finding.within or (None, None)
    return replace(
        reading,
        target=target,
        low=target + (low or 0.0),
        high=target + (high or 0.0),
        off=None if reading.value is None else reading.value - target,
    )


def in_lanes(readings: Iterable[RulerReading], *, gap: float = 0.12) -> tuple[RulerReading, ...]:
    """Return the readings with lanes in which no two spans come nearer than `gap` zones.

    Each takes the first lane that is free, lowest first, so that few lanes are needed. Values under
    the ruler that have no bracket stand at its foot together.
    """
    tops: list[float] = []
    placed = {}
    known = list(readings)
    for index in sorted(range(len(known)), key=lambda index: known[index].span or (0.0, 0.0)):
        low, high = known[index].span or (0.0, 0.0)
        if known[index].is_under and known[index].low is None:
            placed[index] = 0
            continue
        lane = next((lane for lane, top in enumerate(tops) if low - top >= gap), len(tops))
        tops[lane : lane + 1] = [high]
        placed[index] = lane
    return tuple(replace(reading, lane=placed[index]) for index, reading in enumerate(known))


def spread(heights: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Return label heights near the wanted ones, none nearer than `gap` to the next.

    Labels that would touch are moved apart around their common middle: least squares under least
    distances, by pooling neighbours that violate them (scipy has this too, in the module whose
    import alone takes 0.4 s). All stay within `low` and `high` as long as there is room for them,
    else they are set evenly between the two.

    Parameters
    ----------
    heights
        Wanted heights, any order, any unit.
    gap
        Least distance between two labels, same unit.
    low, high
        Least and greatest height of a label.

    Returns
    -------
    list of float
        In the order of `heights`, whose order upwards is kept.
    """
    order = sorted(range(len(heights)), key=lambda index: heights[index])
    if len(order) > 1 and gap * (len(order) - 1) >= high - low:
        gap = (high - low) / (len(order) - 1)
    groups: list[
        tuple[float, int]
    ] = []  # of labels that touch: the sum of their feet, and how many
    for place, index in enumerate(order):
        total, count = heights[index] - gap * place, 1
        while groups and groups[-1][0] / groups[-1][1] > total / count:
            above = groups.pop()
            total, count = total + above[0], count + above[1]
        groups.append((total, count))
    feet = [total / count for total, count in groups for _ in range(count)]
    highest = high - gap * (len(heights) - 1)
    placed = [0.0] * len(heights)
    for place, (index, foot) in enumerate(zip(order, feet, strict=True)):
        placed[index] = min(max(foot, low), highest) + gap * place
    return placed
