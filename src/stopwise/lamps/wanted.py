"""The plan's targets, as numbers a search can weigh: each target's distance in its tolerances."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.plan.model import BACKDROP, PLAIN
from stopwise.stops import MID_GREY_OF_SATURATION, MIDDLE_ZONE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from stopwise.lamps.scene import State
    from stopwise.plan.model import BackdropPlan, Patch, RatioTarget, Separation
    from stopwise.plan.now import PlanNow

LIMIT_TOLERANCE = 0.1
"""Stops that count as one tolerance where a target is a limit: headroom, clipping, separation."""

_LEAST_TOLERANCE = 0.02
"""A narrower tolerance weighs as this much, stops."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """One target.

    Attributes
    ----------
    of
        What it is of, as findings name it.
    kind
        "zone", "ratio", "separation", "left_right", "falloff", "headroom", "clip" or "blown".
    value
        Reads it from a state, in stops; None where it can't be read.
    target
        The target value.
    under, over
        How far below and above is still well, stops; infinite where that side is open.
    patches
        The patches that it needs.
    """

    of: str
    kind: str
    value: Callable[[State], float | None]
    target: float
    under: float
    over: float
    patches: tuple[str, ...] = ()

    def short_by(self, state: State) -> float:
        """Return by how many stops a state lies outside what is allowed, 0 inside, signed."""
        value = self.value(state)
        if value is None:
            return 0.0
        off = value - self.target
        if off > self.over:
            return off - self.over
        return off + self.under if off < -self.under else 0.0

    def residual(self, state: State) -> float:
        """Return how far a state is off the target, in tolerances; 0 on an open side."""
        value = self.value(state)
        if value is None:
            return 0.0
        off = value - self.target
        if math.isinf(self.under):
            return max(off, 0.0) / LIMIT_TOLERANCE
        if math.isinf(self.over):
            return min(off, 0.0) / LIMIT_TOLERANCE
        return off / max(self.over if off > 0 else self.under, _LEAST_TOLERANCE)


def wanted(targets: PlanNow, known: frozenset[str] | set[str]) -> tuple[Wanted, ...]:
    """Return the targets that powers can meet.

    Parameters
    ----------
    targets
        What of the plan holds now.
    known
        Patches whose light is known; targets of others are left out.
    """
    grey = targets.plan.camera.mid_grey or MID_GREY_OF_SATURATION
    parts = [
        *(item for patch in targets.patches if patch.name in known for item in _patch(patch, grey)),
        *(_ratio(target) for target in targets.ratios if {target.lit, target.shadow} <= known),
        *(_separation(target) for target in targets.separations if _known(target, known, targets)),
    ]
    if targets.backdrop is not None:
        parts.extend(_backdrop(targets.backdrop, grey))
    blown = Wanted("frame", "blown", lambda state: state.blown_room, 0.0, 0.0, math.inf)
    return (*parts, blown)


def zone_of(log2_y: float, mid_grey: float) -> float:
    """Return the zone of a log2 luminance against the anchor."""
    return MIDDLE_ZONE + log2_y - math.log2(mid_grey)


def zone_target(patch: Patch) -> float | None:
    """Return the target zone for a patch, its own or its material's."""
    return patch.zone if patch.zone is not None else patch.defaults.zone


def zone_allows(patch: Patch) -> tuple[float, float]:
    """Return how far under and over its target a patch may read, stops."""
    row = patch.defaults
    under = _first(patch.under, patch.within, row.under, PLAIN.under)
    over = _first(patch.over, patch.within, row.over, PLAIN.over)
    return under, over


def _first(*values: float | None) -> float:
    return next(value for value in values if value is not None)


def _patch(patch: Patch, grey: float) -> Iterator[Wanted]:
    name, row = patch.name, patch.defaults
    target = zone_target(patch)
    if target is not None:
        under, over = zone_allows(patch)
        yield Wanted(
            name,
            "zone",
            lambda state: zone_of(state.patches[name].log2_y, grey),
            target,
            under,
            over,
            (name,),
        )
    headroom = patch.headroom if patch.headroom is not None else row.headroom
    if headroom is not None:
        yield Wanted(
            name,
            "headroom",
            lambda state: state.patches[name].headroom,
            headroom,
            0.0,
            math.inf,
            (name,),
        )
    may_clip = patch.may_clip if patch.may_clip is not None else row.may_clip
    if may_clip < 1.0:
        yield Wanted(
            name, "clip", lambda state: state.patches[name].clip_room, 0.0, 0.0, math.inf, (name,)
        )


def _ratio(target: RatioTarget) -> Wanted:
    def value(state: State) -> float:
        return state.patches[target.lit].log2_y - state.patches[target.shadow].log2_y

    of = f"{target.lit} to {target.shadow}"
    patches = (target.lit, target.shadow)
    return Wanted(of, "ratio", value, target.stops, target.within, target.within, patches)


def _separation(target: Separation) -> Wanted:
    def value(state: State) -> float | None:
        lighter, darker = _level(target.lighter, state), _level(target.darker, state)
        return None if lighter is None or darker is None else lighter - darker

    of = f"{target.lighter} to {target.darker}"
    patches = tuple(name for name in (target.lighter, target.darker) if name != BACKDROP)
    return Wanted(of, "separation", value, target.at_least, 0.0, math.inf, patches)


def _known(target: Separation, known: frozenset[str] | set[str], targets: PlanNow) -> bool:
    sides = known | ({BACKDROP} if targets.backdrop is not None else set())
    return {target.lighter, target.darker} <= sides


def _level(name: str, state: State) -> float | None:
    return state.backdrop_log2_y if name == BACKDROP else state.patches[name].log2_y


def _backdrop(target: BackdropPlan, grey: float) -> Iterator[Wanted]:
    if target.zone is not None:
        yield Wanted(
            "backdrop zone",
            "zone",
            lambda state: (
                None if state.backdrop_log2_y is None else zone_of(state.backdrop_log2_y, grey)
            ),
            target.zone,
            target.under,
            target.over,
        )
    if target.left_right is not None:
        within = target.left_right_within
        yield Wanted(
            "backdrop left_right",
            "left_right",
            lambda state: state.left_right,
            target.left_right,
            within,
            within,
        )
    if target.falloff is not None:
        within = target.falloff_within
        yield Wanted(
            "backdrop falloff",
            "falloff",
            lambda state: state.falloff,
            target.falloff,
            within,
            within,
        )
