"""The search for the powers that best meet the targets, first freely, then on the lamps' steps."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.lamps.scene import Scene
    from stopwise.lamps.wanted import Wanted

    Floats = NDArray[np.float64]

STAY = 0.2
"""Tolerances that turning a lamp by a stop costs, so that lamps nobody asks for stay."""

_OTHER_START = 1.5
"""Stops under where the lamps stand from which the search begins a second time."""

_EVALUATIONS = 30
"""Looks of the free search at most, from either start."""

_ROUNDS = 12
"""Steps away from the first corner at most."""

_CORNER_LAMPS = 7
"""With more lamps than this not every corner is tried, only steps from it."""


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


class Search:
    """Looks for the turns with the least sum of squared distances from the targets."""

    def __init__(self, scene: Scene, aims: Sequence[Wanted], knobs: Sequence[Knob]) -> None:
        self.scene = scene
        self.aims = tuple(aims)
        self.knobs = tuple(knobs)
        self.lift = 0.0
        """Stops added to everything, as an opened aperture would."""
        self._known: dict[tuple[int, ...], float] = {}

    def residuals(self, turns: Floats) -> Floats:
        """Return each target's distance in tolerances, and a little for every lamp turned."""
        state = self.scene.read(np.asarray(turns) + self.lift)
        stay = [STAY * (turn - knob.now) for turn, knob in zip(turns, self.knobs, strict=True)]
        return np.array([*(aim.residual(state) for aim in self.aims), *stay])

    def cost(self, turns: Floats) -> float:
        """Return the sum of their squares."""
        return float(np.sum(np.square(self.residuals(turns))))

    def slopes(self, turns: Floats, *, step: float = 0.05) -> Floats:
        """Return how each residual changes with a stop of each lamp, (targets, lamps)."""
        here = self.residuals(turns)
        columns = []
        for index in range(len(self.knobs)):
            there = np.array(turns, dtype=float)
            there[index] += step
            columns.append((self.residuals(there) - here) / step)
        return np.stack(columns, axis=1)[: len(self.aims)]

    def continuous(self, start: Floats | None = None) -> Floats:
        """Return the best turns with no regard to steps: bounded least squares in stops.

        Parameters
        ----------
        start
            Where to begin; None begins where the lamps stand, and again 1.5 stops under it.
        """
        from scipy.optimize import least_squares

        free = [index for index, knob in enumerate(self.knobs) if knob.high > knob.low]
        turns = np.array([min(max(knob.now, knob.low), knob.high) for knob in self.knobs])
        if not free:
            return turns
        low = np.array([self.knobs[index].low for index in free])
        high = np.array([self.knobs[index].high for index in free])

        def of_free(values: Floats) -> Floats:
            turns[free] = values
            return self.residuals(turns)

        found = []
        begins = [turns, turns - _OTHER_START] if start is None else [start]
        for begin in [place[free] for place in begins]:
            inside = np.clip(begin, low + 1e-6, high - 1e-6)
            found.append(
                least_squares(
                    of_free,
                    inside,
                    bounds=(low, high),
                    jac=self._jacobian(free),
                    max_nfev=_EVALUATIONS,
                )
            )
        turns[free] = min(found, key=lambda one: float(one.cost)).x
        return turns

    def _jacobian(self, free: Sequence[int]) -> Any:
        def of_free(values: Floats) -> Floats:
            turns = np.array([knob.low for knob in self.knobs])
            turns[list(free)] = values
            slopes = self.slopes(turns)
            return np.concatenate([slopes, STAY * np.eye(len(self.knobs))])[:, list(free)]

        return of_free

    def on_steps(self, best: Floats) -> Floats:
        """Return the best setting on the lamps' own steps near `best`.

        All corners of the cell of settings round it are tried, then single and paired steps from
        the best of them until none helps.
        """
        base = [
            math.floor((turn - knob.now) / knob.step + 1e-9)
            for turn, knob in zip(best, self.knobs, strict=True)
        ]
        here = min(self._corners(base), key=self._step_cost)
        for _ in range(_ROUNDS):
            nearby = min(self._neighbours(here), key=self._step_cost)
            if self._step_cost(nearby) >= self._step_cost(here):
                break
            here = nearby
        return self._turns(here)

    def _turns(self, steps: tuple[int, ...]) -> Floats:
        return np.array(
            [
                min(max(knob.now + count * knob.step, knob.low), knob.high)
                for count, knob in zip(steps, self.knobs, strict=True)
            ]
        )

    def _step_cost(self, steps: tuple[int, ...]) -> float:
        if steps not in self._known:
            self._known[steps] = self.cost(self._turns(steps))
        return self._known[steps]

    def _corners(self, base: Sequence[int]) -> list[tuple[int, ...]]:
        if len(base) > _CORNER_LAMPS:
            return [tuple(base), tuple(count + 1 for count in base)]
        ways = itertools.product((0, 1), repeat=len(base))
        return [tuple(count + up for count, up in zip(base, way, strict=True)) for way in ways]

    def _neighbours(self, here: tuple[int, ...]) -> list[tuple[int, ...]]:
        single = [(index, way) for index in range(len(here)) for way in (-1, 1)]
        pairs = [pair for pair in itertools.combinations(single, 2) if pair[0][0] != pair[1][0]]
        return [_stepped(here, moves) for moves in [*((one,) for one in single), *pairs]]


def _stepped(here: tuple[int, ...], moves: Sequence[tuple[int, int]]) -> tuple[int, ...]:
    there = list(here)
    for index, way in moves:
        there[index] += way
    return tuple(there)
