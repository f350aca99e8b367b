"""Dialling on set: a plan's solos, where dials stand, the answer, and trials that are kept."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING

from pydantic import TypeAdapter

from stopwise.errors import PathMissing, StopwiseError, WrongUse
from stopwise.grid import combine
from stopwise.lamps.dial import Dials
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.solo_checks import check_solos
from stopwise.lamps.solos import at_exposure, find_places, lamp_set
from stopwise.lamps.trial import (
    LightChanges,
    Trial,
    let_through,
)
from stopwise.pipeline.plan_frames import PlanFrames, Remembered, anchor_of
from stopwise.pipeline.solo_pictures import kept_picture
from stopwise.plan import load_plan
from stopwise.plan.loading import read_bytes
from stopwise.plan.model import FramePart, MarkedFrame
from stopwise.plan.now import of_the_set, plan_now
from stopwise.shoot.look_frames import solo_looks
from stopwise.shoot.standing import DialNow, Standing

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping
    from pathlib import Path

    from stopwise.grid import LightGrid
    from stopwise.lamps.dial import Dial
    from stopwise.lamps.power_search import Knob
    from stopwise.lamps.solos import LampSet
    from stopwise.ledger import Ledger
    from stopwise.plan.model import Gel, Plan
    from stopwise.plan.now import PlanNow


@dataclass(frozen=True, eq=False, slots=True)
class Dialling:
    """One dialled answer and what it was made from.

    Attributes
    ----------
    answer
        The powers, what they give, and what stays unmet.
    notes
        What is to be said of the solos.
    plan
        The plan, each lamp at the power that it has now.
    """

    answer: Dial
    notes: tuple[LampNote, ...]
    plan: Plan

    @property
    def is_met(self) -> bool:
        """Whether every target is met, surely enough to be promised; none is left unknown."""
        is_known = all(note.code != "other look" for note in self.notes)
        return is_known and not self.answer.unmet and not self.answer.unsure

    @property
    def sentences(self) -> tuple[str, ...]:
        """What else is to be said, a sentence or two each: of solos, and of lamps."""
        return tuple(dict.fromkeys(note.words for note in (*self.notes, *self.answer.notes)))


@dataclass(frozen=True, eq=False, slots=True)
class ReadyDials:
    """A plan's dials, read from its solos once, to be turned any number of times.

    Attributes
    ----------
    dials
        What answers.
    lamps
        The solos.
    notes
        What is to be said of the solos.
    plan
        The plan, each lamp at the power that it has now.
    changes
        What may be tried besides power.
    stands
        Stops at which each lamp stands now from its solo.
    now
        What holds now: where the solos show other clothes, of what stays with the set.
    full
        The frame under all lamps, as its solos stand; None without, or where lamps were turned.
    drawn
        Returns the solos as fine as a screen shows them, out of a ledger; None unless it keeps all.
    """

    dials: Dials
    lamps: LampSet
    notes: tuple[LampNote, ...]
    plan: Plan
    changes: LightChanges
    stands: Mapping[str, float]
    now: PlanNow
    full: LightGrid | None = None
    drawn: Callable[[Ledger], LampSet | None] = lambda _: None
    _lit: Remembered[Dials] = field(default_factory=Remembered)

    def solved(self) -> Dialling:
        """Return the powers that best meet the plan."""
        return Dialling(self.dials.solved(), self.notes, self.plan)

    def tried(
        self, trial: Trial, *, held: Collection[int] = (), by: Collection[str] = ()
    ) -> Dialling:
        """Return what a trial would give, see :meth:`stopwise.lamps.dial.Dials.tried`.

        Raises
        ------
        WrongUse
            Where that can't be known from the solos, with why.
        """
        besides = replace(trial, turns={})
        dials = self._lit.of(besides, make=lambda: self._dials_of(besides))
        return Dialling(dials.tried(trial.turns, held=held, by=by), self.notes, self.plan)

    def _dials_of(self, besides: Trial) -> Dials:
        if besides == Trial():
            return self.dials
        lamps = self.changes.relit(besides)
        return Dials(lamps, self.now, stands=self.stands, trial=besides)


def prepare_dials(
    path: Path,
    *,
    keep: Collection[str] = (),
    look: str | None = None,
    ledger: Ledger | None = None,
    retargeted: Callable[[Plan], Plan] | None = None,
) -> ReadyDials:
    """Read the solos that a plan names, and stand its dials as they stand on set.

    Notes say which lamps were turned and nobody said so, which stand where frames read them, and
    whose solos show other clothes than those that are worn.

    Parameters
    ----------
    path
        The plan.
    keep
        Lamps that aren't to be turned.
    look
        Name of the look that is worn.
    ledger
        Where reduced solos may be kept and the day says where dials stand; None decodes every solo,
        and stands dials as their solos were shot.
    retargeted
        Puts other targets in the place of the plan's own: what an earlier take showed.

    Raises
    ------
    WrongUse
        If the plan names no solo, has no target, or a solo can't be used.
    PathMissing
        If a frame that it names isn't there.
    Unreadable
        If one gives no pixels.
    """
    plan = load_plan(path) if retargeted is None else retargeted(load_plan(path))
    if not plan.frames.solo:
        listed = ", ".join(light.name for light in plan.lights) or "key"
        msg = f"{path} names no solo. Shoot each lamp alone and mark it: stopwise expect {listed}"
        raise WrongUse(msg)
    _check_look(plan, look, path)
    targets = plan_now(plan, look=look)
    frames = PlanFrames(ledger)
    reader = partial(frames.light, targets=targets, look=look)
    folder = path.parent
    _refuse_missing(plan, folder)
    anchor = anchor_of(plan, folder)
    named = plan.frames.ambient
    ambient = None if named is None else reader(folder / named)
    solos = {
        str(one.part.lamp): frames.own(
            one, folder, targets, look=look, anchor=anchor, ambient=ambient
        ).light
        for one in _in_order(plan)
    }
    clothes = _other_clothes({} if ledger is None else solo_looks(ledger), solos, look)
    stands: dict[str, float] = {}
    silent: list[LampNote] = []
    if ledger is not None:
        newest = [frames.hashes[folder / one.file] for one in plan.frames.solos]
        standing = Standing(ledger, lambda _: None)
        stands = standing.from_solos(plan, newest)
        silent = _not_said(standing, plan)
    turned = {lamp: stops for lamp, stops in stands.items() if stops}
    # a lamp that was turned and back may have stood elsewhere in the reference
    full = None if stands or look else _full(reader, plan, folder, solos)
    notes = check_solos(solos, ambient, plan, full=full)
    if ledger is None:
        # nobody knows what was turned between the solos and the reference
        notes = tuple(replace(n, is_doubted=n.code == "overfed") for n in notes)
    _refuse(notes)
    plan = _as_it_stands(plan, turned)
    lamps = lamp_set(
        solos,
        ambient,
        continuous=_steady(plan),
        places=find_places(solos, frames.sought(anchor, targets, look)),
    )
    worn = plan_now(plan, look=look)
    now = of_the_set(worn) if clothes else worn
    dials = Dials(lamps, now, stands=turned, keep=keep)
    through = {
        gel.name: stops
        for gel in plan.gels
        if (stops := let_through(gel, lamps, _under_gel(gel, reader, folder, ambient))) is not None
    }
    drawn = partial(_pictures, plan=plan, folder=folder, solos=solos, ambient=ambient)
    changes = LightChanges(plan, lamps, through)
    told = (*notes, *silent, *clothes)
    return ReadyDials(dials, lamps, told, plan, changes, turned, now, full, drawn)


def _not_said(standing: Standing, plan: Plan) -> list[LampNote]:
    """Return a note of each lamp that frames read elsewhere than anybody said that it stands."""
    silent = standing.silent(plan)
    return [
        LampNote("not said", light.name, (silent[light.name].words(light),))
        for light in plan.lights
        if light.name in silent
    ]


def _other_clothes(
    shot_in: Mapping[str, str | None], solos: Iterable[str], look: str | None
) -> list[LampNote]:
    """Return a note of the lamps whose solos show other clothes than those that are worn."""
    others = tuple(lamp for lamp in solos if shot_in.get(lamp) != look)
    return [LampNote("other look", look or "the plan's own", names=others)] if others else []


_silent: Remembered[dict[str, DialNow]] = Remembered()


def state_on_set(path: Path, ledger: Ledger | None) -> tuple[object, ...]:
    """Return what a plan's dials on set hang on, to be compared with what it was; hashable."""
    plan = read_bytes(path)
    if ledger is None:
        return (plan,)
    heard = (plan, tuple(map(repr, ledger.takes.all())), ledger.frames.last_landed_ns())
    standing = partial(Standing, ledger, lambda _: None)
    silent = _silent.of(*heard, make=lambda: standing().silent(load_plan(path)))
    return (*heard[:2], *silent.items())


def _pictures(
    ledger: Ledger,
    *,
    plan: Plan,
    folder: Path,
    solos: Mapping[str, LightGrid],
    ambient: LightGrid | None,
) -> LampSet | None:
    """Return the solos as fine as a screen shows them; None unless all of them are kept so."""

    def picture_of(one: MarkedFrame, light: LightGrid) -> LightGrid | None:
        return kept_picture(ledger, one, folder, plan_now(plan), light)

    room = None
    if plan.frames.ambient is not None and ambient is not None:
        room = picture_of(MarkedFrame(FramePart("ambient"), plan.frames.ambient), ambient)
    found = {}
    for one in _in_order(plan):
        lamp = str(one.part.lamp)
        picture = picture_of(one, solos[lamp])
        if picture is None or (room is None) != (ambient is None):
            return None
        if one.less is not None and room is not None:  # which holds no ambient any more
            here = at_exposure(room, picture.exposure, shutter=True)
            picture = combine([picture, here], [1.0, 1.0])
        found[lamp] = picture
    return lamp_set(found, room, continuous=_steady(plan))


def _steady(plan: Plan) -> list[str]:
    return [light.name for light in plan.lights if light.kind == "continuous"]


def _check_look(plan: Plan, look: str | None, path: Path) -> None:
    known = [one.name for one in plan.looks]
    if look is not None and look not in known:
        msg = f"{path} has no look {look!r}. It has: {', '.join(known) or 'none'}."
        raise WrongUse(msg)


def _in_order(plan: Plan) -> list[MarkedFrame]:
    """Return the solos in the plan's order of lamps."""
    order = [light.name for light in plan.lights]
    return sorted(plan.frames.solos, key=lambda one: order.index(str(one.part.lamp)))


def _refuse_missing(plan: Plan, folder: Path) -> None:
    """Stop where a solo or the ambient frame isn't there.

    Raises
    ------
    PathMissing
        With what it is in the plan.
    """
    for one in plan.frames.marked:
        for name in one.files if one.part.role in ("solo", "ambient") else ():
            if not (folder / name).exists():
                lamp = one.part.lamp
                what = "the ambient frame" if lamp is None else f"the {lamp} solo"
                msg = (
                    f"{folder / name} isn't there: the plan names it as {what}. "
                    f"Mark the frame again, or shoot it anew: stopwise expect {one.part.asked}"
                )
                raise PathMissing(msg)


def _full(
    reader: Callable[[Path], LightGrid], plan: Plan, folder: Path, solos: Mapping[str, LightGrid]
) -> LightGrid | None:
    """Return the light of the reference, a frame under all lamps; None where it can't be read."""
    name = plan.frames.reference
    if name is None or not (folder / name).exists():
        return None
    try:
        light = reader(folder / name)
    except StopwiseError:
        return None
    same = all(solo.fits(light) for solo in solos.values())
    return light if same else None


def _under_gel(
    gel: Gel, reader: Callable[[Path], LightGrid], folder: Path, ambient: LightGrid | None
) -> LightGrid | None:
    """Return the light of a gel's frame, without the ambient; None where it can't be read."""
    if gel.frame is None or gel.stops is not None:
        return None
    try:
        return lamp_set({gel.name: reader(folder / gel.frame)}, ambient).nets[gel.name]
    except (StopwiseError, ValueError):
        return None


def _refuse(notes: Iterable[LampNote]) -> None:
    """Stop at solos that can't be used: without their light every prediction would be wrong.

    Raises
    ------
    WrongUse
        With what is wrong with each, and what to do.
    """
    refused = [note.words for note in notes if note.is_refused]
    if refused:
        raise WrongUse("\n".join(refused))


def _as_it_stands(plan: Plan, turned: Mapping[str, float]) -> Plan:
    """Return the plan with each lamp at the power that takes have turned it to."""
    return plan.at_powers(
        {
            light.name: round(light.power + turned[light.name], 4)
            for light in plan.lights
            if light.power is not None and light.name in turned
        }
    )


_TRIALS = "trials"
"""Setting of the ledger."""

MOST_TRIALS = 24
"""Trials that are kept: more than anybody compares; the oldest goes."""

_LONGEST = 80
"""Characters of a name, as of a lamp's."""


@dataclass(frozen=True, slots=True)
class KeptTrial:
    """A trial as it is kept, so that turns made since are no part of it.

    Attributes
    ----------
    name
        As a person calls it.
    dials
        Where each lamp's dial stands then: stops below full, or from its solo where the plan
        doesn't say its power.
    besides
        What is tried besides power.
    zones
        Zone of each patch that it promised.
    """

    name: str
    dials: dict[str, float]
    besides: Trial
    zones: dict[str, float]

    @classmethod
    def of(cls, name: str, trial: Trial, answer: Dial, knobs: Iterable[Knob]) -> KeptTrial:
        """Return what is to be kept of a trial and its answer.

        Raises
        ------
        WrongUse
            If the name is none.
        """
        plain = name.strip()
        if not plain or len(plain) > _LONGEST or not plain.isprintable():
            msg = f"A trial's name is one line of 1 to {_LONGEST} characters."
            raise WrongUse(msg)
        turns = {lamp: one.turn or 0.0 for lamp, one in answer.lamps.items()}
        return cls(
            plain,
            {knob.name: round(_stands(knob) + turns[knob.name], 4) for knob in knobs},
            replace(trial, turns={}),
            {patch: round(read.zone, 4) for patch, read in answer.predicted.patches.items()},
        )

    def as_dials_stand(self, knobs: Iterable[Knob]) -> Trial:
        """Return it as a trial from where dials stand now."""
        turns = {
            knob.name: round(self.dials[knob.name] - _stands(knob), 4) + 0.0
            for knob in knobs
            if knob.name in self.dials
        }
        return replace(self.besides, turns={lamp: stops for lamp, stops in turns.items() if stops})


def _stands(knob: Knob) -> float:
    return knob.now if knob.power is None else knob.power


_KEPT = TypeAdapter(tuple[KeptTrial, ...])


def kept_trials(ledger: Ledger) -> tuple[KeptTrial, ...]:
    """Return the trials that are kept, oldest first."""
    return _KEPT.validate_python(ledger.settings.get(_TRIALS) or ())


def keep_trial(ledger: Ledger, trial: KeptTrial) -> None:
    """Keep a trial; one of its name before is replaced."""
    others = [one for one in kept_trials(ledger) if one.name != trial.name]
    ledger.settings.set(_TRIALS, [asdict(one) for one in (*others, trial)][-MOST_TRIALS:])
