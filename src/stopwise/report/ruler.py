"""The stop ruler: zone shares, targets and values as heights on one scale that ends at the clip."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from stopwise.stops import MID_GREY_OF_SATURATION, MIDDLE_ZONE

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

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
class Reading:
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
        The finding's state; None without a target.
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
    state: str | None = None
    lane: int = 0

    @property
    def span(self) -> tuple[float, float] | None:
        """Least and greatest zone that it takes up, or None where it shows nothing."""
        heights = [zone for zone in (self.value, self.low, self.high) if zone is not None]
        return (min(heights), max(heights)) if heights else None


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
    readings: tuple[Reading, ...]

    @property
    def lanes(self) -> int:
        """How many lanes the brackets need."""
        return 1 + max((reading.lane for reading in self.readings), default=-1)


def ruler_of(record: Mapping[str, Any]) -> Ruler:
    """Return the ruler of one frame's record; an unreadable one gives an empty scale."""
    clip = clip_zone(record)
    zones = record.get("zones") or {}
    return Ruler(
        clip=clip,
        shares=_shares(zones.get("share") or (), clip),
        clipped=zones.get("clipped") or 0.0,
        readings=in_lanes(_readings(record)),
    )


def clip_zone(record: Mapping[str, Any]) -> float:
    """Return the zone at which a neutral's first colour clips.

    5 + log2(saturation / mid-grey), both above black and against the level that zones stand on.
    """
    mid_grey = (record.get("zones") or {}).get("mid_grey") or MID_GREY_OF_SATURATION
    levels = record.get("levels") or {}
    rows = zip(
        levels.get("saturation") or (),
        levels.get("black") or (),
        levels.get("anchor") or levels.get("saturation") or (),
        strict=False,
    )
    reach = [(top - black) / (anchor - black) for top, black, anchor in rows if anchor > black]
    least = min((part for part in reach if part > 0), default=1.0)
    return MIDDLE_ZONE + math.log2(least / mid_grey)


def _shares(shares: Sequence[float], clip: float) -> tuple[Share, ...]:
    bars = (Share(k - 0.5, min(k + 0.5, clip), share) for k, share in enumerate(shares))
    return tuple(bar for bar in bars if bar.low < clip)


def _readings(record: Mapping[str, Any]) -> list[Reading]:
    targets = {
        finding["of"]: finding
        for finding in record.get("findings") or ()
        if finding["check"] == "patch" or finding["of"] == "backdrop zone"
    }
    figures = dict(record.get("patches") or {})
    readings = [_reading(name, patch, targets.get(name)) for name, patch in figures.items()]
    backdrop = record.get("backdrop") or {}
    if backdrop.get("zone") is not None or "backdrop zone" in targets:
        readings.append(_reading("paper", backdrop, targets.get("backdrop zone")))
    return [reading for reading in readings if reading.span is not None]


def _reading(name: str, figures: Mapping[str, Any], finding: Mapping[str, Any] | None) -> Reading:
    value, uncertainty = figures.get("zone"), figures.get("uncertainty")
    if not isinstance(uncertainty, float):
        uncertainty = None
    if finding is None or finding["planned"] is None:
        return Reading(name=name, value=value, uncertainty=uncertainty)
    target = finding["planned"]
    low, high = finding["within"] or (None, None)
    return Reading(
        name=name,
        value=value,
        uncertainty=uncertainty,
        target=target,
        low=target if low is None else target + low,
        high=target if high is None else target + high,
        off=None if value is None else value - target,
        state=finding["state"],
    )


def in_lanes(readings: Iterable[Reading], *, gap: float = 0.12) -> tuple[Reading, ...]:
    """Return the readings with lanes in which no two spans come nearer than `gap` zones.

    Each takes the first lane that is free, lowest first, so that few lanes are needed.
    """
    tops: list[float] = []
    placed = {}
    known = list(readings)
    for index in sorted(range(len(known)), key=lambda index: known[index].span or (0.0, 0.0)):
        low, high = known[index].span or (0.0, 0.0)
        lane = next((lane for lane, top in enumerate(tops) if low - top >= gap), len(tops))
        tops[lane : lane + 1] = [high]
        placed[index] = lane
    return tuple(replace(reading, lane=placed[index]) for index, reading in enumerate(known))


def spread(heights: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Return label heights near the wanted ones, none nearer than `gap` to the next.

    Labels that would touch are moved apart around their common middle; all stay within `low` and
    `high` as long as there is room for them, else they are set evenly between the two.

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
        step = (high - low) / (len(order) - 1)
        even = [low + step * place for place in range(len(order))]
        return _in_order_given(order, even)
    return _in_order_given(order, _pooled([heights[index] for index in order], gap, low, high))


def _pooled(heights: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Least squares under least distances: pool neighbours until none overlap, then clamp."""
    groups: list[tuple[float, int]] = []
    for place, height in enumerate(heights):
        total, count = height - gap * place, 1
        while groups and groups[-1][0] / groups[-1][1] > total / count:
            above = groups.pop()
            total, count = total + above[0], count + above[1]
        groups.append((total, count))
    floors = [total / count for total, count in groups for _ in range(count)]
    highest = high - gap * (len(heights) - 1)
    return [min(max(floor, low), highest) + gap * place for place, floor in enumerate(floors)]


def _in_order_given(order: Sequence[int], values: Sequence[float]) -> list[float]:
    back = [0.0] * len(order)
    for place, index in enumerate(order):
        back[index] = values[place]
    return back
