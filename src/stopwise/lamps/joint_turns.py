"""The turns of a frame as one answer: from what each lamp gives now, by the fewest lamps."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from stopwise.lamps.blame import VAGUE
from stopwise.lamps.outputs import Expected
from stopwise.lamps.power_search import Search, knob_of, packs_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from stopwise.findings import Finding
    from stopwise.lamps.blame import FrameCase
    from stopwise.lamps.power_search import Knob
    from stopwise.lamps.prediction import Aim, Prediction

    Floats = NDArray[np.float64]

_GAIN = 0.02
"""Stops by which turns must bring targets nearer to be given, and from which what was measured and
what the solos have are two: a flash's own repeatability.
"""

_FARTHER = 0.05
"""Stops by which one turn alone may push the worst target out before another is told first: it may
truly be a tenth then, with what readings and flashes vary by (0.03 and 0.02).
"""


@dataclass(frozen=True, slots=True)
class Remedy:
    """What one lamp of a joint answer does.

    Attributes
    ----------
    lamp
        The lamp.
    stops
        Its turn, on its steps and within its range; 0 where it stands at the end that it needs.
    end
        1 or -1 where the top or bottom of its range keeps it from what is needed, else 0.
    short_by
        Stops that it would have to go on there.
    """

    lamp: str
    stops: float
    end: int = 0
    short_by: float = 0.0


@dataclass(frozen=True, slots=True)
class JointTurns:
    """The turns of a frame, best first, and what each explains.

    Attributes
    ----------
    remedies
        The turn that alone gains most first; one that mends nothing that failed last.
    explained
        The lamp of each failed finding that a turn mends, by check and what it is of.
    """

    remedies: tuple[Remedy, ...] = ()
    explained: Mapping[tuple[str, str], str] = field(default_factory=dict)


def joint_turns(
    case: FrameCase, findings: Sequence[Finding], *, barred: Collection[str] = ()
) -> JointTurns:
    """Return the turns that bring the next frame on plan.

    Parameters
    ----------
    case
        The frame, and what its lamps give.
    findings
        All of it: what is seen is weighed, as far as the lamps account for it.
    barred
        Lamps whose light isn't their power's to mend: a spot that moved.

    Returns
    -------
    JointTurns
        None where nothing that failed is shown to be the lamps', or no turn brings targets nearer.

    Notes
    -----
    A still thing, and a figure on a sitter who stands as in the solos, is to be met both as it was
    measured and as the solos have it: of what parts the two nobody knows what stays. Hair of
    another finish on him is taken as measured. A head that turned is taken as the solos have it:
    its own reading is no lamp's; so is a patch that wasn't found again though he stands at his
    mark: light that fell on it otherwise may have hidden it; so is paper of which a part is blown.
    Figures that hang on a lamp that is out or isn't seen are left aside.
    """
    hairs = {
        case.hair_lamp(case.know.aims[one.check, one.of])
        for one in findings
        if one.state == "fails" and case.finish(one) is not None
    }
    held = [
        index not in hairs and _is_held(case, index, barred) for index in range(len(case.names))
    ]
    aims = [
        replace(aim, doubt=min(case.doubt(aim), VAGUE)) for aim in _trusted(case, findings, held)
    ]
    now = case.know.now
    knobs = []
    for index, name in enumerate(case.names):
        light, output = now.plan.light(name), float(case.outputs[index])
        power = None if light is None or light.power is None else light.power + output
        knobs.append(knob_of(name, light, output, power=power, kept=held[index]))
    failing = {(one.check, one.of) for one in findings if one.state == "fails"}
    if not aims or all(knob.is_kept for knob in knobs):
        return JointTurns()
    packs = packs_of(now.plan, case.names, lit=case.lit)
    search = Search(case.know.scene, aims, knobs, lift=_lift(case, findings), packs=packs)
    answer = _Answer(search, case.outputs)
    explained = dict(answer.explained(failing)) if answer.is_better else {}
    if not explained:
        return JointTurns()
    mending = {lamp for one in set(explained.values()) for lamp in now.plan.turned_with(one)}
    idle = [one.lamp for one in answer.remedies if one.lamp not in mending]
    if idle and not case.knows_all:  # what is made up for may be the unknown lamp's light
        return joint_turns(case, findings, barred=(*barred, *idle))
    return JointTurns(
        tuple(sorted(answer.remedies, key=lambda one: one.lamp not in mending)), explained
    )


def _is_held(case: FrameCase, index: int, barred: Collection[str]) -> bool:
    name, reading = case.names[index], case.readings[index]
    unseen = reading is None or reading.state in ("out", "not seen") or reading.stops is None
    return name not in case.lit or unseen or name in barred


def _lift(case: FrameCase, findings: Sequence[Finding]) -> float:
    """Return stops of exposure over the solos': a setting that was knocked is put right first."""
    knocked = any(
        one.check == "setting" and one.state == "fails" and one.of != "shutter" for one in findings
    )
    return 0.0 if knocked else case.around.exposure_stops


def _trusted(case: FrameCase, findings: Sequence[Finding], held: Sequence[bool]) -> Iterator[Aim]:
    """Yield the targets that are seen and that the lamps account for, as they were measured."""
    for finding in findings:
        aim = case.know.aims.get((finding.check, finding.of))
        finish = case.finish(finding)
        if aim is not None and finish is not None:
            yield replace(aim, value=_Shifted(aim, finish))
            continue
        rest = case.rest(finding)
        if aim is None or _hangs_on_held(case, aim, held):
            continue
        if rest is None:
            if case.is_only_lost(finding):
                yield aim
        elif aim.is_share or case.is_cut_off(aim):
            yield aim
        elif case.agrees(finding):
            if abs(rest) > _GAIN:
                yield aim
            yield replace(aim, value=_Shifted(aim, rest))
        elif case.knows_all and case.is_of_sitter(aim):
            yield aim


@dataclass(frozen=True, slots=True)
class _Shifted:
    """A target's figure as predicted, and what the frame measured over that."""

    aim: Aim
    rest: float

    def __call__(self, read: Prediction) -> float | None:
        value = self.aim.value(read)
        return None if value is None else value + self.rest


def _hangs_on_held(case: FrameCase, aim: Aim, held: Sequence[bool]) -> bool:
    """Tell whether a figure needs a lamp that is out though it is meant to be lit."""
    return any(
        case.out[index]
        and held[index]
        and name in case.lit
        and case.needs_lamp(aim, index, case.around.expected.get(name, Expected()).stops)
        for index, name in enumerate(case.names)
    )


class _Answer:
    """The search's answer, and what each of its turns does alone."""

    def __init__(self, search: Search, now: Floats) -> None:
        self.search, self.now = search, now
        self.best = search.fewest(search.on_steps(search.free()))

    @property
    def is_better(self) -> bool:
        """Whether it brings targets nearer, or a lamp at its end keeps them from it."""
        nearer = self.search.short(self.now) - self.search.short(self.best)
        return nearer > _GAIN or bool(self._ends)

    @cached_property
    def remedies(self) -> tuple[Remedy, ...]:
        """What each lamp does, the one that alone gains most first."""
        before = self.search.worst(self.now)

        def order(index: int) -> tuple[bool, float]:
            there = self._alone(index)
            return self.search.worst(there) > before + _FARTHER, self.search.short(there)

        asked = [index for index, turn in enumerate(self._turns) if turn or index in self._ends]
        return tuple(self._remedy(index) for index in sorted(asked, key=order))

    def explained(
        self, failing: Collection[tuple[str, str]]
    ) -> Iterator[tuple[tuple[str, str], str]]:
        """Yield each failed finding that a turn mends, with the lamp that mends it most."""
        knobs, read = self.search.knobs, self.search.read
        here = read(self.now)
        lamps = [knob.name for knob in knobs]
        reads = {one.lamp: read(self._alone(lamps.index(one.lamp))) for one in self.remedies}
        for aim in self.search.aims:
            if (aim.check, aim.of) not in failing:
                continue
            gains = {
                lamp: abs(aim.residual(here)) - abs(aim.residual(there))
                for lamp, there in reads.items()
            }
            best = max(gains, key=lambda lamp: gains[lamp], default=None)
            if best is not None and gains[best] > 0.0:
                yield (aim.check, aim.of), best

    @property
    def _turns(self) -> list[float]:
        return [round(float(turn), 4) + 0.0 for turn in self.best - self.now]

    @cached_property
    def _ends(self) -> dict[int, float]:
        """Lamps whose range ends before what is needed, and by how much."""
        search, best = self.search, self.best
        ends = {i: end for i, knob in enumerate(search.knobs) if (end := _end(knob, best[i]))}
        if not ends or search.short(best) <= _GAIN:
            return {}
        wide = [
            knob if i not in ends else replace(knob, low=knob.low - 4.0, high=knob.high + 4.0)
            for i, knob in enumerate(search.knobs)
        ]
        free = search.with_knobs(wide).free(best)
        over = {i: float(free[i] - best[i]) for i in ends}
        return {i: by for i, by in over.items() if by * ends[i] >= search.knobs[i].step / 2.0}

    def _alone(self, index: int) -> Floats:
        """Return the lamps' stops with one of the turns done, as far as it would have to go."""
        there = self.now.copy()
        for one in self.search.turned_with(index):
            there[one] = self.best[one] + self._ends.get(one, 0.0)
        return there

    def _remedy(self, index: int) -> Remedy:
        short_by = self._ends.get(index, 0.0)
        return Remedy(
            self.search.knobs[index].name,
            self._turns[index],
            end=int(np.sign(short_by)),
            short_by=round(short_by, 4),
        )


def _end(knob: Knob, turn: float) -> int:
    return 0 if knob.is_kept else knob.end(turn)
