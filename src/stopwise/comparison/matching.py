"""What brings a frame, or today, to the look of another: exposure, colour, a take as targets."""

from __future__ import annotations

import math
import statistics
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from stopwise.comparison.events import spread, weighted_median
from stopwise.grid import MEDIAN_FACTOR
from stopwise.measurement.figures import tidy
from stopwise.record import Level

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from stopwise.comparison.sides import Side
    from stopwise.ledger import Kept
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


LEAST_DOUBT = 0.02
"""Stops of uncertainty that a patch has in any case: a sitter breathes."""

_UNREADABLE = "unreadable"


def level_of(record: Record, target: Record | None) -> Level | None:
    """Return the offsets that bring a frame level with another, as the record keeps them.

    Parameters
    ----------
    record
        The frame's JSON record.
    target
        The record of its look's adopted frame, or of its reference; None where there is none.

    Returns
    -------
    Level or None
        `to`: the target's file; `stops`: exposure to add, camera settings and all, and its standard
        `uncertainty`; `red_green`, `blue_green`: stops to add to R/G and B/G; `patches`: how many
        say so. None where no patch is seen in both, and for the plan's own frames: a card, or one
        lamp alone, is levelled with nothing. Each patch counts by its uncertainty, and the weighted
        median holds one turned cheek off. The uncertainty is that of a weighted median: from the
        patches' scatter, and no less than their own.
    """
    if target is None or _UNREADABLE in (record.verdict, target.verdict) or record.plays_a_part:
        return None
    there, here = target.patches, record.patches
    pairs = [(here[name], there[name]) for name in here if name in there]
    stops = [_less(was.log2_y, now.log2_y) for now, was in pairs]
    seen = [
        (
            offset,
            math.hypot(LEAST_DOUBT, now.uncertainty or 0.0, was.uncertainty or 0.0),
        )
        for offset, (now, was) in zip(stops, pairs, strict=True)
        if offset is not None
    ]
    if not seen:
        return None
    offsets, doubts = [one for one, _ in seen], [one for _, one in seen]
    return Level(
        to=target.file,
        stops=weighted_median(offsets, [1.0 / doubt**2 for doubt in doubts]),
        uncertainty=_doubt(offsets, doubts),
        red_green=_median([_less(was.red_green, now.red_green) for now, was in pairs]),
        blue_green=_median([_less(was.blue_green, now.blue_green) for now, was in pairs]),
        patches=len(seen),
    )


def _less(wanted: float | None, now: float | None) -> float | None:
    return None if wanted is None or now is None else wanted - now


def _median(values: Sequence[float | None]) -> float | None:
    seen = [value for value in values if value is not None]
    return statistics.median(seen) if seen else None


def _doubt(offsets: Sequence[float], doubts: Sequence[float]) -> float:
    own = 1.0 / math.sqrt(sum(1.0 / doubt**2 for doubt in doubts))
    return MEDIAN_FACTOR * max(own, spread(offsets) / math.sqrt(len(offsets)))


def levelled(
    kept: Iterable[Kept], targets: Mapping[str | None, Record]
) -> Iterator[dict[str, Any]]:
    """Yield the JSON of kept records with the offsets that bring each level with its look's frame.

    Parameters
    ----------
    kept
        Rows of a ledger.
    targets
        Each look's frame, by the look's name, None for the plan's own. A record whose look has none
        keeps the offsets that it has.
    """
    for one in kept:
        record = one.record
        if record.look in targets:
            level = level_of(record, targets[record.look])
            yield one.row | {"level": None if level is None else tidy(asdict(level))}
        else:
            yield one.row
