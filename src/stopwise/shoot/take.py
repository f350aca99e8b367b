"""The take that is on: what each lamp is expected to give, which frames count, silent turns."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace
from statistics import median
from typing import TYPE_CHECKING

from stopwise.findings import Detail, Finding, verdict_of
from stopwise.lamps.outputs import LEAST_OFF, RUN_FRAMES, expect
from stopwise.lamps.recycling import SAME_STOPS, Shot, recycling, weak_after_short_wait
from stopwise.verdict.lamp_causes import with_likely_out

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from stopwise.codes import Code
    from stopwise.lamps.outputs import LampReading
    from stopwise.plan.model import Plan
    from stopwise.plan.now import PlanNow
    from stopwise.record import Record

    Readings = Mapping[str, LampReading]


def lit_in(record: Record) -> tuple[str, ...] | None:
    """Return the lamps that gave light in a frame.

    Returns
    -------
    tuple of str or None
        None without solos, where a lamp isn't seen, or where one that was meant to fire did not:
        that is called by itself.
    """
    states = {name: one.state for name, one in (record.lamps or {}).items()}
    if not states or "not seen" in states.values() or misfires(record):
        return None
    return tuple(name for name, state in states.items() if state != "out")


def is_full(record: Record, plan: Plan | None, said: Sequence[str] | None) -> bool:
    """Tell whether a frame of the plan's own look shows all its lamps lit.

    By solos of all lamps; without them a frame on plan does, while no lamp is meant to be off.
    """
    if plan is None or not plan.lights or record.look is not None:
        return False
    names = {light.name for light in plan.lights}
    if names <= set(record.lamps or {}):
        return set(lit_in(record) or ()) >= names
    return said is None and record.verdict == "on plan"


def lit_words(
    record: Record,
    lit: Sequence[str],
    said: Sequence[str] | None,
    *,
    lamps: Collection[str] = (),
) -> str:
    """Return which of the plan's lamps are lit, and which were said to be where that differs.

    With no `lamps` the plan has those that the record knows.
    """
    known = set(record.lamps or {})
    names = "all lamps" if set(lit) == known | set(lamps) else ", ".join(lit) or "no lamp"
    other = said is not None and set(said) & known != set(lit)
    told = f"; said were {', '.join(said)}" if other and said else ""
    return f"Lit in {record.file}: {names}{told}."


def readings_of(record: Record, lit: Sequence[str] | None = None) -> dict[str, LampReading]:
    """Return what a record says of the lamps that are meant to be lit; {} where it says nothing."""
    lamps = record.lamps or {}
    return {name: one for name, one in lamps.items() if lit is None or name in lit}


def misfires(record: Record) -> bool:
    """Tell whether a lamp that was meant to fire didn't, or none did."""
    return any(finding.is_misfire for finding in record.findings)


def lamp_finding(
    name: str,
    reading: LampReading,
    planned: float,
    *,
    dial: str | None = None,
    code: Code | None = None,
    since_s: float | None = None,
) -> Finding:
    """Return the failed finding on a lamp that isn't what its take expects.

    Parameters
    ----------
    name, reading
        The lamp, and what it gave.
    planned
        What is expected of it, stops against its solo.
    dial
        Where its dial is to stand, as its pack shows it; None where nobody knows.
    code
        What is to be said; None for weak or strong.
    since_s
        Seconds since the frame before, for a lamp that wasn't ready.
    """
    off: Code = "strong" if (reading.stops or 0.0) > planned else "weak"
    return Finding(
        check="lamp",
        of=name,
        code=code or off,
        state="fails",
        measured=reading.stops,
        planned=planned,
        within=(-LEAST_OFF, LEAST_OFF),
        uncertainty=reading.uncertainty,
        cause="lamp",
        detail=Detail(since_s=since_s, shown=dial),
    )


def with_lamp_findings(record: Record, findings: Sequence[Finding]) -> Record:
    """Return a record with what the run says of lamps, and no turn of those lamps.

    A lamp that is off its own run is mended where it stands, and not by turning what it gives.
    """
    if not findings:
        return record
    kept = record.without_turns({finding.of for finding in findings})
    return record.with_verdict(verdict_of([*findings, *kept.findings], kept.turns))


LEAST_STEP = 0.2
"""Stops from which a step that nobody announced is asked about."""

STEADY = 0.1
"""Stops that a lamp's last frames may lie apart before a step of it can be told."""

_ALIKE = 0.15
"""Stops within which two frames show the same step."""

_LEAST_TURN = 0.3
"""Turns smaller than this can't be told from no turn."""

_LONGEST_RECYCLE_S = 10.0
"""Any pack is ready again after this (common practice): a weak lamp has another cause."""

_TWO = 2  # frames that must show a step of a lamp
_KEPT = 60  # frames of a take whose lamps are held: medians move little after that
_IN_BRIEF = 24  # newest of them that go to a worker with each frame


@dataclass(frozen=True, slots=True)
class Begun:
    """How a take began.

    Attributes
    ----------
    number
        The take's number; None before the first.
    base
        What each lamp gave before it, stops against its solo.
    turned
        What was said to be turned.
    """

    number: int | None = None
    base: Mapping[str, float] = field(default_factory=dict)
    turned: Mapping[str, float] = field(default_factory=dict)

    @property
    def said(self) -> dict[str, float] | None:
        """What each lamp is expected to give; None where nobody has said anything."""
        if self.number is None:
            return None
        lamps = {*self.base, *self.turned}
        return {name: self.base.get(name, 0.0) + self.turned.get(name, 0.0) for name in lamps}


@dataclass(frozen=True, slots=True)
class Offer:
    """A step that nobody announced."""

    lamp: str
    stops: float

    @property
    def words(self) -> str:
        """The question."""
        way = "down" if self.stops < 0 else "up"
        return f"{self.lamp[:1].upper()}{self.lamp[1:]} {way} {abs(self.stops):.1f}: was that you?"


@dataclass(frozen=True, slots=True)
class Seen:
    """What a frame means to the run.

    Attributes
    ----------
    counts
        Whether it counts in the run; None where it says nothing of the lamps.
    findings
        What is to be said of lamps.
    offer
        A step that is to be asked about.
    """

    counts: bool | None = None
    findings: tuple[Finding, ...] = ()
    offer: Offer | None = None


class Run:
    """One take's frames.

    Parameters
    ----------
    begun
        How the take began.
    """

    def __init__(self, begun: Begun | None = None) -> None:
        self.begun = begun or Begun()
        self._counted: deque[Readings] = deque(maxlen=_KEPT)
        self._old: deque[Readings] = deque(maxlen=RUN_FRAMES)
        self._shots: deque[Shot] = deque(maxlen=_KEPT)
        self._patches: deque[Record] = deque(maxlen=_IN_BRIEF)
        self._offered: set[tuple[str, bool]] = set()

    @property
    def readings(self) -> tuple[Readings, ...]:
        """What lamps gave in the frames that count, as a brief carries it: within a take only."""
        return () if self.begun.number is None else tuple(self._counted)[-_IN_BRIEF:]

    def gave(self) -> dict[str, float]:
        """Return what each lamp gave last, stops against its solo."""
        frames = self._newest
        names = dict.fromkeys(name for frame in frames for name in frame)
        now = {name: gave for name in names if (gave := _gave(name, frames)) is not None}
        return {**(self.begun.said or {}), **now}

    def doubt(self, name: str) -> float:
        """Return the uncertainty of what a lamp gave last, stops; 0 where no frame has shown it."""
        last = (one for frame in reversed(self._newest) if (one := frame.get(name)) is not None)
        return next((one.uncertainty or 0.0 for one in last if one.fired_stops is not None), 0.0)

    @property
    def _newest(self) -> list[Readings]:
        """The newest frames that count; else those that show twice that a turn wasn't made."""
        old = list(self._old)
        return list(self._counted)[-RUN_FRAMES:] or (old if len(old) >= _TWO else [])

    def with_likely_out(self, record: Record, targets: PlanNow) -> Record:
        """Return a record with the lamp that likely did not fire, where no solo says which did.

        Within a take only: while a set is built, lamps are turned and capped as one likes.
        """
        earlier = () if self.begun.number is None else tuple(self._patches)
        return with_likely_out(record, earlier, targets)

    def see(
        self,
        record: Record,
        *,
        lit: Sequence[str] | None = None,
        since_s: float | None = None,
        plan: Plan | None = None,
    ) -> Seen:
        """Take in the next frame that is held against the plan.

        Parameters
        ----------
        record
            Its record.
        lit
            Lamps that are meant to be lit; None for all.
        since_s
            Seconds since the frame before; None where that isn't known.
        plan
            Gives the steps of the lamps' packs.
        """
        readings = readings_of(record, lit)
        if misfires(record):
            return Seen(counts=False)
        self._patches.append(record)
        if not readings:
            return Seen()
        old = self._still_old(readings, plan)
        if old:
            self._old.append(readings)
            return Seen(counts=False, findings=tuple(old))
        slow = self._not_ready(readings, since_s)
        self._shots.append(Shot(since_s, readings))
        if slow:
            return Seen(counts=False, findings=tuple(slow))
        offer = self._step(readings, plan)
        findings = tuple(
            replace(one, advice="ask") if offer is not None and one.of == offer.lamp else one
            for one in self._off(readings, plan)
        )
        self._counted.append(readings)
        return Seen(counts=True, findings=findings, offer=offer)

    def _still_old(self, readings: Readings, plan: Plan | None) -> list[Finding]:
        """Return the lamps that were turned and gave what they gave before.

        One turned down may not have been dumped yet: the first frame does that.
        """
        if self._counted:
            return []
        said = self.begun.said or {}
        return [
            lamp_finding(
                name,
                readings[name],
                said[name],
                dial=self._dial(name, plan),
                code="not_dumped" if turned < 0 and not self._old else "old_power",
            )
            for name, turned in self.begun.turned.items()
            if abs(turned) >= _LEAST_TURN
            and name in readings
            and (stops := readings[name].stops) is not None
            and abs(stops - (said[name] - turned)) <= SAME_STOPS
        ]

    def _dial(self, name: str, plan: Plan | None) -> str | None:
        """Return where the take left a dial, as its pack shows it; None where nobody knows."""
        light, said = plan and plan.light(name), (self.begun.said or {}).get(name, 0.0)
        if not light or light.power is None:
            return None
        return light.power_shown(light.power + round(said / light.step) * light.step)

    def _not_ready(self, readings: Readings, since_s: float | None) -> list[Finding]:
        """Return the lamps that fired too soon after the frame before to be ready."""
        if since_s is None or since_s >= _LONGEST_RECYCLE_S:
            return []
        shots = [*self._shots, Shot(since_s, readings)]
        found = []
        for name, reading in readings.items():
            wanted = expect(name, self.begun.said, self.readings)
            if wanted.known and weak_after_short_wait(
                reading, since_s, recycling(shots, name), expected_stops=wanted.stops
            ):
                found.append(
                    lamp_finding(name, reading, wanted.stops, code="not_ready", since_s=since_s)
                )
        return [] if self._is_held(found, readings) else found

    def _is_held(self, found: Sequence[Finding], readings: Readings) -> bool:
        """Tell whether the frame before was as weak: a step that stays is a turn."""
        if not found or not self._shots:
            return False
        before = self._shots[-1].lamps
        return all(_same(before.get(one.of), readings.get(one.of)) for one in found)

    def _off(self, readings: Readings, plan: Plan | None) -> list[Finding]:
        return [
            lamp_finding(
                name,
                reading,
                expect(name, self.begun.said, self.readings).stops,
                dial=self._dial(name, plan),
            )
            for name, reading in readings.items()
            if reading.state in ("weak", "strong")
        ]

    def _step(self, readings: Readings, plan: Plan | None) -> Offer | None:
        """Return the step of a lamp that this frame and the one before both show."""
        if len(self._shots) < _TWO:
            return None
        before = self._shots[-_TWO].lamps
        earlier = [frame for frame in self._counted if frame is not before]
        for name, reading in readings.items():
            level = self._level(name, earlier)
            step = None if level is None else _step_of(level, before.get(name), reading)
            if step is None or (name, step > 0) in self._offered:
                continue
            self._offered.add((name, step > 0))
            light = None if plan is None else plan.light(name)
            size = 0.1 if light is None else light.step
            return Offer(name, round(round(step / size) * size, 3))
        return None

    def _level(self, name: str, earlier: Sequence[Readings]) -> float | None:
        """Return the steady output that a step is told from; None where there is none.

        It is the lamp's last frames, or, early in a take, what the take began with once a frame has
        shown it.
        """
        seen = [
            stops
            for frame in list(earlier)[-RUN_FRAMES:]
            if name in frame and (stops := frame[name].stops) is not None
        ]
        if len(seen) < RUN_FRAMES:
            began = (self.begun.said or {}).get(name)
            seen = [*seen, began] if seen and began is not None else []
        return median(seen) if seen and max(seen) - min(seen) <= STEADY else None


def _step_of(level: float, before: LampReading | None, now: LampReading) -> float | None:
    """Return the step between a lamp's steady output and the last two frames; None without one."""
    if before is None or before.stops is None or now.stops is None or not _same(before, now):
        return None
    steps = [before.stops - level, now.stops - level]
    doubt = 2.0 * max(before.uncertainty or 0.0, now.uncertainty or 0.0)
    if min(abs(step) for step in steps) < max(LEAST_STEP, doubt) or steps[0] * steps[1] < 0:
        return None
    return sum(steps) / 2.0


def _same(one: LampReading | None, other: LampReading | None) -> bool:
    if one is None or other is None or one.stops is None or other.stops is None:
        return False
    return abs(one.stops - other.stops) <= _ALIKE


def _gave(name: str, frames: Sequence[Readings]) -> float | None:
    """Return a lamp's last output: the median of the last frames, as far as they are like it."""
    stops = [
        reading.stops
        for frame in frames
        if (reading := frame.get(name)) is not None
        and reading.stops is not None
        and reading.state not in ("out", "not seen")
    ]
    return median(one for one in stops if abs(one - stops[-1]) <= _ALIKE) if stops else None
