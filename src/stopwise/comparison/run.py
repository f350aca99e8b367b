"""The run of a take: every patch and lamp over its frames, and the frames that fall out."""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from stopwise.comparison.counting import left_out
from stopwise.comparison.flags import Flag, flags_of
from stopwise.comparison.settings import settings_change
from stopwise.comparison.sides import same_size
from stopwise.comparison.statistics import slope, spread
from stopwise.comparison.steps import Event, events_of
from stopwise.record import SCHEMA, tidy

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    Record = Mapping[str, Any]

DRIFT_STOPS = 0.1
"""Stops off a take's median that still hold, unless the plan says otherwise."""


@dataclass(frozen=True, slots=True)
class Series:
    """One patch or lamp over a take.

    Attributes
    ----------
    values
        One a counted frame, camera settings taken out: a patch's zone (log2 Y where zones aren't
        seen), a lamp's stops against its solo; None where it wasn't seen.
    unit
        "zone", "log2_y" or "stops".
    median, spread
        Of what was seen; the spread is the median absolute deviation times 1.4826.
    drift
        First to last frame along the median slope of all pairs, stops.
    fallen
        Places of the frames that lie off the median by more than the limit and their uncertainty.
    events
        What happened, at the frames that caused it.
    """

    values: tuple[float | None, ...]
    unit: str
    median: float | None
    spread: float | None
    drift: float | None
    fallen: tuple[int, ...] = ()
    events: tuple[Event, ...] = ()

    @property
    def frames(self) -> int:
        """In how many frames it was seen."""
        return sum(value is not None for value in self.values)


@dataclass(frozen=True, slots=True)
class Run:
    """The run of one take in one look.

    Attributes
    ----------
    take, look
        Which.
    files
        The frames that count, oldest first.
    left_out
        The others, each with why.
    patches, lamps
        By name.
    flags
        What happened and why, each on the frame that caused it.
    limit
        Stops off the median that hold.
    """

    take: int | None
    look: str | None
    files: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    patches: Mapping[str, Series]
    lamps: Mapping[str, Series]
    flags: tuple[Flag, ...]
    limit: float

    def to_json(self) -> dict[str, Any]:
        """Return the run as plain JSON, every number finite or None."""
        whole: dict[str, Any] = tidy(
            {
                "schema": SCHEMA,
                "take": self.take,
                "look": self.look,
                "frames": list(self.files),
                "left_out": [{"file": file, "why": why} for file, why in self.left_out],
                "limit": self.limit,
                "patches": {name: self._series(one) for name, one in self.patches.items()},
                "lamps": {name: self._series(one) for name, one in self.lamps.items()},
                "flags": [flag.to_json(self.files) for flag in self.flags],
            }
        )
        return whole

    def _series(self, series: Series) -> dict[str, Any]:
        return {
            "median": series.median,
            "spread": series.spread,
            "drift": series.drift,
            "unit": series.unit,
            "frames": series.frames,
            "fallen": [self.files[at] for at in series.fallen],
        }


def run_of(
    records: Sequence[Record],
    *,
    limit: float = DRIFT_STOPS,
    steady: bool = False,
) -> Run | None:
    """Return the run of a take's records; None where there are none.

    Parameters
    ----------
    records
        Of one take and one look, oldest first.
    limit
        Stops off the median that hold, `[limits] drift` of the plan.
    steady
        Whether all lamps burn all the time, so that the shutter dims everything.
    """
    if not records:
        return None
    why = [(record, left_out(record)) for record in records]
    counted = same_size([record for record, reason in why if reason is None])
    kept = {id(record) for record in counted}
    gone = [
        (str(record["file"]), reason or "of another size than the others")
        for record, reason in why
        if id(record) not in kept
    ]
    patches = _patches(counted, limit, steady=steady)
    lamps = _lamps(counted, limit)
    return Run(
        take=records[0].get("take"),
        look=records[0].get("look"),
        files=tuple(str(record["file"]) for record in counted),
        left_out=tuple(gone),
        patches=patches,
        lamps=lamps,
        flags=flags_of(
            {name: one.events for name, one in lamps.items()},
            {name: one.events for name, one in patches.items()},
            follows=_followed(counted),
        ),
        limit=limit,
    )


def _followed(records: Sequence[Record]) -> frozenset[str]:
    return frozenset(
        name
        for record in records
        for name, one in (record.get("patches") or {}).items()
        if one.get("score") is not None
    )


def _patches(records: Sequence[Record], limit: float, *, steady: bool) -> dict[str, Series]:
    gains = []
    for record in records:
        change = settings_change(records[0].get("exposure"), record.get("exposure"))
        gains.append(change.steady_stops if steady else change.flash_stops)
    tables = [record.get("patches") or {} for record in records]
    found = {}
    for name in dict.fromkeys(name for table in tables for name in table):
        ones = [table.get(name) or {} for table in tables]
        unit = "zone" if any(one.get("zone") is not None for one in ones) else "log2_y"
        values = [
            None if one.get(unit) is None else one[unit] - gain
            for one, gain in zip(ones, gains, strict=True)
        ]
        found[name] = _series(values, [one.get("uncertainty") for one in ones], unit, limit)
    return found


def _lamps(records: Sequence[Record], limit: float) -> dict[str, Series]:
    tables = [record.get("lamps") or {} for record in records]
    found = {}
    for name in dict.fromkeys(name for table in tables for name in table):
        ones = [table.get(name) or {"state": "not seen"} for table in tables]
        values = [None if one["state"] in ("out", "not seen") else one.get("stops") for one in ones]
        found[name] = _series(values, [one.get("uncertainty") for one in ones], "stops", limit)
    return found


def _series(
    values: Sequence[float | None], doubts: Sequence[float | None], unit: str, limit: float
) -> Series:
    places = [at for at, value in enumerate(values) if value is not None]
    seen = [value for value in values if value is not None]
    if not seen:
        return Series(tuple(values), unit, None, None, None)
    doubt = [doubts[at] or 0.0 for at in places]
    middle = statistics.median(seen)
    events = events_of(seen, doubt, limit)
    return Series(
        values=tuple(values),
        unit=unit,
        median=middle,
        spread=spread(seen),
        drift=slope(seen, places) * (places[-1] - places[0]),
        fallen=tuple(
            at
            for at, value, unsure in zip(places, seen, doubt, strict=True)
            if abs(value - middle) - limit > unsure
        ),
        events=tuple(Event(one.kind, places[one.at], one.stops) for one in events),
    )


def typical(records: Sequence[Record]) -> Record | None:
    """Return the counted frame whose patches lie nearest to the take's medians, None without one.

    Parameters
    ----------
    records
        Of one take, oldest first.
    """
    counted = same_size([record for record in records if left_out(record) is None])
    series = _patches(counted, DRIFT_STOPS, steady=False) if counted else {}

    def off(at: int) -> float:
        return sum(
            1.0 if (value := one.values[at]) is None else abs(value - (one.median or 0.0))
            for one in series.values()
        )

    return counted[min(range(len(counted)), key=off)] if counted else None
