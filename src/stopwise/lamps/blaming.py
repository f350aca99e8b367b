"""One frame's failed findings held against the light that its lamps were read to give."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from stopwise.lamps.knowledge import UNKNOWN, Blame
from stopwise.lamps.outputs import Expected

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from stopwise.lamps.knowledge import Circumstances, Failing, Knowledge
    from stopwise.lamps.outputs import LampReading
    from stopwise.lamps.scene import State
    from stopwise.lamps.wanted import Wanted

    Floats = NDArray[np.float64]

AGREE_STOPS = 0.15
"""What lamps give and what a frame measured agree within this."""

_VAGUE = 0.3
"""Stops of uncertainty of what the lamps give from which nothing is blamed."""

_MATTERS = 0.1
"""Stops of a figure a stop of a lamp, from which the lamp matters to it."""

_MOST = 0.5
"""Share of a difference that a cause must explain."""

_HARM = 0.03
"""Stops by which a turn may push another target further out."""

_FURTHEST = 4.0
"""Stops that a lamp is turned at most, to mend one figure."""

_DARK = -20.0
"""Stops that stand for a lamp that is out."""

_FLARE = 5e-4
"""Light, anchor = 1, that neither solos nor frames can tell from none."""

_HALVINGS = 16
"""Bisections of a turn: 4 stops come down to under 0.0001, far below any pack's step."""

_SETTING = 1.0 / 6.0


class Case:
    """One frame: what its lamps were read to give, and what that makes of each target."""

    def __init__(
        self, knowledge: Knowledge, readings: Mapping[str, LampReading], around: Circumstances
    ) -> None:
        self.know = knowledge
        self.readings = [readings.get(name) for name in knowledge.scene.names]
        self.around = around
        self.outputs = np.array([_stops_of(reading) for reading in self.readings])
        self.state = knowledge.scene.read(self.outputs + around.exposure_stops)

    def blame(self, finding: Failing) -> Blame:
        """Return the cause of one failed finding."""
        aim = self.know.aims.get((finding.check, finding.of))
        if aim is None or finding.measured is None or finding.planned is None:
            return UNKNOWN
        if self._is_shutter(finding):
            return Blame("shutter")
        given = aim.value(self.state)
        slopes = self._slopes(aim)
        doubt = self._doubt(slopes)
        if given is None or doubt > _VAGUE:
            return UNKNOWN
        rest = _clip_rest(finding, given) if aim.kind == "clip" else finding.measured - given
        if abs(rest) <= max(AGREE_STOPS, 2.0 * doubt) + self._lost_in_the_dark(aim):
            return self._of_lamps(aim, finding.measured - finding.planned, slopes)
        return self._of_others(aim, finding, rest)

    def _is_shutter(self, finding: Failing) -> bool:
        slope = self.around.shutter_slope
        if slope is None or finding.of != "backdrop left_right":
            return False
        off = abs((finding.measured or 0.0) - (finding.planned or 0.0))
        return abs(slope) >= AGREE_STOPS and off <= abs(slope) + AGREE_STOPS

    def _slopes(self, aim: Wanted, *, step: float = 0.1) -> Floats:
        """Return how a figure changes with a stop of each lamp."""
        here = aim.value(self.state) or 0.0
        slopes = np.zeros(len(self.outputs))
        for index in range(len(slopes)):
            there = np.maximum(self.outputs, _DARK)
            there[index] += step
            value = aim.value(self._read(there))
            slopes[index] = ((value if value is not None else here) - here) / step
        return slopes

    def _doubt(self, slopes: Floats) -> float:
        """Return the uncertainty of what the lamps give, infinite with a lamp that isn't seen."""
        parts = [0.0]
        for slope, reading in zip(slopes, self.readings, strict=True):
            if reading is None or reading.state == "not seen":
                parts.append(math.inf if abs(slope) > _MATTERS else 0.0)
            elif reading.uncertainty is not None and reading.state != "out":
                parts.append(float(slope) * reading.uncertainty)
        return math.hypot(*parts)

    def _lost_in_the_dark(self, aim: Wanted) -> float:
        """Return the stops that noise, flare and ambient may make of a figure's darkest patch."""
        levels = [self.state.patches[name].log2_y for name in aim.patches]
        return math.log2(1.0 + _FLARE / 2.0 ** min(levels)) if levels else 0.0

    def _of_lamps(self, aim: Wanted, difference: float, slopes: Floats) -> Blame:
        """Name what moved the light that explains a figure: camera, one lamp, or the setting."""
        knocked = self.around.exposure_stops
        if abs(knocked) > _SETTING:
            without = aim.value(self.know.scene.read(self.outputs))
            if without is not None and abs(without - aim.target) < _MOST * abs(difference):
                return Blame("camera")
        off = self._off_lamp(aim, difference, slopes)
        if off is not None:
            return off
        for index in np.argsort(-np.abs(slopes)):
            if abs(slopes[index]) > _MATTERS:
                turn = self._mending_turn(aim, int(index), slopes[index])
                if turn is not None:
                    return Blame("lamp", self.know.scene.names[index], turn)
        return Blame("lamp")

    def _off_lamp(self, aim: Wanted, difference: float, slopes: Floats) -> Blame | None:
        """Return the lamp that is off what is expected of it, where that makes the difference."""
        found = []
        for index, name in enumerate(self.know.scene.names):
            off = self._off(index)
            if off is None or not difference:
                continue
            made = self._made(aim, index, off) if off < -1.0 else float(slopes[index]) * off
            turn = None if self._is_out(index) else -off
            found.append((made / difference, Blame("lamp", name, turn)))
        share, blame = max(found, key=lambda pair: pair[0], default=(0.0, UNKNOWN))
        return blame if share > _MOST else None

    def _off(self, index: int) -> float | None:
        """Return how far a lamp is off what is expected; None with nothing expected of it."""
        reading, expected = self.readings[index], self._expected(index)
        if self._is_out(index):
            return float(self.outputs[index]) - expected.stops
        if reading is None or reading.stops is None or not expected.known:
            return None
        return reading.stops - expected.stops

    def _is_out(self, index: int) -> bool:
        reading = self.readings[index]
        return reading is not None and reading.state == "out"

    def _expected(self, index: int) -> Expected:
        return self.around.expected.get(self.know.scene.names[index], Expected())

    def _made(self, aim: Wanted, index: int, off: float) -> float:
        """Return what a lamp being `off` makes of a figure, against its being as expected."""
        there = self.outputs.copy()
        there[index] -= off
        lit, now = aim.value(self._read(there)), aim.value(self.state)
        return 0.0 if lit is None or now is None else now - lit

    def _read(self, outputs: Floats) -> State:
        return self.know.scene.read(outputs + self.around.exposure_stops)

    def _mending_turn(self, aim: Wanted, index: int, slope: float) -> float | None:
        """Return the turn of one lamp that meets a target and harms no other, or None."""
        turn = self._turn_to(aim, index, slope)
        if turn is None:
            return None
        there = self.outputs.copy()
        there[index] += turn
        state = self._read(there)
        for other in self.know.aims.values():
            if abs(other.short_by(state)) > abs(other.short_by(self.state)) + _HARM:
                return None
        return turn

    def _turn_to(self, aim: Wanted, index: int, slope: float) -> float | None:
        """Return the turn at which a figure meets its target, by halving; None beyond 4 stops."""
        value = aim.value(self.state)
        if value is None:
            return None
        way = 1.0 if (aim.target - value) * slope > 0 else -1.0
        near, far = 0.0, way * _FURTHEST
        if not self._passes(aim, index, far, above=value < aim.target):
            return None
        for _ in range(_HALVINGS):
            middle = (near + far) / 2.0
            if self._passes(aim, index, middle, above=value < aim.target):
                far = middle
            else:
                near = middle
        return far

    def _passes(self, aim: Wanted, index: int, turn: float, *, above: bool) -> bool:
        there = self.outputs.copy()
        there[index] += turn
        value = aim.value(self._read(there))
        if value is None:
            return False
        return value >= aim.target if above else value <= aim.target

    def _of_others(self, aim: Wanted, finding: Failing, rest: float) -> Blame:
        """Name who did it where light doesn't explain a figure: sitter, backdrop, or unknown."""
        if finding.check == "backdrop":
            return Blame("backdrop")
        difference = (finding.measured or 0.0) - (finding.planned or 0.0)
        explains = aim.kind == "clip" or (
            rest * difference > 0 and abs(rest) >= _MOST * abs(difference)
        )
        if explains and any(name in self.know.sitters for name in aim.patches):
            return Blame("sitter")
        return UNKNOWN


def _stops_of(reading: LampReading | None) -> float:
    if reading is None:
        return 0.0
    if reading.stops is None or reading.state == "out":
        return _DARK if reading.state == "out" else 0.0
    return reading.stops


def _clip_rest(finding: Failing, room: float) -> float:
    """Return the stops that clipping as measured lies beyond what the lamps give; 0 if they clip.

    A share that clips can't be set against stops, so lamps explain clipping where they bring the
    patch within 0.15 stop of its ceiling.
    """
    return max(room, 0.0) if finding.measured else 0.0
