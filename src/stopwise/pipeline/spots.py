"""What became of each lamp's spot in one frame, by the white cards that the plan names."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.lamps.outputs import reading_of, stack_of
from stopwise.lamps.spot_reading import Followed, Lit, read_spot

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from stopwise.lamps.fieldcells import Placed
    from stopwise.lamps.outputs import Expected, LampReading
    from stopwise.lamps.reduced import LightPicture
    from stopwise.lamps.solo import LampSet
    from stopwise.lamps.spot_reading import SpotReading
    from stopwise.lamps.white_card import WhiteCard
    from stopwise.measurement.measurement import Box, Measurement
    from stopwise.plan.now import PlanNow

    Readings = Mapping[str, LampReading]

_SPOT_DOUBT = 0.05
"""Stops that a lamp's output is sure to once its spot has moved: made frames lay within 0.09."""


@dataclass(frozen=True, slots=True)
class Situation:
    """What is known of a frame before its spots are read.

    Attributes
    ----------
    expected
        What was expected of each lamp.
    placement
        How far the sitter is off the mark; None where that isn't known.
    followed
        The sitter's patches that each lamp leads.
    lit
        Lamps that are meant to be lit; None for all.
    """

    expected: Mapping[str, Expected]
    placement: Placed | None
    followed: Mapping[str, tuple[Followed, ...]]
    lit: Collection[str] | None


def see_spots(
    light: LightPicture,
    lamps: LampSet,
    white_cards: Mapping[str, WhiteCard],
    readings: Readings,
    now: Situation,
) -> dict[str, SpotReading]:
    """Read each spot that a white card shows, of lamps that are meant to be lit and gave light.

    Parameters
    ----------
    light, lamps
        The frame's light, and the solos.
    white_cards
        Spots by lamp.
    readings
        What each lamp gave.
    now
        What else is known.
    """
    names = [
        name
        for name in white_cards
        if name in readings
        and readings[name].state != "out"
        and readings[name].stops is not None
        and (now.lit is None or name in now.lit)
    ]
    if not names:
        return {}
    stack = stack_of(light, lamps)
    outputs = np.array([_linear(readings[name].stops) for name in lamps.names])
    return {
        name: read_spot(
            Lit(stack, lamps.names.index(name), outputs, _linear(now.expected[name].stops)),
            white_cards[name],
            shift=now.placement,
            followed=now.followed.get(name, ()),
        )
        for name in names
    }


def followed_by_lamp(
    measurement: Measurement, targets: PlanNow, placement: Placed | None
) -> dict[str, tuple[Followed, ...]]:
    """Return the patches that go with the sitter, by the lamp that leads them.

    One that wasn't found again, such as a cheek in the dark, is where the others went.
    """
    found: dict[str, tuple[Followed, ...]] = {}
    for patch in targets.measured:
        reading = measurement.patches.get(patch.name)
        if not patch.follow or not patch.lit_by or reading is None:
            continue
        now = reading.box if reading.zone is not None else _carried(patch.box, placement)
        if now is not None:
            lead = patch.lit_by[0]
            found[lead] = (*found.get(lead, ()), Followed(patch.box, now))
    return found


def _carried(box: Box, placement: Placed | None) -> Box | None:
    """Return where a box went with the sitter; None where nobody knows, or outside."""
    if placement is None:
        return None
    x0, y0, x1, y1 = box
    dx, dy = placement.dx, placement.dy
    moved = (x0 + dx, y0 + dy, x1 + dx, y1 + dy)
    return moved if min(moved) >= 0.0 and max(moved) <= 1.0 else None


def with_spots(
    readings: Readings, spots: Mapping[str, SpotReading], expected: Mapping[str, Expected]
) -> dict[str, LampReading]:
    """Return readings in which no spot's move and no sitter out of a spot counts as a weak lamp."""
    return {
        name: _with_spot(reading, spots.get(name), expected[name])
        for name, reading in readings.items()
    }


def _with_spot(reading: LampReading, spot: SpotReading | None, expected: Expected) -> LampReading:
    if spot is None or reading.state == "out":
        return reading
    if spot.state == "sitter out of the spot" and reading.state in ("weak", "strong"):
        return replace(reading, state="not seen")
    if spot.state == "spot moved" and spot.output_stops is not None:
        return reading_of(spot.output_stops, max(reading.uncertainty or 0.0, _SPOT_DOUBT), expected)
    return reading


def _linear(stops: float | None) -> float:
    return 0.0 if stops is None else 2.0**stops
