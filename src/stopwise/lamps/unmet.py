"""Targets that no powers meet: by how much, why, and what would."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.nominal import exact_f_number, say_f_number
from stopwise.wording import lamp_name, title

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.lamps.powers import Knob, Search
    from stopwise.lamps.scene import State
    from stopwise.lamps.wanted import Wanted
    from stopwise.plan.model import Plan

    Floats = NDArray[np.float64]

SHORT = 0.02
"""Stops outside its tolerance from which a target counts as not met."""

_WEAK_PULL = 0.05
"""Tolerances a stop under which a lamp does nothing for a target."""

_END = 1e-6
_LIFTS = (1.0 / 3.0, 2.0 / 3.0, 1.0, 4.0 / 3.0, 5.0 / 3.0, 2.0)
_HELPED = 0.3
"""Share to which a change of aperture must bring a target's shortfall before it is advised."""

_SAID = {
    "zone": "",
    "ratio": "",
    "separation": " apart",
    "left_right": "",
    "falloff": "",
    "headroom": " headroom",
    "clip": " clipping",
    "blown": " blown",
}


@dataclass(frozen=True, slots=True)
class Unmet:
    """One target that can't be met.

    Attributes
    ----------
    of
        Patch, ratio or backdrop figure.
    short_by
        Stops outside what is allowed, above 0.
    say
        By how much, why, and what would help: a sentence or two.
    """

    of: str
    short_by: float
    say: str

    def to_json(self) -> dict[str, Any]:
        """Return it as `dial --json` prints it."""
        return {"of": self.of, "short_by": round(self.short_by, 3), "say": self.say}


def find_unmet(
    search: Search, aims: Sequence[Wanted], turns: Floats, state: State, plan: Plan
) -> tuple[Unmet, ...]:
    """Return the targets that the dialled setting leaves unmet, worst first.

    Parameters
    ----------
    search
        Reads the set.
    aims
        All targets.
    turns
        The dialled setting, stops from the solos.
    state
        What it gives.
    plan
        For aperture and places of the lamps.
    """
    short = [(index, aim.short_by(state)) for index, aim in enumerate(aims)]
    failing = [(index, by) for index, by in short if abs(by) > SHORT]
    if not failing:
        return ()
    slopes = search.slopes(turns, step=0.1)
    residuals = np.array([aim.residual(state) for aim in aims])
    lifted = _lifted(search, turns)
    found = [
        _unmet(_Case(search, aims, index, by, slopes, residuals, turns), plan, lifted)
        for index, by in failing
    ]
    return tuple(sorted(found, key=lambda target: -target.short_by))


@dataclass(frozen=True, eq=False, slots=True)
class _Case:
    """One unmet target amid the others."""

    search: Search
    aims: Sequence[Wanted]
    index: int
    by: float
    slopes: Floats
    residuals: Floats
    turns: Floats

    @property
    def aim(self) -> Wanted:
        return self.aims[self.index]

    @property
    def pull(self) -> Floats:
        """How far up each lamp would have to go for the target: its slope against the shortfall."""
        pull: Floats = -np.sign(self.by) * self.slopes[self.index]
        return pull

    def best_lamp(self) -> int | None:
        """Return the lamp that moves this target the most, None where none does."""
        index = int(np.argmax(np.abs(self.pull)))
        return index if abs(self.pull[index]) > _WEAK_PULL else None

    def at_end(self) -> int | None:
        """Return the strongest lamp that stands at the end of its range and would have to go on."""
        order = np.argsort(-np.abs(self.pull))
        for index in order[: max(1, len(order) // 2)]:
            knob, turn = self.search.knobs[index], self.turns[index]
            if abs(self.pull[index]) > _WEAK_PULL and _stuck(knob, turn, self.pull[index]):
                return int(index)
        return None

    def rival(self) -> int | None:
        """Return the other target that meeting this one would hurt the most."""
        way = self.pull / max(float(np.linalg.norm(self.pull)), 1e-9)
        hurt = [
            float(2.0 * self.residuals[other] * (self.slopes[other] @ way))
            if other != self.index
            else -math.inf
            for other in range(len(self.aims))
        ]
        worst = int(np.argmax(hurt))
        return worst if hurt[worst] > 0.1 else None


def _stuck(knob: Knob, turn: float, pull: float) -> bool:
    if knob.high <= knob.low:
        return True
    return turn >= knob.high - _END if pull > 0 else turn <= knob.low + _END


def _unmet(case: _Case, plan: Plan, lifted: Lifted) -> Unmet:
    by = abs(case.by)
    over = "over" if case.by > 0 else "under"
    of, kind = case.aim.of, case.aim.kind
    say = f"{title(of)}{_SAID[kind]} {by:.2f} {over} what is allowed: {_why(case)}."
    advice = _advice(case, plan, lifted)
    return Unmet(of, by, f"{say} {advice}" if advice else say)


def _why(case: _Case) -> str:
    best = case.best_lamp()
    if best is None:
        return "no lamp moves it"
    end = case.at_end()
    if end is not None:
        knob = case.search.knobs[end]
        if knob.high <= knob.low:
            return f"{lamp_name(knob.name)} is kept as it is"
        side = "top" if case.pull[end] > 0 else "bottom"
        return f"{lamp_name(knob.name)} is at the {side} of its range"
    rival = case.rival()
    if rival is not None:
        other = case.aims[rival]
        return f"it pulls against {other.of}{_SAID[other.kind]}"
    return f"one step of {lamp_name(case.search.knobs[best].name)} is coarser than that"


def _advice(case: _Case, plan: Plan, lifted: Lifted) -> str:
    end = case.at_end()
    if end is None:
        return _board_advice(case, plan)
    knob = case.search.knobs[end]
    if knob.high <= knob.low:
        return f"Let {lamp_name(knob.name)} be turned too."
    lift = _lift_that_helps(case, lifted)
    move = _move_advice(case, end, plan)
    if lift is None:
        return f"{title(move)}."
    return f"{_lift_advice(plan, lift)} Or {move}."


Lifted = tuple[tuple[float, tuple[float, ...]], ...]
"""Stops of aperture or ISO for all, and each target's shortfall once lamps are dialled again."""


def _lifted(search: Search, turns: Floats) -> Lifted:
    """Return what opening or closing for all would do where a lamp stands at its end.

    Only what makes the whole better than a smaller change does counts.
    """
    ends = [
        1.0 if turn >= knob.high - _END else -1.0
        for knob, turn in zip(search.knobs, turns, strict=True)
        if knob.high > knob.low and (turn >= knob.high - _END or turn <= knob.low + _END)
    ]
    if not ends:
        return ()
    before, way = search.cost(turns), ends[0]
    found = []
    for size in _LIFTS:
        search.lift = way * size
        try:
            again = search.continuous(turns - way * size)
            cost, state = search.cost(again), search.scene.read(again + search.lift)
        finally:
            search.lift = 0.0
        if cost >= before:
            break
        before = cost
        shorts = tuple(abs(aim.short_by(state)) for aim in search.aims)
        found.append((way * size, shorts))
    return tuple(found)


def _lift_that_helps(case: _Case, lifted: Lifted) -> float | None:
    """Return the least lift that mends a target for the most part, None where none does."""
    for lift, shorts in lifted:
        if shorts[case.index] < _HELPED * abs(case.by):
            return lift
    return None


def _lift_advice(plan: Plan, lift: float) -> str:
    way, back = ("Open", "down") if lift > 0 else ("Close", "up")
    f_number = plan.camera.f_number
    now = exact_f_number(f_number) if f_number else None
    to = f", to {say_f_number(now * 2.0 ** (-lift / 2.0))}," if now else ""
    size = abs(lift)
    return (
        f"{way} the aperture {size:.1f}{to} or ISO {'up' if lift > 0 else 'down'} {size:.1f}, and "
        f"turn the other lamps {back} {size:.1f}."
    )


def _move_advice(case: _Case, lamp: int, plan: Plan) -> str:
    """Return where a lamp at its end would have to stand, about: the inverse square of distance."""
    knob = case.search.knobs[lamp]
    light = plan.light(knob.name)
    tolerances_a_stop = abs(case.pull[lamp])
    stops = min(abs(case.residuals[case.index]) / max(tolerances_a_stop, _WEAK_PULL), 3.0)
    nearer = case.pull[lamp] > 0
    if light is None or light.distance is None:
        return f"move {lamp_name(knob.name)} {'nearer' if nearer else 'away'}"
    to = light.distance * 2.0 ** ((-stops if nearer else stops) / 2.0)
    return f"move {lamp_name(knob.name)} from {light.distance:.1f} m to about {to:.1f} m"


def _board_advice(case: _Case, plan: Plan) -> str:
    """Return how a board helps: it has no power of its own and follows its lamp."""
    boards = [panel for panel in plan.panels if panel.kind in ("white board", "black board")]
    lighter = [panel for panel in boards if (panel.kind == "white board") == (case.by < 0)]
    if case.aim.kind not in ("zone", "ratio") or not lighter:
        return ""
    return f"A board follows its lamp: move the {lighter[0].kind} nearer."
