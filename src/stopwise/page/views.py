"""What the page shows of a frame, composed once from its record: every part says the same."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from stopwise.comparison.changes import KnownSet, patch_changes
from stopwise.comparison.sides import settings_change, side_of
from stopwise.messages import say, told
from stopwise.page.plan_views import FloorView, Turned, floor_view
from stopwise.report.facts import facts, marked_patches, share, unseen
from stopwise.report.lamp_words import told_at_lamps
from stopwise.report.look import STATE_MARKS, VERDICT_MARKS
from stopwise.report.ruler import ROMAN, Share, ruler_of
from stopwise.wording import shown, signed, tenths

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.findings import Answer, Finding, State
    from stopwise.frame import Box
    from stopwise.lamps.outputs import LampState
    from stopwise.ledger import Kept
    from stopwise.plan.model import Plan
    from stopwise.record import Record
    from stopwise.report.look import Mark
    from stopwise.report.ruler import Ruler, RulerReading

MOST_TAGS = 9
"""Blown areas that get a number on the picture: as many as one digit tells apart."""

_LAMP_MARKS: Mapping[str, Mark] = {
    "fired": STATE_MARKS["holds"],
    "weak": STATE_MARKS["fails"],
    "strong": STATE_MARKS["fails"],
    "out": VERDICT_MARKS["unreadable"],
    "not seen": STATE_MARKS["not seen"],
}
"""The mark of each state that a lamp can be in."""


@dataclass(frozen=True, slots=True)
class Sign:
    """A state with the outline and the colour that stand for it; no outline where none is drawn."""

    state: str | None
    shape: str | None
    role: str


@dataclass(frozen=True, slots=True)
class FindingLine:
    """One finding in words."""

    sign: Sign
    say: str
    do: str


@dataclass(frozen=True, slots=True)
class PatchOnPicture:
    """A patch as it is marked on the picture."""

    name: str
    box: Box
    figure: str
    sign: Sign


@dataclass(frozen=True, slots=True)
class AreaOnPicture:
    """A blown area, its share of the frame in words."""

    box: Box
    share: str


@dataclass(frozen=True, slots=True)
class ShareOnRuler:
    """One zone's bar with its share in words."""

    bar: Share
    words: str


@dataclass(frozen=True, slots=True)
class ZoneName:
    """A zone's number and how it is written."""

    zone: int
    name: str


@dataclass(frozen=True, slots=True)
class ReadingOnRuler:
    """A patch on the ruler, its name safe to show and its figure in words."""

    name: str
    reading: RulerReading
    figure: str
    sign: Sign


@dataclass(frozen=True, slots=True)
class RulerView:
    """The stop ruler, see :class:`stopwise.report.ruler.Ruler`."""

    clip: float
    clipped: str | None
    lanes: int
    zones: tuple[ZoneName, ...]
    shares: tuple[ShareOnRuler, ...]
    readings: tuple[ReadingOnRuler, ...]


@dataclass(frozen=True, slots=True)
class PointOfRun:
    """One patch or lamp in one frame: stops off target or solo, its zone, and what is allowed."""

    off: float | None
    sign: Sign
    zone: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class RunPoint:
    """What the run keeps of a frame."""

    number: int
    file: str
    verdict: Answer
    take: int | None
    patches: Mapping[str, PointOfRun]
    lamps: Mapping[str, PointOfRun]


@dataclass(frozen=True, slots=True)
class StillAsked:
    """What an earlier frame asked for and a later one, which can't be read, says nothing of."""

    number: int
    say: str
    do: str


Call = Literal["misfire", "off plan"]
"""What a frame is called out for, with a sound of its own."""


@dataclass(frozen=True, slots=True)
class FrameView:
    """All that the page shows of a frame but its picture; it follows from the record alone.

    Attributes
    ----------
    number, file, landed_ms
        Which frame, and when it landed, milliseconds since 1970.
    say, do
        The headline.
    call
        What it is called out for; None for nothing.
    pending
        Of an unreadable frame: what is still to be done.
    turned_since
        What takes that began later say was turned, stops by lamp: it stands beside the rest.
    """

    number: int
    file: str
    landed_ms: int
    verdict: Answer
    sign: Sign
    say: str
    do: str
    call: Call | None
    take: int | None
    look: str | None
    pending: StillAsked | None
    turned_since: Turned
    findings: tuple[FindingLine, ...]
    patches: tuple[PatchOnPicture, ...]
    areas: tuple[AreaOnPicture, ...]
    ruler: RulerView
    floor: FloorView | None
    facts: tuple[tuple[str, str], ...]
    run: RunPoint


def frame_view(
    kept: Kept,
    plan: Plan | None = None,
    *,
    turned_since: Turned | None = None,
    before: Kept | None = None,
) -> FrameView:
    """Return what the page shows of a frame.

    Parameters
    ----------
    kept
        The frame.
    plan
        The plan, each lamp at the power where its dial stood then; it places the lamps.
    turned_since
        What was said to be turned since, stops by lamp.
    before
        The last frame before it that was judged; it is looked at where this one can't be read.
    """
    record = kept.record
    line, advice = record.headline
    areas = () if record.clipping is None else record.clipping.areas
    is_blind = record.verdict == "unreadable" and before is not None
    asked = before if is_blind else None
    judged = record if asked is None else asked.record
    mark = VERDICT_MARKS[record.verdict]
    return FrameView(
        number=kept.frame,
        file=shown(record.file),
        landed_ms=kept.landed_ns // 1_000_000,
        verdict=record.verdict,
        sign=Sign(record.verdict, mark.shape, mark.role),
        say=line,
        do=_at_the_page(record, advice),
        call=call_of(record),
        take=record.take,
        look=record.look,
        pending=None if asked is None else _pending(asked),
        turned_since=turned_since or {},
        findings=tuple(_line(one, what) for one, what in told(record.answer)),
        patches=patches_view(record),
        areas=tuple(AreaOnPicture(one.box, share(one.fraction)) for one in areas[:MOST_TAGS]),
        ruler=ruler_view(ruler_of(record)),
        floor=None if plan is None else floor_view(plan, told_at_lamps(plan, judged)),
        facts=(*facts(record), *unseen(record)),
        run=run_point(kept.frame, record),
    )


def patches_view(record: Record) -> tuple[PatchOnPicture, ...]:
    """Return a frame's patches as they are marked on its picture."""
    return tuple(
        PatchOnPicture(
            shown(patch.name),
            patch.box,
            _figure(patch.zone, _off(patch.zone, patch.target)),
            sign_of(patch.state, plain=None),
        )
        for patch in marked_patches(record)
    )


def call_of(record: Record) -> Call | None:
    """Return what a frame is called out for: a lamp that gave no light goes before the rest."""
    if any(finding.is_misfire for finding in record.findings):
        return "misfire"
    return "off plan" if record.verdict == "off plan" else None


def _pending(before: Kept) -> StillAsked | None:
    record = before.record
    if record.verdict != "off plan":
        return None
    return StillAsked(before.frame, *record.headline)


def _at_the_page(record: Record, advice: str) -> str:
    """Return what to do, in the page's own buttons where a command would be named else."""
    worst = record.findings[0] if record.findings else None
    asks = worst is not None and worst.state == "fails" and worst.advice == "ask"
    return "Was that you? Press New take." if asks else advice


def run_point(number: int, record: Record) -> RunPoint:
    """Return what the run of a take keeps of a frame: how far each patch and each lamp is off."""
    return RunPoint(
        number=number,
        file=shown(record.file),
        verdict=record.verdict,
        take=record.take,
        patches={
            shown(reading.name): PointOfRun(
                off=reading.off,
                zone=reading.value,
                low=None if reading.low is None else reading.low - (reading.target or 0.0),
                high=None if reading.high is None else reading.high - (reading.target or 0.0),
                sign=sign_of(reading.state),
            )
            for reading in ruler_of(record).readings
        },
        lamps={
            shown(name): PointOfRun(off=lamp.stops, sign=_lamp_sign(lamp.state))
            for name, lamp in (record.lamps or {}).items()
        },
    )


def _line(finding: Finding, what: str) -> FindingLine:
    return FindingLine(sign_of(finding.state), shown(say(finding)), shown(what))


def sign_of(state: State | None, *, plain: str | None = "disc") -> Sign:
    """Return a state with its mark; without a state the mark is a plain one, or none."""
    mark = None if state is None else STATE_MARKS[state]
    return Sign(state, plain, "rule") if mark is None else Sign(state, mark.shape, mark.role)


def _lamp_sign(state: LampState) -> Sign:
    mark = _LAMP_MARKS[state]
    return Sign(state, mark.shape, mark.role)


def ruler_view(ruler: Ruler) -> RulerView:
    """Return a stop ruler as the page shows it."""
    return RulerView(
        clip=ruler.clip,
        clipped=share(ruler.clipped) if ruler.clipped else None,
        lanes=ruler.lanes,
        zones=tuple(ZoneName(zone, name) for zone, name in enumerate(ROMAN) if zone < ruler.clip),
        shares=tuple(ShareOnRuler(bar, share(bar.fraction)) for bar in ruler.shares),
        readings=tuple(
            ReadingOnRuler(
                shown(reading.name),
                replace(reading, name=shown(reading.name)),
                _figure(reading.value, reading.off),
                sign_of(reading.state, plain=None),
            )
            for reading in ruler.readings
        ),
    )


def _off(zone: float | None, target: float | None) -> float | None:
    return None if zone is None or target is None else zone - target


def _figure(value: float | None, off: float | None) -> str:
    """Return stops off the target with their sign; where there is none, the zone, said to be so."""
    if value is None:
        return "not seen"
    return f"zone {tenths(value)}" if off is None else signed(off)


@dataclass(frozen=True, slots=True)
class PatchDifference:
    """One patch in two frames: both zones, and the change in words."""

    name: str
    before: float | None
    after: float | None
    figure: str


def changes_view(before: Record, after: Record) -> tuple[PatchDifference, ...]:
    """Return what changed in each patch of the later frame, in stops, camera settings taken out."""
    sides = [side_of(record, name="") for record in (before, after)]
    settings = settings_change(sides[0].exposure, sides[1].exposure)
    changes = patch_changes(sides[0], sides[1], settings, KnownSet())
    zones = [{name: one.zone for name, one in side.patches.items()} for side in sides]
    return tuple(
        PatchDifference(
            name=shown(name),
            before=zones[0].get(name),
            after=zones[1].get(name),
            figure="not seen" if change.stops is None else signed(change.stops),
        )
        for name, change in changes.items()
        if name in zones[1]
    )


def settings_stops(before: Record, after: Record) -> float:
    """Return what aperture and ISO did between two frames, in stops of light recorded."""
    return settings_change(before.exposure, after.exposure).flash_stops
