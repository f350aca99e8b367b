"""Trials that are kept by name, so that light that was tried can be looked at again and shot."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

from pydantic import TypeAdapter

from stopwise.errors import WrongUse
from stopwise.lamps.trial import Trial  # noqa: TC001 - what is kept is read by its types

if TYPE_CHECKING:
    from collections.abc import Iterable

    from stopwise.lamps.dial import Dial
    from stopwise.lamps.power_search import Knob
    from stopwise.ledger import Ledger

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
