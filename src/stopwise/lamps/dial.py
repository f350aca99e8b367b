"""Dial: the powers that best meet the plan, on each lamp's own steps, and what they can't reach."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.errors import WrongUse
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.power_search import Search, knob_of, packs_of
from stopwise.lamps.prediction import aims_of, build_scene
from stopwise.lamps.solos import alike_lamps, clipped_notes
from stopwise.lamps.superposition import clipped_range, clipped_shares, predict
from stopwise.lamps.trial import Trial
from stopwise.lamps.unmet import find_missed, find_unmet, find_unsure

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping

    from numpy.typing import NDArray

    from stopwise.codes import NoteCode
    from stopwise.grid import LightGrid
    from stopwise.lamps.power_search import Knob
    from stopwise.lamps.prediction import Aim, Prediction, Scene
    from stopwise.lamps.solos import LampSet
    from stopwise.lamps.unmet import Unmet, Unsure
    from stopwise.plan.model import Plan
    from stopwise.plan.now import PlanNow


@dataclass(frozen=True, slots=True)
class Dialled:
    """What to do with one lamp.

    Attributes
    ----------
    turn
        Stops from where it stands now; None where it is switched off.
    power
        Its new power, stops below full; None where the plan doesn't say what it has, or it is off.
    at_limit
        True where it stands at the end of its range.
    """

    turn: float | None
    power: float | None
    at_limit: bool


@dataclass(frozen=True, eq=False, slots=True)
class Dial:
    """The answer.

    Attributes
    ----------
    lamps
        What to do with each lamp.
    aims
        Every target that was weighed, in the plan's order.
    predicted
        What that gives.
    ratios
        Stops of each ratio of the plan, in its order; None where a patch isn't known.
    picture
        The light of the frame that it gives.
    unmet
        Targets that can't be met, and why.
    unsure
        Targets that are met as predicted, but not surely enough to be promised.
    alike
        Pairs of lamps that can't be told apart in the targets.
    notes
        What else is to be said: normalised solos, clipped solos, lamps without a solo.
    trial
        What was tried besides power; None where powers were worked out.
    """

    lamps: Mapping[str, Dialled]
    aims: tuple[Aim, ...]
    predicted: Prediction
    ratios: tuple[float | None, ...]
    picture: LightGrid
    unmet: tuple[Unmet, ...]
    unsure: tuple[Unsure, ...]
    alike: tuple[tuple[str, str], ...]
    notes: tuple[LampNote, ...]
    trial: Trial | None = None

    def to_json(self) -> dict[str, Any]:
        """Return the answer as `dial --json` prints it."""
        backdrop = self.predicted.backdrop
        return {
            "schema": 1,
            "lamps": {
                name: {"turn": lamp.turn, "power": lamp.power, "at_limit": lamp.at_limit}
                for name, lamp in self.lamps.items()
            },
            "predicted": {
                "patches": {
                    name: round(patch.zone, 4) for name, patch in self.predicted.patches.items()
                },
                "uncertainty": {
                    name: round(patch.uncertainty, 4)
                    for name, patch in self.predicted.patches.items()
                },
                "ratios": [_rounded(stops) for stops in self.ratios],
                "left_right": _rounded(None if backdrop is None else backdrop.left_right),
                "clipped": round(float(np.mean(clipped_shares(self.picture))), 7),
                "clipped_may_be": [round(share, 7) for share in clipped_range(self.picture)],
            },
            "unmet": [target.to_json() for target in self.unmet],
            "unsure": [target.to_json() for target in self.unsure],
            "alike": [list(pair) for pair in self.alike],
            "notes": [note.words for note in self.notes],
        }


class Dials:
    """The dials of a set as they stand, ready to be turned any number of times.

    Parameters
    ----------
    lamps
        The solos.
    now
        What of the plan holds now, each lamp's power as it stands.
    stands
        Stops at which each lamp stands now from its solo; lamps not named stand as in it.
    keep
        Lamps that aren't to be turned.
    trial
        What is tried besides power: the solos are lit by it.

    Attributes
    ----------
    knobs
        How each lamp may be turned.
    aims
        Every target that is weighed, in the plan's order.

    Raises
    ------
    WrongUse
        If a lamp to be kept has no solo, or the solos hold nothing that has a target.
    """

    def __init__(
        self,
        lamps: LampSet,
        now: PlanNow,
        *,
        stands: Mapping[str, float] | None = None,
        keep: Collection[str] = (),
        trial: Trial | None = None,
    ) -> None:
        self._lamps, self._now, self._trial = lamps, now, trial or Trial()
        lamps.refuse_strangers("keep", keep)
        self._scene = build_scene(lamps, now, doubts=True)
        aims = aims_of(now, self._scene)
        if len(aims) <= 1:
            msg = "The solos hold no patch or backdrop with a target: nothing to dial."
            raise WrongUse(msg)
        knobs = [
            knob_of(
                name,
                light := now.plan.light(name),
                (stands or {}).get(name, 0.0),
                power=None if light is None else light.power,
                kept=name in keep,
            )
            for name in lamps.names
        ]
        packs = packs_of(now.plan, lamps.names, lit=lamps.names)
        self._search = Search(self._scene.quick(), aims, knobs, packs=packs)
        self.knobs, self.aims = tuple(knobs), self._search.aims

    def solved(self) -> Dial:
        """Return the powers that best meet the plan.

        Returns
        -------
        Dial
            On each lamp's own steps, within its range; no lamp is turned where all targets are met.
        """
        turns = np.array([knob.now for knob in self.knobs])
        if not self._search.is_met(turns):
            turns = self._search.on_steps(self._search.free())
        return self._answer(turns, partial(find_unmet, self._search, turns, plan=self._now.plan))

    def tried(
        self, turns: Mapping[str, float], *, held: Collection[int] = (), by: Collection[str] = ()
    ) -> Dial:
        """Return what turns would give.

        Parameters
        ----------
        turns
            Stops by lamp from where each stands now; what one dial turns goes along.
        held
            Places in `aims` of targets that the other lamps are to meet meanwhile; none turns no
            other lamp.
        by
            Lamps that stay as they are tried where targets are held.

        Raises
        ------
        WrongUse
            If it names a lamp that has no solo, or one is tried beyond its range.
        """
        self._lamps.refuse_strangers("try", turns)
        at = [knob.now + _tried(knob, turns, self._now.plan) for knob in self.knobs]
        if held:
            knobs = [replace(knob, now=turn) for knob, turn in zip(self.knobs, at, strict=True)]
            aims = [aim for place, aim in enumerate(self.aims) if place in held]
            search = Search(
                self._search.scene,
                aims,
                [knob.kept if knob.name in {*by, *self._trial.off} else knob for knob in knobs],
                packs=self._search.packs,
            )
            if not search.is_met(np.array(at)):
                at = list(search.on_steps(search.free(np.array(at))))
        answer = self._answer(np.array(at), partial(find_missed, self.aims))
        return replace(answer, trial=self._trial)

    def _answer(
        self,
        turns: NDArray[np.float64],
        unmet_in: Callable[[Prediction], tuple[Unmet, ...]],
    ) -> Dial:
        """Return the answer of turns (lamps,), stops from the solos, with what is unmet then."""
        lamps, now, predicted = self._lamps, self._now, self._scene.read(turns)
        unmet = unmet_in(predicted)
        each = list(zip(self.knobs, turns, strict=True))
        picture = predict(lamps, {knob.name: float(turn) for knob, turn in each})
        return Dial(
            lamps={
                knob.name: _OFF if knob.name in self._trial.off else _dialled(knob, turn)
                for knob, turn in each
            },
            aims=self.aims,
            predicted=predicted,
            ratios=tuple(_ratio(predicted, ratio.lit, ratio.shadow) for ratio in now.ratios),
            picture=picture,
            unmet=unmet,
            unsure=find_unsure(self.aims, predicted, unmet),
            alike=alike_lamps(lamps),
            notes=(
                *lamps.notes,
                *_missing(lamps, now.plan, now, self._scene),
                *clipped_notes(lamps),
                *_unsure_clipping(picture),
            ),
        )


def _unsure_clipping(picture: LightGrid) -> Iterator[LampNote]:
    """Yield what is to be said where clipping can't be told."""
    least, most = clipped_range(picture)
    if most - least > _TOLD_CLIPPING:
        code: NoteCode = "stop named" if picture.is_stop_named else "clips to"
        yield LampNote(code, share=most)


_TOLD_CLIPPING = 0.002
"""Share of the frame by which clipping must be unsure to be told: what trials are held to."""


def _tried(knob: Knob, tried: Mapping[str, float], plan: Plan) -> float:
    """Return the stops that a lamp is tried at from where it stands, as its range allows."""
    together = [name for name in plan.turned_with(knob.name) if name in tried]
    turned = {tried[name] for name in together or [knob.name] if name in tried}
    if len(turned) > 1:
        msg = f"One dial turns {' and '.join(together)}: try them alike, or say asymmetric."
        raise WrongUse(msg)
    stops = next(iter(turned), 0.0)
    if knob.low - 1e-6 <= knob.now + stops <= knob.high + 1e-6:
        return stops
    least, most = knob.low - knob.now, knob.high - knob.now
    msg = (
        f"{knob.name} can't be turned by {stops:+.1f}: from where it stands its range goes by "
        f"{least:+.1f} to {most:+.1f}."
    )
    raise WrongUse(msg)


_OFF = Dialled(turn=None, power=None, at_limit=False)


def _dialled(knob: Knob, turn: float) -> Dialled:
    moved = round(float(turn) - knob.now, 4) + 0.0
    return Dialled(
        turn=moved,
        power=None if knob.power is None else round(knob.power + moved, 4) + 0.0,
        at_limit=knob.end(turn) != 0 and not knob.is_kept,
    )


def _ratio(read: Prediction, lit: str, shadow: str) -> float | None:
    if lit not in read.patches or shadow not in read.patches:
        return None
    return read.patches[lit].log2_y - read.patches[shadow].log2_y


def _missing(lamps: LampSet, plan: Plan, now: PlanNow, scene: Scene) -> list[LampNote]:
    unlit = [light.name for light in plan.lights if light.name not in lamps.nets]
    unread = [patch.name for patch in now.patches if patch.name not in scene.patches]
    return [
        *(LampNote("no solo", name) for name in unlit),
        *(LampNote("unread patch", names=(name,)) for name in unread),
    ]


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)
