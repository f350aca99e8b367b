"""Dial: the powers that best meet the plan, on each lamp's own steps, and what they can't reach."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.errors import WrongUse
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.prediction import aims_of, build_scene, slopes
from stopwise.lamps.solos import alike_lamps, clipped_notes
from stopwise.lamps.superposition import clipped_shares, predict
from stopwise.lamps.unmet import find_unmet

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from stopwise.grid import LightGrid
    from stopwise.lamps.prediction import Aim, Prediction, Scene
    from stopwise.lamps.solos import LampSet
    from stopwise.lamps.unmet import Unmet
    from stopwise.plan.model import Light, Plan
    from stopwise.plan.now import PlanNow

    Floats = NDArray[np.float64]
    Steps = tuple[int, ...]

STAY = 0.2
"""Tolerances that turning a lamp by a stop costs, so that lamps nobody asks for stay."""

_UNKNOWN_RANGE, _UNKNOWN_STEP = (-4.0, 4.0), 0.1
"""Turns allowed to a lamp whose power the plan doesn't say, and its step (common on packs)."""

_AT_LIMIT = 1e-6
"""Stops from the end of its range within which a lamp stands at it: float arithmetic."""

_OTHER_START = 1.5
"""Stops under where the lamps stand from which the search begins a second time."""

_EVALUATIONS = 30
"""Looks of the free search at most, from either start."""

_SLOPE_STEP = 0.05
"""Stops over which the free search takes its slopes: half of a pack's usual step."""

_ROUNDS = 12
"""Steps away from the first corner at most."""

_CORNER_LAMPS = 7
"""With more lamps than this not every corner is tried, only steps from it: 2^7 looks take 0.1 s."""


@dataclass(frozen=True, slots=True)
class Knob:
    """How one lamp may be turned.

    Attributes
    ----------
    name
        The lamp.
    low, high
        Least and greatest turn from its solo, stops, on its steps; equal for a lamp that is kept.
    step
        Stops between two settings.
    now
        Turn from its solo at which it stands now.
    power
        Its power now, stops below full; None where the plan doesn't say.
    """

    name: str
    low: float
    high: float
    step: float
    now: float
    power: float | None

    @property
    def is_kept(self) -> bool:
        """Whether it isn't to be turned."""
        return self.high <= self.low

    def end(self, turn: float) -> int:
        """Return at which end of its range a turn leaves it: 1 for the top, -1, 0 for neither."""
        if turn >= self.high - _AT_LIMIT:
            return 1
        return -1 if turn <= self.low + _AT_LIMIT else 0


class Search:
    """Looks for the turns with the least sum of squared distances from the targets."""

    def __init__(self, scene: Scene, aims: Iterable[Aim], knobs: Sequence[Knob]) -> None:
        self.scene = scene
        self.aims = tuple(aims)
        self.knobs = tuple(knobs)
        self.lift = 0.0
        """Stops added to everything, as an opened aperture would."""
        self._known: dict[Steps, float] = {}

    def read(self, turns: Floats) -> Prediction:
        """Return what the set reads under turns float64 (lamps,), stops from the solos."""
        return self.scene.read(turns + self.lift)

    def residuals(self, turns: Floats) -> Floats:
        """Return each target's distance in tolerances, float64 (targets,), at turns (lamps,)."""
        read = self.read(turns)
        return np.array([aim.residual(read) for aim in self.aims])

    def cost(self, turns: Floats) -> float:
        """Return the sum of their squares at turns (lamps,), stops, and a little for each turn."""
        return float(np.sum(np.square(self._of_all(turns))))

    def _of_all(self, turns: Floats) -> Floats:
        stay = [STAY * (turn - knob.now) for turn, knob in zip(turns, self.knobs, strict=True)]
        return np.array([*self.residuals(turns), *stay])

    def free(self, start: Floats | None = None) -> Floats:
        """Return the best turns with no regard to steps: bounded least squares in stops.

        Parameters
        ----------
        start
            float64 (lamps,); None begins where the lamps stand, and again 1.5 stops under it.
        """
        from scipy.optimize import least_squares

        low, high, now = (
            np.array([getattr(knob, end) for knob in self.knobs]) for end in ("low", "high", "now")
        )
        turns: Floats = np.clip(now, low, high)
        free = high > low
        if not free.any():
            return turns

        def whole(values: Floats) -> Floats:
            turns[free] = values
            return turns

        found = [
            least_squares(
                lambda values: self._of_all(whole(values)),
                np.clip(begin, low + 1e-6, high - 1e-6)[free],
                bounds=(low[free], high[free]),
                jac=lambda values: slopes(self._of_all, whole(values), step=_SLOPE_STEP)[:, free],
                max_nfev=_EVALUATIONS,
            )
            for begin in ([turns.copy(), turns - _OTHER_START] if start is None else [start])
        ]
        turns[free] = min(found, key=lambda one: float(one.cost)).x
        return turns

    def on_steps(self, best: Floats) -> Floats:
        """Return the best setting on the lamps' own steps near `best`, float64 (lamps,).

        All corners of the cell of settings round it are tried, then single and paired steps from
        the best of them until none helps.
        """
        base = [
            math.floor((turn - knob.now) / knob.step + 1e-9)
            for turn, knob in zip(best, self.knobs, strict=True)
        ]
        lamps = range(len(base))
        ways = [(0,) * len(base), (1,) * len(base)]
        if len(base) <= _CORNER_LAMPS:
            ways = list(itertools.product((0, 1), repeat=len(base)))
        here = min((_moved(base, enumerate(way)) for way in ways), key=self._step_cost)
        single = [((index, way),) for index in lamps for way in (-1, 1)]
        pairs = [
            one + other
            for one, other in itertools.combinations(single, 2)
            if one[0][0] != other[0][0]
        ]
        for _ in range(_ROUNDS):
            near = min((_moved(here, moves) for moves in [*single, *pairs]), key=self._step_cost)
            if self._step_cost(near) >= self._step_cost(here):
                break
            here = near
        return self._turns(here)

    def _turns(self, steps: Steps) -> Floats:
        turns = zip(steps, self.knobs, strict=True)
        return np.array(
            [min(max(knob.now + n * knob.step, knob.low), knob.high) for n, knob in turns]
        )

    def _step_cost(self, steps: Steps) -> float:
        if steps not in self._known:
            self._known[steps] = self.cost(self._turns(steps))
        return self._known[steps]


def _moved(here: Sequence[int], moves: Iterable[tuple[int, int]]) -> Steps:
    there = list(here)
    for index, way in moves:
        there[index] += way
    return tuple(there)


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
    alike
        Pairs of lamps that can't be told apart in the targets.
    notes
        What else is to be said: normalised solos, clipped solos, lamps without a solo.
    """

    lamps: Mapping[str, Dialled]
    aims: tuple[Aim, ...]
    predicted: Prediction
    ratios: tuple[float | None, ...]
    picture: LightGrid
    unmet: tuple[Unmet, ...]
    alike: tuple[tuple[str, str], ...]
    notes: tuple[LampNote, ...]

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
                "ratios": [_rounded(stops) for stops in self.ratios],
                "left_right": _rounded(None if backdrop is None else backdrop.left_right),
                "clipped": round(float(np.mean(clipped_shares(self.picture))), 7),
            },
            "unmet": [target.to_json() for target in self.unmet],
            "alike": [list(pair) for pair in self.alike],
            "notes": [note.words for note in self.notes],
        }


def dial(
    lamps: LampSet,
    now: PlanNow,
    *,
    stands: Mapping[str, float] | None = None,
    keep: Collection[str] = (),
) -> Dial:
    """Find the powers that best meet the plan.

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

    Returns
    -------
    Dial
        On each lamp's own steps, within its range.

    Raises
    ------
    WrongUse
        If `keep` names a lamp that has no solo, or the solos hold nothing that has a target.
    """
    strangers = set(keep) - set(lamps.names)
    if strangers:
        msg = (
            f"Can't keep {', '.join(sorted(strangers))}: no solo of that name. "
            f"There are: {', '.join(lamps.names)}."
        )
        raise WrongUse(msg)
    scene = build_scene(lamps, now)
    aims = aims_of(now, scene)
    if len(aims) <= 1:
        msg = "The solos hold no patch or backdrop with a target: nothing to dial."
        raise WrongUse(msg)
    knobs = [
        _knob(name, now.plan.light(name), (stands or {}).get(name, 0.0), kept=name in keep)
        for name in lamps.names
    ]
    search = Search(scene.quick(), aims, knobs)
    turns = search.on_steps(search.free())
    predicted = scene.read(turns)
    return Dial(
        lamps={knob.name: _dialled(knob, turn) for knob, turn in zip(knobs, turns, strict=True)},
        aims=search.aims,
        predicted=predicted,
        ratios=tuple(_ratio(predicted, ratio.lit, ratio.shadow) for ratio in now.ratios),
        picture=predict(lamps, dict(zip(lamps.names, map(float, turns), strict=True))),
        unmet=find_unmet(search, turns, predicted, now.plan),
        alike=alike_lamps(lamps),
        notes=(*lamps.notes, *_missing(lamps, now.plan, now, scene), *clipped_notes(lamps)),
    )


def _knob(name: str, light: Light | None, now: float, *, kept: bool) -> Knob:
    step = light.step if light else _UNKNOWN_STEP
    power = light.power if light else None
    down, up = -_UNKNOWN_RANGE[0], _UNKNOWN_RANGE[1]
    if kept:
        down = up = 0.0
    elif light is not None and power is not None:
        least, most = light.range
        down, up = (
            max(math.floor(room / step + 1e-6) * step, 0.0)
            for room in (power - least, most - power)
        )
    return Knob(name, now - down, now + up, step, now, power)


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
