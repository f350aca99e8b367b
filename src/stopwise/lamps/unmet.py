"""Targets that no powers meet: by how much, why, and what would."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.codes import AIMED, BOUND, HELPS, UNMET, UNSURE
from stopwise.lamps.prediction import slopes
from stopwise.stops import exact_f_number, say_f_number
from stopwise.wording import lamp_name, title

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from numpy.typing import NDArray

    from stopwise.codes import HelpCode, UnmetReason
    from stopwise.lamps.power_search import Search
    from stopwise.lamps.prediction import Aim, Prediction
    from stopwise.plan.model import Plan

    Floats = NDArray[np.float64]

SHORT = 0.02
"""Stops outside its tolerance from which a target is unmet: a flash's own repeatability."""

_WEAK_PULL = 0.05
"""Tolerances a stop under which a lamp does nothing for a target."""

_LEAST_HURT = 0.1
"""Squared tolerances a stop from which meeting one target hurts another."""

_SLOPE_STEP = 0.1
"""Stops over which slopes are taken: a pack's usual step."""

_LIFTS = tuple(third / 3.0 for third in range(1, 7))
"""Stops of aperture or ISO that are tried: thirds, as cameras have them, up to two stops."""

_FURTHEST = 3.0
"""Stops that moving a lamp is to give at most: to 0.35 of its distance, or 2.8 times."""

_HELPED = 0.3
"""Share to which a change of aperture must bring a target's shortfall before it is advised."""


@dataclass(frozen=True, slots=True)
class Help:
    """What would help a target that can't be met.

    Attributes
    ----------
    code
        What to change.
    what
        The lamp, or the kind of board.
    stops
        Of light for all, above 0.
    now, then
        The lamp's distance in metres, or the f-number; None where the plan doesn't say.
    """

    code: HelpCode
    what: str = ""
    stops: float = 0.0
    now: float | None = None
    then: float | None = None

    @property
    def words(self) -> str:
        """The sentence, from the one table of them."""
        mark = "" if self.then is None else f", to {say_f_number(self.then)},"
        lamp = lamp_name(self.what) if self.what else ""
        return HELPS[self.code].format(
            lamp=lamp, what=self.what, stops=self.stops, mark=mark, now=self.now, then=self.then
        )


@dataclass(frozen=True, slots=True)
class Unmet:
    """One target that can't be met.

    Attributes
    ----------
    of, kind
        As of its aim.
    off
        Stops outside what is allowed, above 0 for too much.
    reason, what
        Why; and the lamp that it is about, or what the rival is of.
    rival_kind
        Which figure the rival is.
    helps
        What would help, the best first.
    """

    of: str
    kind: str
    off: float
    reason: UnmetReason
    what: str = ""
    rival_kind: str = ""
    helps: tuple[Help, ...] = ()

    @property
    def short_by(self) -> float:
        """Stops outside what is allowed, above 0."""
        return abs(self.off)

    @property
    def say(self) -> str:
        """By how much, why, and what would help: a sentence or two, from the one table of them."""
        side = "over" if self.off > 0 else "under"
        why = UNMET.get(self.reason, "").format(
            lamp=lamp_name(self.what), rival=f"{self.what}{AIMED.get(self.rival_kind, '')}"
        )
        figure = f"{title(self.of)}{AIMED.get(self.kind, '')}"
        told = [f"{figure} {self.short_by:.2f} {side} what is allowed{why and f': {why}'}."]
        for place, help_ in enumerate(self.helps):
            words = help_.words
            told.append(f"Or {words[:1].lower()}{words[1:]}" if place else words)
        return " ".join(told)

    def to_json(self) -> dict[str, Any]:
        """Return it as `dial --json` prints it."""
        return {"of": self.of, "short_by": round(self.short_by, 3), "say": self.say}


def find_unmet(
    search: Search, turns: Floats, predicted: Prediction, plan: Plan
) -> tuple[Unmet, ...]:
    """Return the targets that the dialled setting leaves unmet, worst first.

    Parameters
    ----------
    search
        Reads the set.
    turns
        float64 (lamps,), the dialled setting, stops from the solos.
    predicted
        What it gives.
    plan
        For aperture and places of the lamps.
    """
    short = [aim.short_by(predicted) for aim in search.aims]
    failing = [index for index, off in enumerate(short) if abs(off) > SHORT]
    if not failing:
        return ()
    residuals = np.array([aim.residual(predicted) for aim in search.aims])
    moves = slopes(search.residuals, turns, step=_SLOPE_STEP)
    lifted = _lifted(search, turns)
    found = [
        _unmet(_Shortfall(search, turns, residuals, moves, index, short[index]), plan, lifted)
        for index in failing
    ]
    return tuple(sorted(found, key=lambda unmet: -unmet.short_by))


def find_missed(aims: Iterable[Aim], predicted: Prediction) -> tuple[Unmet, ...]:
    """Return the targets that powers which are only tried would miss, worst first."""
    found = (Unmet(aim.of, aim.kind, surely_short_by(aim, predicted), "tried") for aim in aims)
    missed = (one for one in found if one.short_by > SHORT)
    return tuple(sorted(missed, key=lambda one: -one.short_by))


def is_bound(aim: Aim, predicted: Prediction) -> bool:
    """Tell whether a patch that a target reads is known to a bound alone: a solo is clipped."""
    return any(predicted.patches[name].is_bound for name in aim.patches)


def surely_short_by(aim: Aim, predicted: Prediction) -> float:
    """Return by how many stops a target surely lies outside what is allowed, signed; 0 inside.

    Of light that is at least what is told only too much of it is sure.
    """
    off = aim.short_by(predicted)
    too_much = {"zone": off, "headroom": -off, "clip": -off}.get(aim.kind, 0.0)
    return off if too_much > 0.0 or not is_bound(aim, predicted) else 0.0


PROMISED = 0.15
"""Stops within which what is promised holds, at twice its uncertainty."""


@dataclass(frozen=True, slots=True)
class Unsure:
    """One target that is met as predicted, but not surely.

    Attributes
    ----------
    of, kind
        As of its aim.
    uncertainty
        Standard uncertainty of what is predicted, stops; None where that is but a bound.
    """

    of: str
    kind: str
    uncertainty: float | None

    @property
    def say(self) -> str:
        """How sure it is, and what would make it surer."""
        figure = f"{title(self.of)}{AIMED.get(self.kind, '')}"
        if self.uncertainty is None:
            return BOUND.format(figure=figure)
        return UNSURE.format(figure=figure, stops=2.0 * self.uncertainty)

    def to_json(self) -> dict[str, Any]:
        """Return it as `dial --json` prints it."""
        unsure = None if self.uncertainty is None else round(self.uncertainty, 3)
        return {"of": self.of, "uncertainty": unsure, "say": self.say}


def find_unsure(
    aims: Iterable[Aim], predicted: Prediction, unmet: Iterable[Unmet]
) -> tuple[Unsure, ...]:
    """Return the targets that are met but can't be promised within 0.15 stop, least sure first.

    Parameters
    ----------
    aims
        What was weighed.
    predicted
        What the dialled setting gives.
    unmet
        Targets that it doesn't meet.
    """
    missed = {(one.of, one.kind) for one in unmet}
    found = [
        Unsure(
            aim.of,
            aim.kind,
            None if is_bound(aim, predicted) else aim.uncertainty(predicted),
        )
        for aim in aims
        if (aim.of, aim.kind) not in missed
    ]
    bounds = {one.of: one for one in reversed(found) if one.uncertainty is None}  # a line a place
    wide = {one: one.uncertainty for one in found if 2.0 * (one.uncertainty or 0.0) > PROMISED}
    return (*reversed(bounds.values()), *sorted(wide, key=lambda one: -(wide[one] or 0.0)))


@dataclass(frozen=True, eq=False, slots=True)
class _Shortfall:
    """One unmet target amid the others; `moves` are slopes of residuals, (targets, lamps)."""

    search: Search
    turns: Floats
    residuals: Floats
    moves: Floats
    index: int
    off: float

    @property
    def pull(self) -> Floats:
        """How far up each lamp would have to go for the target: its slope against what is short."""
        pull: Floats = -np.sign(self.off) * self.moves[self.index]
        return pull

    def at_end(self) -> int | None:
        """Return the strongest lamp that stands at the end of its range and would have to go on."""
        order = np.argsort(-np.abs(self.pull))
        for index in order[: max(1, len(order) // 2)]:
            pull, knob = self.pull[index], self.search.knobs[index]
            stuck = knob.is_kept or knob.end(self.turns[index]) == np.sign(pull)
            if abs(pull) > _WEAK_PULL and stuck:
                return int(index)
        return None

    def rival(self) -> int | None:
        """Return the other target that meeting this one would hurt the most."""
        way = self.pull / max(float(np.linalg.norm(self.pull)), 1e-9)
        hurt = 2.0 * self.residuals * (self.moves @ way)
        hurt[self.index] = -math.inf
        worst = int(np.argmax(hurt))
        return worst if hurt[worst] > _LEAST_HURT else None


def _unmet(case: _Shortfall, plan: Plan, lifted: Sequence[tuple[float, Floats]]) -> Unmet:
    aim, knobs = case.search.aims[case.index], case.search.knobs
    best, end, rival = int(np.argmax(np.abs(case.pull))), case.at_end(), case.rival()
    reason: UnmetReason
    what, rival_kind, helps = "", "", tuple(_board(case, plan))
    if abs(case.pull[best]) <= _WEAK_PULL:
        reason = "no lamp"
    elif end is not None:
        what = knobs[end].name
        reason = "kept" if knobs[end].is_kept else "top" if case.pull[end] > 0 else "bottom"
        helps = tuple(_past_the_end(case, end, plan, lifted))
    elif rival is not None:
        other = case.search.aims[rival]
        reason, what, rival_kind = "rival", other.of, other.kind
    else:
        reason, what = "step", knobs[best].name
    return Unmet(aim.of, aim.kind, case.off, reason, what, rival_kind, helps)


def _past_the_end(
    case: _Shortfall, lamp: int, plan: Plan, lifted: Sequence[tuple[float, Floats]]
) -> Iterator[Help]:
    """Yield what helps where a lamp stands at its end: what lifts all, and where it would stand."""
    knob, pull = case.search.knobs[lamp], case.pull[lamp]
    if knob.is_kept:
        yield Help("let turn", knob.name)
        return
    for lift, shorts in lifted:
        if shorts[case.index] < _HELPED * abs(case.off):
            marked = plan.camera.f_number
            f_number = exact_f_number(marked) if marked else None
            then = None if f_number is None else f_number * 2.0 ** (-lift / 2.0)
            yield Help("open" if lift > 0 else "close", stops=abs(lift), now=f_number, then=then)
            break
    # a lamp's light falls with the square of its distance
    light = plan.light(knob.name)
    distance = None if light is None else light.distance
    stops = min(abs(case.residuals[case.index]) / max(abs(pull), _WEAK_PULL), _FURTHEST)
    code: HelpCode = "nearer" if pull > 0 else "away"
    if distance is None:
        yield Help(code, knob.name)
        return
    then = distance * 2.0 ** (math.copysign(stops, -pull) / 2.0)
    yield Help("nearer to" if pull > 0 else "away to", knob.name, now=distance, then=then)


def _lifted(search: Search, turns: Floats) -> list[tuple[float, Floats]]:
    """Return stops of aperture for all, and each target's shortfall once lamps are dialled again.

    Only where a lamp stands at its end, and as far as it makes the whole better than less does.
    """
    ends = [
        end
        for knob, turn in zip(search.knobs, turns, strict=True)
        if not knob.is_kept and (end := knob.end(turn))
    ]
    before, found = search.cost(turns), []
    for size in _LIFTS if ends else ():
        search.lift = ends[0] * size
        try:
            again = search.free(turns - search.lift)
            cost, read = search.cost(again), search.read(again)
        finally:
            search.lift = 0.0
        if cost >= before:
            break
        before = cost
        found.append((ends[0] * size, np.array([abs(aim.short_by(read)) for aim in search.aims])))
    return found


def _board(case: _Shortfall, plan: Plan) -> Iterator[Help]:
    """Yield how a board helps: it has no power of its own and follows its lamp."""
    wanted = "white board" if case.off < 0 else "black board"
    if case.search.aims[case.index].kind in ("zone", "ratio"):
        yield from [Help("board", wanted) for panel in plan.panels if panel.kind == wanted][:1]
