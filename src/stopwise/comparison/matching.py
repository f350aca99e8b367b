"""Match: a take's medians as targets, so that powers can be worked out that bring it back."""

from __future__ import annotations

import statistics
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.comparison.sides import Side
    from stopwise.plan.model import BackdropPlan, Patch, Plan, RatioTarget
    from stopwise.record import Record

_DIGITS = 3  # of a stop: a thousandth is under any uncertainty, and reads well in a plan


def plan_to_match(plan: Plan, side: Side) -> Plan:
    """Return a plan whose targets are what a take showed.

    Parameters
    ----------
    plan
        Today's plan: its lamps, patches and limits stay.
    side
        The take's medians, see `side_of_frames`.

    Returns
    -------
    Plan
        A patch that the take saw has its zone as target; one that it didn't see is left out, since
        an old target would pull against the match. Ratios follow from their patches.

    Notes
    -----
    Zones are compared, so both days need a mid-grey that holds: see `stopwise grey`.
    """
    zones = {
        name: round(one.zone, _DIGITS) for name, one in side.patches.items() if one.zone is not None
    }
    return plan.model_copy(
        update={
            "patches": _patches(plan.patches, zones),
            "ratios": _ratios(plan.ratios, zones),
            "separations": (),
            "looks": tuple(
                look.model_copy(
                    update={
                        "patches": _patches(look.patches, zones),
                        "ratios": _ratios(look.ratios, zones),
                    }
                )
                for look in plan.looks
            ),
        }
    )


def with_backdrop_of(plan: Plan, records: Sequence[Record]) -> Plan:
    """Return a plan whose paper targets are the medians of some frames' paper.

    Parameters
    ----------
    plan
        A plan, whose other targets stay.
    records
        The frames of a take that count.
    """
    if plan.backdrop is None:
        return plan
    medians: dict[str, float] = {}
    for key in ("zone", "left_right", "falloff"):
        seen = [
            value
            for record in records
            if record.backdrop is not None and (value := getattr(record.backdrop, key)) is not None
        ]
        if seen:
            medians[key] = round(statistics.median(seen), _DIGITS)
    backdrop: BackdropPlan = plan.backdrop.model_copy(update=medians)
    return plan.model_copy(update={"backdrop": backdrop})


def _patches(patches: Sequence[Patch], zones: Mapping[str, float]) -> tuple[Patch, ...]:
    return tuple(
        patch.model_copy(update={"zone": zones.get(patch.name)})
        for patch in patches
        if patch.name in zones
    )


def _ratios(ratios: Sequence[RatioTarget], zones: Mapping[str, float]) -> tuple[RatioTarget, ...]:
    return tuple(
        ratio.model_copy(update={"stops": round(zones[ratio.lit] - zones[ratio.shadow], _DIGITS)})
        for ratio in ratios
        if ratio.lit in zones and ratio.shadow in zones
    )
