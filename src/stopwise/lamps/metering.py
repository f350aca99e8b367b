"""Meter readings against what solos recorded: a hard spot that the meter's dome misread."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.lamps.solo import LampSet
    from stopwise.plan.model import Plan

DOUBT_STOPS = 0.7
"""Stops by which two lamps' light on one stuff may differ from what their readings say.

A dome that faces the lamp reads the light on a surface square to it; the brightest hundredth of
skin or cloth faces the lamp about as well, to some tenths of a stop.
"""

_STUFFS = ("skin", "white cloth")
_FAINT_STOPS = 5.0


@dataclass(frozen=True, slots=True)
class MeterDoubt:
    """Two lamps whose readings don't fit what their solos recorded.

    Attributes
    ----------
    lamps
        The one that recorded more than its reading says, and the one that recorded less.
    stops
        By how much, above 0.
    stuff
        What both were compared on.
    """

    lamps: tuple[str, str]
    stops: float
    stuff: str

    @property
    def words(self) -> tuple[str, str]:
        """What to say, and what to do."""
        brighter, darker = self.lamps
        say = (
            f"Against {darker}, {brighter} gives about {self.stops:.1f} stops more on {self.stuff} "
            "than their meter readings say."
        )
        spot = "a spot smaller than the dome reads low"
        return say, f"Meter {brighter} again with the dome in its hot centre: {spot}."


def meter_doubts(lamps: LampSet, plan: Plan) -> tuple[MeterDoubt, ...]:
    """Hold the solos against the plan's readings.

    Parameters
    ----------
    lamps
        The solos.
    plan
        With `meter` of the lamps, at the lamp, and patches of skin or white cloth.

    Returns
    -------
    tuple of MeterDoubt
        Pairs of lamps that light one stuff, where log2 of their light's ratio differs from twice
        log2 of their f-numbers' ratio by more than 0.7 stop; the greatest first.
    """
    found = [doubt for stuff in _STUFFS for doubt in _on(stuff, lamps, plan)]
    worst: dict[frozenset[str], MeterDoubt] = {}
    for doubt in sorted(found, key=lambda one: one.stops):
        worst[frozenset(doubt.lamps)] = doubt
    return tuple(sorted(worst.values(), key=lambda one: -one.stops))


def _on(stuff: str, lamps: LampSet, plan: Plan) -> Iterator[MeterDoubt]:
    names = [
        patch.name
        for patch in plan.patches
        if patch.material == stuff and all(patch.name in net.patches for net in lamps.nets.values())
    ]
    if not names:
        return
    over = {}
    for name, net in lamps.nets.items():
        light = plan.light(name)
        peak = max(float(np.percentile(net.patch_luminance(patch), 99.0)) for patch in names)
        if light is not None and light.meter and light.meter_at == "lamp" and peak > 0.0:
            over[name] = (math.log2(peak), 2.0 * math.log2(light.meter))
    brightest = max((recorded for recorded, _ in over.values()), default=0.0)
    seen = {n: r - m for n, (r, m) in over.items() if r > brightest - _FAINT_STOPS}
    for one, other in itertools.combinations(seen, 2):
        more = seen[one] - seen[other]
        if abs(more) > DOUBT_STOPS:
            pair = (one, other) if more > 0 else (other, one)
            yield MeterDoubt(pair, abs(more), stuff)
