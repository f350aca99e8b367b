"""Dial: the powers that best meet the plan, on each lamp's own steps, and what they can't reach."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.errors import WrongUse
from stopwise.lamps.notes import LampNote
from stopwise.lamps.powers import Knob, Search
from stopwise.lamps.scene import build_scene
from stopwise.lamps.solos import alike_lamps, clipped_notes
from stopwise.lamps.superpose import clipped_shares, predict
from stopwise.lamps.unmet import Unmet, find_unmet
from stopwise.lamps.wanted import wanted, zone_of
from stopwise.stops import MID_GREY_OF_SATURATION

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from numpy.typing import NDArray

    from stopwise.lamps.reduced import LightPicture
    from stopwise.lamps.scene import Scene, State
    from stopwise.lamps.solos import LampSet
    from stopwise.lamps.wanted import Wanted
    from stopwise.plan.model import Light, Plan
    from stopwise.plan.now import PlanNow

    Floats = NDArray[np.float64]

_UNKNOWN_RANGE = (-4.0, 4.0)
"""Turns allowed to a lamp whose power the plan doesn't say."""

_AT_LIMIT = 1e-6


@dataclass(frozen=True, slots=True)
class Dialled:
    """What to do with one lamp.

    Attributes
    ----------
    turn
        Stops from where it stands now.
    power
        Its new power, stops below full; None where the plan doesn't say what it has.
    at_limit
        True where it stands at the end of its range.
    """

    turn: float
    power: float | None
    at_limit: bool


@dataclass(frozen=True, slots=True)
class Granted:
    """One target beside what the dialled powers give it.

    Attributes
    ----------
    of, kind
        What it is of, and which kind of target, see `Wanted`.
    value
        What they give, zones or stops; None where it can't be read.
    target, under, over
        The target, and how far under and over is still well; infinite on an open side.
    short_by
        Stops outside of that, signed; 0 inside.
    """

    of: str
    kind: str
    value: float | None
    target: float
    under: float
    over: float
    short_by: float


@dataclass(frozen=True, eq=False, slots=True)
class Predicted:
    """What the dialled powers would give.

    Attributes
    ----------
    patches
        Zone of each patch.
    ratios
        Stops of each ratio of the plan, in its order; None where a patch isn't known.
    left_right
        Of the backdrop, stops.
    clipped
        Fraction of the picture with a colour at its ceiling.
    targets
        Every target that was weighed, in the plan's order.
    picture
        The light of the frame.
    """

    patches: Mapping[str, float]
    ratios: tuple[float | None, ...]
    left_right: float | None
    clipped: float
    targets: tuple[Granted, ...]
    picture: LightPicture


@dataclass(frozen=True, eq=False, slots=True)
class Dial:
    """The answer.

    Attributes
    ----------
    lamps
        What to do with each lamp.
    predicted
        What that gives.
    unmet
        PlanNow that can't be met, and why.
    alike
        Pairs of lamps that can't be told apart in the targets.
    notes
        What else is to be said: normalised solos, clipped solos, lamps without a solo.
    """

    lamps: Mapping[str, Dialled]
    predicted: Predicted
    unmet: tuple[Unmet, ...]
    alike: tuple[tuple[str, str], ...]
    notes: tuple[LampNote, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the answer as `dial --json` prints it."""
        return {
            "schema": 1,
            "lamps": {
                name: {"turn": lamp.turn, "power": lamp.power, "at_limit": lamp.at_limit}
                for name, lamp in self.lamps.items()
            },
            "predicted": {
                "patches": {name: round(zone, 4) for name, zone in self.predicted.patches.items()},
                "ratios": [_rounded(stops) for stops in self.predicted.ratios],
                "left_right": _rounded(self.predicted.left_right),
                "clipped": round(self.predicted.clipped, 7),
            },
            "unmet": [target.to_json() for target in self.unmet],
            "alike": [list(pair) for pair in self.alike],
            "notes": [note.words for note in self.notes],
        }


def dial(
    lamps: LampSet,
    targets: PlanNow,
    *,
    now: Mapping[str, float] | None = None,
    keep: Collection[str] = (),
) -> Dial:
    """Find the powers that best meet the plan.

    Parameters
    ----------
    lamps
        The solos.
    targets
        What of the plan holds now.
    now
        Stops at which each lamp stands now from its solo; lamps not named stand as in it.
    keep
        Lamps that aren't to be turned.

    Returns
    -------
    Dial
        On each lamp's own steps, within its range.

    Raises
    ------
    WrongUse
        If `keep` names a lamp that has no solo, or the solos hold nothing that has a target.
    """
    knobs = _knobs(lamps, targets.plan, now or {}, keep)
    scene = build_scene(lamps, targets)
    aims = wanted(targets, set(scene.patches))
    if len(aims) <= 1:
        msg = "The solos hold no patch or backdrop with a target: nothing to dial."
        raise WrongUse(msg)
    search = Search(scene.quick(), aims, knobs)
    turns = search.on_steps(search.continuous())
    state = scene.read(turns)
    return Dial(
        lamps={knob.name: _dialled(knob, turn) for knob, turn in zip(knobs, turns, strict=True)},
        predicted=_predicted(state, aims, targets, predict(lamps, _by_name(knobs, turns))),
        unmet=find_unmet(search, aims, turns, state, targets.plan),
        alike=alike_lamps(lamps),
        notes=(*lamps.notes, *_notes(lamps, targets, scene)),
    )


def _knobs(
    lamps: LampSet, plan: Plan, now: Mapping[str, float], keep: Collection[str]
) -> list[Knob]:
    strangers = set(keep) - set(lamps.names)
    if strangers:
        msg = (
            f"Can't keep {', '.join(sorted(strangers))}: no solo of that name. "
            f"There are: {', '.join(lamps.names)}."
        )
        raise WrongUse(msg)
    return [
        _knob(name, plan.light(name), now.get(name, 0.0), kept=name in keep) for name in lamps.names
    ]


def _knob(name: str, light: Light | None, now: float, *, kept: bool) -> Knob:
    step = light.step if light else 0.1
    power = light.power if light else None
    if kept:
        return Knob(name, now, now, step, now, power)
    if light is None or power is None:
        return Knob(name, now + _UNKNOWN_RANGE[0], now + _UNKNOWN_RANGE[1], step, now, None)
    down = math.floor((power - light.range[0]) / step + 1e-6) * step
    up = math.floor((light.range[1] - power) / step + 1e-6) * step
    return Knob(name, now - max(down, 0.0), now + max(up, 0.0), step, now, power)


def _dialled(knob: Knob, turn: float) -> Dialled:
    moved = round(float(turn) - knob.now, 4) + 0.0
    at_end = min(abs(turn - knob.low), abs(turn - knob.high)) < _AT_LIMIT
    return Dialled(
        turn=moved,
        power=None if knob.power is None else round(knob.power + moved, 4) + 0.0,
        at_limit=bool(at_end and knob.high > knob.low),
    )


def _by_name(knobs: Sequence[Knob], turns: Floats) -> dict[str, float]:
    return {knob.name: float(turn) for knob, turn in zip(knobs, turns, strict=True)}


def _predicted(
    state: State, aims: Sequence[Wanted], targets: PlanNow, picture: LightPicture
) -> Predicted:
    grey = targets.plan.camera.mid_grey or MID_GREY_OF_SATURATION
    return Predicted(
        patches={name: zone_of(patch.log2_y, grey) for name, patch in state.patches.items()},
        ratios=tuple(_ratio(state, target.lit, target.shadow) for target in targets.ratios),
        left_right=state.left_right,
        clipped=float(np.mean(clipped_shares(picture))),
        targets=tuple(_granted(aim, state) for aim in aims),
        picture=picture,
    )


def _granted(aim: Wanted, state: State) -> Granted:
    return Granted(
        aim.of,
        aim.kind,
        aim.value(state),
        aim.target,
        aim.under,
        aim.over,
        aim.short_by(state),
    )


def _ratio(state: State, lit: str, shadow: str) -> float | None:
    if lit not in state.patches or shadow not in state.patches:
        return None
    return state.patches[lit].log2_y - state.patches[shadow].log2_y


def _notes(lamps: LampSet, targets: PlanNow, scene: Scene) -> list[LampNote]:
    return [
        *(
            LampNote("no solo", light.name)
            for light in targets.plan.lights
            if light.name not in lamps.nets
        ),
        *(
            LampNote("unread patch", names=(patch.name,))
            for patch in targets.patches
            if patch.name not in scene.patches
        ),
        *clipped_notes(lamps),
    ]


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)
