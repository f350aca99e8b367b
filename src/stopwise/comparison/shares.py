"""From solos: which lamp gives how much of each patch, on one side of a comparison."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.comparison.changes import Known
from stopwise.lamps.superpose import patch_shares

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.comparison.sides import Side
    from stopwise.lamps.solos import LampSet
    from stopwise.plan.model import Patch, Plan

_HAIR_READ_AT = 90.0


def known_of(
    plan: Plan | None,
    lamps: LampSet | None,
    before: Side,
    *,
    turned: Mapping[str, float] | None = None,
) -> Known:
    """Return what plan and solos say of a set, for a comparison that begins at `before`.

    Parameters
    ----------
    plan
        The plan; None knows nothing.
    lamps
        Each lamp's own light; None without solos.
    before
        The side whose shares are meant: each lamp at what it gave there.
    turned
        Stops that lamps were said to be turned by; None where nothing was said.
    """
    if plan is None:
        return Known(turned=turned)
    steady = {light.name for light in plan.lights if light.kind == "continuous"}
    return Known(
        shares={} if lamps is None else _shares(plan, lamps, before),
        steady=frozenset((*steady, "ambient")),
        all_steady=bool(steady) and len(steady) == len(plan.lights),
        lit_by={patch.name: patch.lit_by for patch in all_patches(plan) if patch.lit_by},
        turned=turned,
    )


def all_patches(plan: Plan) -> tuple[Patch, ...]:
    """Return the plan's patches and those of all its looks."""
    return (*plan.patches, *(patch for look in plan.looks for patch in look.patches))


def _shares(plan: Plan, lamps: LampSet, before: Side) -> dict[str, dict[str, float]]:
    turns = {name: _turn(before, name) for name in lamps.names}
    read_at = {patch.name: _HAIR_READ_AT for patch in all_patches(plan) if patch.material == "hair"}
    return patch_shares(lamps, turns, read_at=read_at)


def _turn(side: Side, name: str) -> float:
    lamp = side.lamps.get(name)
    if lamp is not None and lamp.state == "out":
        return -60.0
    return 0.0 if lamp is None or lamp.stops is None else lamp.stops
