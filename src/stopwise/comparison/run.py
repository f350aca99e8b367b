"""The run of a take: every patch and lamp over its frames, what happened, and to whom it is put."""

from __future__ import annotations

import statistics
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from stopwise.comparison.events import Event, events_of, slope, spread
from stopwise.comparison.sides import left_out, same_size, settings_change
from stopwise.findings import Detail, Finding
from stopwise.measurement.figures import tidy
from stopwise.messages import do, say
from stopwise.record import SCHEMA

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

    from stopwise.codes import Code
    from stopwise.findings import Cause
    from stopwise.record import Record

    Events = Mapping[str, Sequence[Event]]

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
class Flag:
    """What happened in a run, on the frame that caused it: an event, and the finding on it."""

    event: Event
    finding: Finding

    def to_json(self, files: Sequence[str]) -> dict[str, Any]:
        """Return the flag as plain JSON, with the file that it stands on."""
        finding = self.finding
        return {
            "file": files[self.event.at],
            "of": finding.of,
            "what": "frame" if finding.check == "exposure" else finding.check,
            "kind": self.event.kind,
            "stops": self.event.stops,
            "cause": finding.cause,
            "say": say(finding),
            "do": do(finding),
        }


@dataclass(frozen=True, slots=True)
class TakeRun:
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
    records: Sequence[Record], *, limit: float = DRIFT_STOPS, is_steady: bool = False
) -> TakeRun | None:
    """Return the run of a take's records; None where there are none.

    Parameters
    ----------
    records
        Of one take and one look, oldest first.
    limit
        Stops off the median that hold, `[limits] drift` of the plan.
    is_steady
        Whether all lamps burn all the time, so that the shutter dims everything.
    """
    if not records:
        return None
    why = [(record, left_out(record)) for record in records]
    counted = same_size([record for record, reason in why if reason is None])
    kept = {id(record) for record in counted}
    gone = [
        (record.file, reason or "of another size than the others")
        for record, reason in why
        if id(record) not in kept
    ]
    patches = _patches(counted, limit, is_steady=is_steady)
    lamps = _lamps(counted, limit)
    follows = {
        name for record in counted for name, one in record.patches.items() if one.score is not None
    }
    return TakeRun(
        take=records[0].take,
        look=records[0].look,
        files=tuple(record.file for record in counted),
        left_out=tuple(gone),
        patches=patches,
        lamps=lamps,
        flags=(
            *_beyond_light(counted),
            *flags_of(
                {name: one.events for name, one in lamps.items()},
                {name: one.events for name, one in patches.items()},
                follows=follows,
            ),
        ),
        limit=limit,
    )


def _patches(records: Sequence[Record], limit: float, *, is_steady: bool) -> dict[str, Series]:
    changes = [settings_change(records[0].exposure, record.exposure) for record in records]
    gains = [one.steady_stops if is_steady else one.flash_stops for one in changes]
    found = {}
    for name in dict.fromkeys(name for record in records for name in record.patches):
        ones = [record.patches.get(name) for record in records]
        has_zones = any(one is not None and one.zone is not None for one in ones)
        unit = "zone" if has_zones else "log2_y"
        levels = [None if one is None else getattr(one, unit) for one in ones]
        values = [
            None if level is None else level - gain
            for level, gain in zip(levels, gains, strict=True)
        ]
        doubts = [None if one is None else one.uncertainty for one in ones]
        found[name] = _series(values, doubts, unit, limit)
    return found


def _lamps(records: Sequence[Record], limit: float) -> dict[str, Series]:
    tables = [record.lamps or {} for record in records]
    found = {}
    for name in dict.fromkeys(name for table in tables for name in table):
        ones = [table.get(name) for table in tables]
        values = [None if one is None else one.fired_stops for one in ones]
        doubts = [None if one is None else one.uncertainty for one in ones]
        found[name] = _series(values, doubts, "stops", limit)
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


def runs_by_look(
    records: Iterable[Record], *, limit: float = DRIFT_STOPS, is_steady: bool = False
) -> tuple[TakeRun, ...]:
    """Return the runs of a take's records, oldest first, one for each look; see :func:`run_of`."""
    looks: dict[str | None, list[Record]] = {}
    for record in records:
        looks.setdefault(record.look, []).append(record)
    runs = (run_of(of_look, limit=limit, is_steady=is_steady) for of_look in looks.values())
    return tuple(run for run in runs if run is not None)


def typical(records: Sequence[Record]) -> Record | None:
    """Return the counted frame whose patches lie nearest to the take's medians, None without one.

    Parameters
    ----------
    records
        Of one take, oldest first.
    """
    counted = same_size([record for record in records if left_out(record) is None])
    series = _patches(counted, DRIFT_STOPS, is_steady=False) if counted else {}

    def off(at: int) -> float:
        return sum(
            1.0 if (value := one.values[at]) is None else abs(value - (one.median or 0.0))
            for one in series.values()
        )

    return counted[min(range(len(counted)), key=off)] if counted else None


_PLACED = 0.005
"""Fraction of the picture that a sitter's place is sure to."""


def _beyond_light(records: Sequence[Record]) -> Iterator[Flag]:
    """Yield a flag, at his farthest frame, where the sitter goes farther than a spot's light."""
    for name in dict.fromkeys(name for record in records for name in record.lamps or {}):
        spots = [
            (at, lamp.spot)
            for at, record in enumerate(records)
            if (lamp := (record.lamps or {}).get(name)) is not None and lamp.spot is not None
        ]
        for side, way in enumerate((-1.0, 1.0)):
            rooms = [one for _, spot in spots if spot.room and (one := spot.room[side]) is not None]
            went = [(way * spot.away, at) for at, spot in spots if spot.away is not None]
            if not rooms or not went:
                continue
            (far, at), gives = max(went), statistics.median(rooms)
            if far > gives + _PLACED:
                found = Finding("lamp", name, "beyond_light", "fails", far, gives, unit="fraction")
                yield Flag(Event("out", at, 0.0), replace(found, cause="sitter"))


_ALIKE = 0.15
"""Stops within which patches went as one."""

_FEWEST = 3
"""Patches from which that is said once."""


def flags_of(lamps: Events, patches: Events, *, follows: Collection[str]) -> tuple[Flag, ...]:
    """Return the flags of a run, oldest first.

    Parameters
    ----------
    lamps, patches
        What happened to each; a lamp's events come from its outputs against its solo.
    follows
        Patches that go with the sitter.

    Returns
    -------
    tuple of Flag
        What a lamp did is said once, at the lamp. A patch that changed while all lamps were steady
        is put down to the sitter, if it goes with him. All patches together, with no solos, is one
        flag.
    """
    found = [_flag("lamp", name, event, "lamp") for name, ones in lamps.items() for event in ones]
    taken = {(event.at, event.stops > 0) for ones in lamps.values() for event in ones}
    drifts = {one.stops > 0 for ones in lamps.values() for one in ones if one.kind == "drift"}
    common = (
        [] if lamps else [_flag("exposure", "frame", one, "unknown") for one in _common(patches)]
    )
    together = {flag.event.at for flag in common}
    found += common
    for name, events in patches.items():
        cause: Cause = "sitter" if lamps and name in follows else "unknown"
        for event in events:
            is_of_drift = event.kind == "drift" and (event.stops > 0) in drifts
            is_told = (event.at, event.stops > 0) in taken or event.at in together
            if not (is_told or is_of_drift):
                found.append(_flag("patch", name, event, cause, lamps_steady=bool(lamps)))
    return tuple(
        sorted(
            found,
            key=lambda flag: (flag.event.at, flag.finding.check != "exposure", flag.finding.check),
        )
    )


def _common(patches: Events) -> Iterator[Event]:
    """Yield one event for each frame at which at least three patches, and all, went alike."""
    if len(patches) >= _FEWEST:
        for event in next(iter(patches.values())):
            if all(
                any(one.at == event.at and abs(one.stops - event.stops) <= _ALIKE for one in events)
                for events in patches.values()
            ):
                yield event


_CODES: Mapping[str, Code] = {"out": "single", "step": "step", "drift": "drift"}


def _flag(
    check: Literal["lamp", "patch", "exposure"],
    of: str,
    event: Event,
    cause: Cause,
    *,
    lamps_steady: bool | None = None,
) -> Flag:
    finding = Finding(
        check=check,
        of=of,
        code=_CODES[event.kind],
        state="fails",
        measured=event.stops,
        cause=cause,
        advice="leave_lamps" if cause == "sitter" else None,
        detail=Detail(lamps_steady=lamps_steady),
    )
    return Flag(event, finding)
