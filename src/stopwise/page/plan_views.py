"""What the page shows of the plan and of what was said: floor, what can be drawn, what holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.page.plan_edits import PatchValues, backdrop_boxes
from stopwise.plan.floor import floor_of_plan
from stopwise.plan.model import SINGLE_ROLES
from stopwise.plan.now import plan_now
from stopwise.report.lamp_words import LampWords
from stopwise.shoot.awaited_parts import awaiting_now
from stopwise.shoot.saying import TakeSaid
from stopwise.shoot.standing import DialNow, offered_turn, worn_and_lit
from stopwise.wording import shown

if TYPE_CHECKING:
    from collections.abc import Iterable

    from stopwise.frame import Box
    from stopwise.ledger import Ledger, Take
    from stopwise.plan.floor import Spot
    from stopwise.plan.model import Plan

Turned = Mapping[str, float]
"""What was said to be turned, stops by lamp."""

Metres = tuple[float, float]
"""On the floor, from the sitter: to camera right, and towards the camera."""


@dataclass(frozen=True, slots=True)
class LampOnFloor:
    """One lamp: where it stands, what to do there in words, and whether anything is."""

    name: str
    short: str
    at: Metres
    aim: Metres
    beam: float
    is_placed: bool
    told: str
    told_there: str
    is_called: bool


@dataclass(frozen=True, slots=True)
class PanelOnFloor:
    """A flag, board or scrim."""

    kind: str
    at: Metres


@dataclass(frozen=True, slots=True)
class FloorView:
    """The set from above; the paper's half width and how far behind the sitter it hangs."""

    camera: Metres
    paper: Metres
    panels: tuple[PanelOnFloor, ...]
    lamps: tuple[LampOnFloor, ...]


def floor_view(plan: Plan, told: Mapping[str, LampWords]) -> FloorView:
    """Return the set from above with what is told at each lamp, by the plan's names."""
    floor = floor_of_plan(plan)
    return FloorView(
        camera=_metres(floor.camera),
        paper=(floor.paper_half, -floor.paper_y),
        panels=tuple(PanelOnFloor(one.kind, _metres(one.at)) for one in floor.panels),
        lamps=tuple(
            LampOnFloor(
                name=shown(lamp.name),
                short=shown(lamp.short),
                at=_metres(lamp.at),
                aim=_metres(lamp.aim),
                beam=lamp.beam,
                is_placed=lamp.is_placed,
                told=told[lamp.name].words,
                told_there=told[lamp.name].there,
                is_called=told[lamp.name].is_called,
            )
            for lamp in floor.lamps
        ),
    )


def _metres(spot: Spot) -> Metres:
    return spot.x, -spot.y


@dataclass(frozen=True, slots=True)
class DrawnPatch:
    """A patch that can be drawn, and the look that it is of; None for the plan's own."""

    values: PatchValues
    look: str | None


@dataclass(frozen=True, slots=True)
class Said:
    """What was said to the watch and holds.

    Attributes
    ----------
    look, lit
        The look that is worn, None for the plan's own targets; the lamps that are meant to be lit,
        None for all.
    awaited
        Parts that the next frames play.
    noticed
        The turn that is asked about, as it is said; "" for none.
    turned
        What each take said was turned, by its number.
    """

    look: str | None
    lit: tuple[str, ...] | None
    awaited: tuple[str, ...]
    noticed: str
    turned: Mapping[int, Turned]


@dataclass(frozen=True, slots=True)
class PlanView:
    """The plan as the page edits it and asks about it.

    Attributes
    ----------
    is_there
        Whether there is one.
    look
        The look whose patches these are.
    patches, backdrop
        What can be drawn.
    marks
        Parts that one frame of the plan has, by the word that asks for them.
    lights, looks
        Their names.
    parts
        The frame that plays each part, as the plan names it.
    floor
        The set before any frame: each lamp with the power that it is at.
    said
        What holds.
    """

    is_there: bool
    look: str | None
    patches: tuple[DrawnPatch, ...]
    backdrop: tuple[Box, ...]
    marks: tuple[str, ...]
    lights: tuple[str, ...]
    looks: tuple[str, ...]
    parts: Mapping[str, str]
    floor: FloorView | None
    said: Said


def plan_view(
    plan: Plan | None,
    ledger: Ledger,
    *,
    look: str | None = None,
    dials: Mapping[str, DialNow] | None = None,
) -> PlanView:
    """Return what the page needs of a plan.

    Parameters
    ----------
    plan
        The plan, each lamp at its power now; None has nothing.
    ledger
        What was said.
    look
        The look whose patches are drawn, in place of those that don't stay with the set.
    dials
        Where dials stand now, as said and as read, by lamp.
    """
    said = said_now(ledger)
    if plan is None:
        return PlanView(False, None, (), (), SINGLE_ROLES, (), (), {}, None, said)  # noqa: FBT003 - there is none
    looks = {one.name: one for one in plan.looks}
    worn = look if look in looks else None
    own = () if worn is None else looks[worn].patches
    planned = {
        one.name: DialNow(one.power, one.power) for one in plan.lights if one.power is not None
    }
    stands = {**planned, **(dials or {})}
    powers = {
        light.name: f"at {stands[light.name].words(light)}" if light.name in stands else ""
        for light in plan.lights
    }
    return PlanView(
        is_there=True,
        look=worn,
        patches=tuple(
            DrawnPatch(PatchValues.of(patch), worn if patch in own else None)
            for patch in plan_now(plan, look=worn).measured
        ),
        backdrop=backdrop_boxes(plan),
        marks=SINGLE_ROLES,
        lights=tuple(powers),
        looks=tuple(looks),
        parts={
            part.asked: shown(frame.words)
            for part in plan.parts
            if (frame := plan.frames.of(part)) is not None
        },
        floor=floor_view(plan, {name: LampWords(words) for name, words in powers.items()}),
        said=said,
    )


def said_now(ledger: Ledger) -> Said:
    """Return what was said to a watch and holds, as its ledger has it."""
    look, lit = worn_and_lit(ledger)
    return Said(
        look=look,
        lit=lit,
        awaited=awaiting_now(ledger).left,
        noticed=TakeSaid(offered_turn(ledger)).words,
        turned={take.number: take.turned for take in ledger.takes.all()},
    )


def turned_after(takes: Iterable[Take], number: int | None) -> Turned:
    """Return what takes after the one of a number said was turned, summed by lamp."""
    found: dict[str, float] = {}
    for take in takes:
        if take.number > (number or 0):
            for lamp, stops in take.turned.items():
                found[lamp] = round(found.get(lamp, 0.0) + stops, 3)
    return {lamp: stops for lamp, stops in found.items() if stops}


def plan_then(plan: Plan | None, turned: Turned) -> Plan | None:
    """Return the plan with each lamp's power as it was before something was turned."""
    if plan is None or not turned:
        return plan
    return plan.at_powers(
        {
            light.name: light.power - turned[light.name]
            for light in plan.lights
            if light.power is not None and light.name in turned
        }
    )
