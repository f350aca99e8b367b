"""Trials that are kept by name, so that light that was tried can be looked at again and shot."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

from pydantic import TypeAdapter

from stopwise.errors import WrongUse
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.trial import Trial  # noqa: TC001 - what is kept is read by its types
from stopwise.pipeline.plan_frames import Remembered
from stopwise.plan import load_plan
from stopwise.plan.loading import read_bytes
from stopwise.preparing.dialling import prepare_dials
from stopwise.shoot.look_frames import solo_looks
from stopwise.shoot.standing import Standing, dials_now

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping
    from pathlib import Path

    from stopwise.lamps.dial import Dial
    from stopwise.lamps.power_search import Knob
    from stopwise.ledger import Ledger
    from stopwise.plan.model import Plan
    from stopwise.preparing.dialling import ReadyDials
    from stopwise.shoot.standing import DialNow

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


_silent: Remembered[dict[str, DialNow]] = Remembered()


def _silent_of(dials: Mapping[str, DialNow]) -> dict[str, DialNow]:
    """Return the dials that frames read elsewhere than anybody said that they stand."""
    return {name: one for name, one in dials.items() if one.read is not None}


def state_on_set(path: Path, ledger: Ledger | None) -> tuple[object, ...]:
    """Return what a plan's dials on set hang on, to be compared with what it was; hashable."""
    plan = read_bytes(path)
    if ledger is None:
        return (plan,)
    heard = (plan, tuple(map(repr, ledger.takes.all())), ledger.frames.last_landed_ns())
    silent = _silent.of(*heard, make=lambda: _silent_of(dials_now(ledger, load_plan(path))))
    return (*heard[:2], *silent.items())


def dials_on_set(
    path: Path,
    ledger: Ledger | None,
    *,
    look: str | None = None,
    keep: Collection[str] = (),
    retargeted: Callable[[Plan], Plan] | None = None,
) -> ReadyDials:
    """Return a plan's dials as they stand on set, see :func:`prepare_dials`.

    They say which lamps were turned and nobody said so, which stand where frames read them, and
    whose solos show other clothes than those that are worn.
    """
    shot_in = {} if ledger is None else solo_looks(ledger)
    standing = None if ledger is None else Standing(ledger, lambda _: None)
    plan = load_plan(path)
    dials = {} if standing is None else standing.dials(plan)
    stood = {} if standing is None else standing.stands(plan)
    silent = _silent_of(dials)

    def stand(turned: Mapping[str, float]) -> dict[str, float]:
        known = {name: round(stood[name] - dials[name].planned, 4) for name in stood}
        return {name: known.get(name, turned.get(name, 0.0)) for name in (*turned, *silent)}

    ready = prepare_dials(
        path,
        keep=keep,
        look=look,
        ledger=ledger,
        retargeted=retargeted,
        stand=stand,
    )
    notes = [
        LampNote("not said", light.name, (silent[light.name].words(light),))
        for light in ready.plan.lights
        if light.name in silent
    ]
    others = tuple(lamp for lamp in ready.lamps.names if shot_in.get(lamp) != look)
    if others:
        notes.append(LampNote("other look", look or "the plan's own", names=others))
    return replace(ready, notes=(*ready.notes, *notes))


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
