"""The search for powers: turns on the lamps' own steps that best meet targets, by fewest lamps."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.lamps.prediction import slopes

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from numpy.typing import NDArray

    from stopwise.lamps.prediction import Aim, Prediction, Scene
    from stopwise.plan.model import Light, Plan

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

_NEAR = 1e-3
"""Share of turns, or of the distance from the targets, under which a further look wins nothing: an
answer is then laid on steps, the finest of which is a hundred times as wide.
"""

_SLOPE_STEP = 0.05
"""Stops over which the free search takes its slopes: half of a pack's usual step."""

_ROUNDS = 12
"""Steps away from the first corner at most."""

_MARGIN, _DOUBTS = 0.1, 2.0
"""Stops inside its limits that a target is to lie where lamps are spared: three times what a flash
(0.02, common practice) and the reading of it (0.03) vary by together; or so many times its doubt.
"""

_SPARED = 0.02
"""Stops by which sparing a lamp may leave targets further out: a flash's own repeatability."""

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

    @property
    def kept(self) -> Knob:
        """The same lamp, to be left as it stands."""
        return replace(self, low=self.now, high=self.now)

    def end(self, turn: float) -> int:
        """Return at which end of its range a turn leaves it: 1 for the top, -1, 0 for neither."""
        if turn >= self.high - _AT_LIMIT:
            return 1
        return -1 if turn <= self.low + _AT_LIMIT else 0


def knob_of(
    name: str, light: Light | None, now: float, *, power: float | None, kept: bool = False
) -> Knob:
    """Return how a lamp may be turned.

    Parameters
    ----------
    name, light
        The lamp; None where the plan doesn't know it.
    now
        Stops from its solo that it gives now.
    power
        Its power now, stops below full; None where nobody knows: then it may be turned by 4 stops.
    kept
        Whether it is to be left as it is.
    """
    step = light.step if light else _UNKNOWN_STEP
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


def packs_of(plan: Plan, names: Sequence[str], *, lit: Collection[str]) -> set[Steps]:
    """Return the places among `names` of the lamps that one dial turns together, of those `lit`."""
    packs = (plan.turned_with(name) for name in names if name in lit)
    return {
        tuple(names.index(one) for one in pack if one in names and one in lit) for pack in packs
    }


class Search:
    """Looks for the turns with the least sum of squared distances from the targets.

    Parameters
    ----------
    scene, aims, knobs
        The set, what is asked of it, and how each of its lamps may be turned.
    lift
        Stops added to everything, as an opened aperture would.
    packs
        Places in `knobs` of lamps that only turn together, by what all of them can do.
    """

    def __init__(
        self,
        scene: Scene,
        aims: Iterable[Aim],
        knobs: Sequence[Knob],
        *,
        lift: float = 0.0,
        packs: Iterable[Sequence[int]] = (),
    ) -> None:
        self.scene = scene
        self.aims = tuple(aims)
        self.lift = lift
        self.packs = tuple(tuple(pack) for pack in packs if len(pack) > 1)
        tied = {index: pack for pack in self.packs for index in pack}
        self.knobs = tuple(
            _tied(knob, [knobs[place] for place in tied.get(index, (index,))])
            for index, knob in enumerate(knobs)
        )
        self._dials = tuple(
            tied.get(index, (index,))
            for index in range(len(self.knobs))
            if tied.get(index, (index,))[0] == index
        )
        self._known: dict[Steps, float] = {}

    def with_knobs(self, knobs: Sequence[Knob]) -> Search:
        """Return the same search with lamps that may be turned otherwise."""
        return Search(self.scene, self.aims, knobs, lift=self.lift, packs=self.packs)

    def turned_with(self, index: int) -> tuple[int, ...]:
        """Return the places of the lamps that turn with one, itself among them."""
        return next(dial for dial in self._dials if index in dial)

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
        dials = [dial for dial in self._dials if not self.knobs[dial[0]].is_kept]
        first = [dial[0] for dial in dials]
        if not dials:
            return turns
        ties = np.zeros((len(self.knobs), len(dials)))
        for column, dial in enumerate(dials):
            ties[list(dial), column] = 1.0

        def whole(values: Floats) -> Floats:
            return turns + ties @ (values - turns[first])

        found = [
            least_squares(
                lambda values: self._of_all(whole(values)),
                np.clip(begin, low + 1e-6, high - 1e-6)[first],
                bounds=(low[first], high[first]),
                jac=lambda values: slopes(self._of_all, whole(values), step=_SLOPE_STEP) @ ties,
                xtol=_NEAR,
                ftol=_NEAR,
                max_nfev=_EVALUATIONS,
            )
            for begin in ([turns.copy(), turns - _OTHER_START] if start is None else [start])
        ]
        return whole(min(found, key=lambda one: float(one.cost)).x)

    def on_steps(self, best: Floats) -> Floats:
        """Return the best setting on the lamps' own steps near `best`, float64 (lamps,).

        All corners of the cell of settings round it are tried, then single and paired steps from
        the best of them until none helps.
        """
        base = [
            math.floor((best[dial[0]] - knob.now) / knob.step + 1e-9)
            for dial in self._dials
            for knob in (self.knobs[dial[0]],)
        ]
        free = [at for at, dial in enumerate(self._dials) if not self.knobs[dial[0]].is_kept]
        ways = [(0,) * len(free), (1,) * len(free)]
        if len(free) <= _CORNER_LAMPS:
            ways = list(itertools.product((0, 1), repeat=len(free)))
        corners = (_moved(base, zip(free, way, strict=True)) for way in ways)
        here = min(corners, key=self._step_cost)
        single = [((index, way),) for index in free for way in (-1, 1)]
        pairs = [
            one + other
            for one, other in itertools.combinations(single, 2)
            if one[0][0] != other[0][0]
        ]
        for _ in range(_ROUNDS):
            moved = (_moved(here, moves) for moves in [*single, *pairs])
            near = min(moved, key=self._step_cost, default=here)
            if self._step_cost(near) >= self._step_cost(here):
                break
            here = near
        return self._turns(here)

    def is_met(self, turns: Floats) -> bool:
        """Tell whether every target lies within its limits at turns (lamps,)."""
        read = self.read(turns)
        return not any(aim.short_by(read) for aim in self.aims)

    def short(self, turns: Floats) -> float:
        """Return how far targets lie outside their limits at turns (lamps,): root sum of squares.

        A target counts from 0.1 stop or two of its uncertainties inside its limits on, or from a
        third of what is allowed.
        """
        read = self.read(turns)
        return math.hypot(
            *(aim.short_by(read, margin=max(_MARGIN, _DOUBTS * aim.doubt)) for aim in self.aims)
        )

    def worst(self, turns: Floats) -> float:
        """Return how far the worst target lies outside its limits at turns (lamps,), stops."""
        read = self.read(turns)
        return max(abs(aim.short_by(read)) for aim in self.aims)

    def fewest(self, best: Floats) -> Floats:
        """Return turns of the fewest lamps that bring targets as near as `best` does, stops.

        Both float64 (lamps,).

        Lamps are spared one by one, those that are turned least first, and the rest turned again.
        """
        enough = self.short(best) + _SPARED
        here = self
        now = np.array([knob.now for knob in self.knobs])
        for dial in sorted(self._dials, key=lambda dial: abs(best[dial[0]] - now[dial[0]])):
            if here.knobs[dial[0]].is_kept:
                continue
            thinner = self.with_knobs(
                [knob.kept if at in dial else knob for at, knob in enumerate(here.knobs)]
            )
            start = best.copy()
            start[list(dial)] = now[list(dial)]
            tried = start
            if thinner.short(start) > enough:
                tried = thinner.on_steps(thinner.free(start))
            if thinner.short(tried) <= enough:
                here, best = thinner, tried
        return best

    def _turns(self, steps: Steps) -> Floats:
        turns = np.zeros(len(self.knobs))
        for dial, n in zip(self._dials, steps, strict=True):
            for index in dial:
                knob = self.knobs[index]
                turns[index] = min(max(knob.now + n * knob.step, knob.low), knob.high)
        return turns

    def _step_cost(self, steps: Steps) -> float:
        if steps not in self._known:
            self._known[steps] = self.cost(self._turns(steps))
        return self._known[steps]


def _tied(knob: Knob, pack: Sequence[Knob]) -> Knob:
    """Return what a lamp can do where its pack turns others with it: no more than each of them."""
    down = max(one.low - one.now for one in pack)
    up = min(one.high - one.now for one in pack)
    step = max(one.step for one in pack)
    return replace(knob, low=knob.now + down, high=knob.now + up, step=step)


def _moved(here: Sequence[int], moves: Iterable[tuple[int, int]]) -> Steps:
    there = list(here)
    for index, way in moves:
        there[index] += way
    return tuple(there)
