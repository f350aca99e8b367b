"""Blame: whether lamps explain what a frame measured, or who else did it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from stopwise.lamps.outputs import OFF_UNCERTAINTIES, Expected
from stopwise.lamps.prediction import aims_of, build_scene, slopes
from stopwise.plan.now import stays_with_the_set

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from stopwise.findings import Cause, Finding
    from stopwise.lamps.outputs import LampReading
    from stopwise.lamps.prediction import Aim, Prediction, Scene
    from stopwise.lamps.solos import LampSet
    from stopwise.plan.now import PlanNow

    Floats = NDArray[np.float64]

AGREE_STOPS = 0.15
"""What lamps give and what a frame measured agree within this: three uncertainties of a zone."""

FELL_STOPS = -1.0
"""A patch that falls this far under its take's median has lost its lamp."""

HELD_STOPS = 0.25
"""A patch within this of its take's median has held."""

VAGUE = 0.3
"""Stops of uncertainty of what the lamps give from which nothing is blamed."""

_MATTERS = 0.1
"""Stops of a figure a stop of a lamp, from which the lamp matters to it."""

_MOST = 0.5
"""Share of a difference that a cause must explain."""

_FORMLESS = ("hair", "metal")
"""Materials that reflect by strands and edges, whose directions nobody knows."""

_FORMS = 2
"""Patches of a known form on the sitter that show whether his head has turned: one may face so that
a turn leaves it as it was.
"""

_AT_MARK = 0.005
"""Fractions of the picture within which a sitter is at his mark: he is found no nearer."""

_DARK = -20.0
"""Stops that stand for a lamp that is out."""

_FLARE = 5e-4
"""Light, anchor = 1, that neither solos nor frames can tell from none."""

_SLOPE_STEP = 0.1
"""Stops over which slopes are taken: a pack's usual step."""

_SETTING = 1.0 / 6.0
"""Stops of aperture and ISO from which a setting counts as knocked: half of a third of a stop."""


@dataclass(frozen=True, slots=True)
class Blame:
    """Why a finding failed.

    Attributes
    ----------
    cause
        Who or what.
    lamp
        The lamp, where one is off what is expected of it.
    """

    cause: Cause
    lamp: str | None = None


_UNKNOWN = Blame("unknown")


@dataclass(frozen=True, eq=False, slots=True)
class Knowledge:
    """What solos say of the plan's targets, made once for many frames.

    Attributes
    ----------
    now
        What of the plan they speak of.
    scene
        The set.
    aims
        Each target, by check and what it is of.
    sitters
        Patches that are the sitter's: they may turn with a head.
    formless, hair
        Those of them whose form nobody knows: hair, metal; and those that are hair.
    """

    now: PlanNow
    scene: Scene
    aims: Mapping[tuple[str, str], Aim]
    sitters: frozenset[str]
    formless: frozenset[str] = frozenset()
    hair: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What else is known of the frame.

    Attributes
    ----------
    expected
        What is expected of each lamp; those not named have nothing expected of them.
    exposure_stops
        How much more light this frame's aperture and ISO record than the solos'.
    shutter_slope
        Slope along the shutter's travel, stops; None where it can't be told.
    off_mark
        How far the sitter stands off his mark, fractions of the picture; infinite where nobody
        knows.
    """

    expected: Mapping[str, Expected]
    exposure_stops: float = 0.0
    shutter_slope: float | None = None
    off_mark: float = math.inf


def know(lamps: LampSet, now: PlanNow) -> Knowledge:
    """Gather what solos say of the plan's targets.

    Parameters
    ----------
    lamps
        The solos.
    now
        What of the plan holds now.
    """
    scene = build_scene(lamps, now).quick()
    aims: dict[tuple[str, str], Aim] = {(aim.check, aim.of): aim for aim in aims_of(now, scene)}
    sitters = (patch.name for patch in now.patches if not stays_with_the_set(patch))
    formless = (patch.name for patch in now.patches if patch.material in _FORMLESS)
    hair = (patch.name for patch in now.patches if patch.material == "hair")
    return Knowledge(now, scene, aims, frozenset(sitters), frozenset(formless), frozenset(hair))


def likely_out(drops: Mapping[str, float], lit_by: Mapping[str, Sequence[str]]) -> str | None:
    """Return the one lamp that likely did not fire, told without solos.

    Parameters
    ----------
    drops
        Stops that each seen patch reads under its take's own median, below 0 for darker.
    lit_by
        The lamps that light each patch, the leading one first.

    Returns
    -------
    str or None
        A lamp all of whose led patches fell by a stop or more while every patch that it doesn't
        light held within a quarter stop; None where no lamp or more than one fits.
    """
    suspects = []
    for lamp in dict.fromkeys(name for names in lit_by.values() for name in names[:1]):
        led = [drop for patch, drop in drops.items() if tuple(lit_by.get(patch, ()))[:1] == (lamp,)]
        others = [drop for patch, drop in drops.items() if lamp not in lit_by.get(patch, ())]
        held = bool(others) and max(abs(drop) for drop in others) <= HELD_STOPS
        if led and max(led) <= FELL_STOPS and held:
            suspects.append(lamp)
    return suspects[0] if len(suspects) == 1 else None


class FrameCase:
    """One frame: what its lamps were read to give, and what that makes of each target.

    Parameters
    ----------
    knowledge
        What solos say of the targets.
    readings
        What each lamp gave in this frame.
    around
        What else is known of it.
    findings
        All of it, as far as they bear one another out.
    """

    def __init__(
        self,
        knowledge: Knowledge,
        readings: Mapping[str, LampReading],
        around: Circumstances,
        findings: Sequence[Finding] = (),
    ) -> None:
        self.know, self.around, self.findings = knowledge, around, findings
        self.names = knowledge.scene.names
        self.readings = [readings.get(name) for name in self.names]
        self.out = [reading is not None and reading.state == "out" for reading in self.readings]
        self.outputs = np.array(
            [
                _DARK if out else self._gave(name, reading)
                for name, out, reading in zip(self.names, self.out, self.readings, strict=True)
            ]
        )
        self.given = self._read(self.outputs)

    @property
    def lit(self) -> frozenset[str]:
        """The lamps that are meant to be lit."""
        return frozenset(self.names if self.know.now.lit is None else self.know.now.lit)

    @property
    def knows_all(self) -> bool:
        """Whether the own light of every lamp that is meant to be lit is known."""
        now = self.know.now
        lights = {light.name for light in now.plan.lights}
        return (lights if now.lit is None else lights.intersection(now.lit)) <= set(self.names)

    def _gave(self, name: str, reading: LampReading | None) -> float:
        """Return what a lamp gave, stops; as expected where it isn't seen."""
        if reading is None or reading.fired_stops is None:
            return self.around.expected.get(name, Expected()).stops
        return reading.fired_stops

    def _read(self, outputs: Floats) -> Prediction:
        return self.know.scene.read(outputs + self.around.exposure_stops)

    @cached_property
    def moves(self) -> dict[tuple[str, str], Floats]:
        """How each target's figure changes with a stop of each lamp, float64 (lamps,)."""
        aims = self.know.aims

        def figures(outputs: Floats) -> Floats:
            read = self._read(outputs)
            return np.array([aim.value(read) or 0.0 for aim in aims.values()])

        return dict(zip(aims, slopes(figures, self.outputs, step=_SLOPE_STEP), strict=True))

    def rest(self, finding: Finding) -> float | None:
        """Return what a figure measured over what its lamps give; None where that isn't known.

        A share that clips can't be set against stops: lamps explain it where they bring the place
        within 0.15 stop of its ceiling.
        """
        aim = self.know.aims.get((finding.check, finding.of))
        given = None if aim is None else aim.value(self.given)
        if aim is None or given is None or finding.measured is None or self.doubt(aim) > VAGUE:
            return None
        if aim.is_share:
            return max(given, 0.0) if finding.measured else 0.0
        return finding.measured - given

    def is_only_lost(self, finding: Finding) -> bool:
        """Tell whether a patch wasn't found again on a sitter at his mark under known lamps."""
        aim = self.know.aims.get((finding.check, finding.of))
        is_lost = finding.check == "patch" and finding.why == "not_followed"
        at_mark = self.around.off_mark <= _AT_MARK and self.knows_all
        return is_lost and at_mark and aim is not None and self.doubt(aim) <= VAGUE

    def is_cut_off(self, aim: Aim) -> bool:
        """Tell whether a figure of the paper lacks what is blown of it, under known lamps."""
        paper = self.know.now.plan.backdrop
        if aim.check != "backdrop" or paper is None or not self.knows_all:
            return False
        areas = [one.detail.where for one in self.findings if one.check == "blown"]
        return any(
            min(area[2], box[2]) > max(area[0], box[0])
            and min(area[3], box[3]) > max(area[1], box[1])
            for area in areas
            if area is not None
            for box in paper.boxes
        )

    def agrees(self, finding: Finding) -> bool:
        """Tell whether what the lamps give is what a figure measured, within 0.15 stop."""
        aim, rest = self.know.aims.get((finding.check, finding.of)), self.rest(finding)
        return aim is not None and rest is not None and abs(rest) <= AGREE_STOPS + self._lost(aim)

    def _lost(self, aim: Aim) -> float:
        """Return what flare may hide of a figure's light, stops."""
        levels = [self.given.patches[name].log2_y for name in aim.patches]
        return math.log2(1.0 + _FLARE / 2.0 ** min(levels)) if levels else 0.0

    def is_of_sitter(self, aim: Aim) -> bool:
        """Tell whether a target is on the sitter, who may turn."""
        return not self.know.sitters.isdisjoint(aim.patches)

    def blame(self, finding: Finding) -> Blame:
        """Return the cause of one failed finding.

        A lamp is named only where the lamps' light as read explains the figure within 0.15 stop,
        and what they make of it is clear of their uncertainty; the sitter only where what they
        leave is. Between the two nobody knows.
        """
        aim = self.know.aims.get((finding.check, finding.of))
        difference, rest = finding.difference, self.rest(finding)
        slope = abs(self.around.shutter_slope or 0.0)
        if aim is None or difference is None:
            return _UNKNOWN
        if (
            finding.figure == "left_right"
            and max(AGREE_STOPS, abs(difference) - AGREE_STOPS) <= slope
        ):
            return Blame("shutter")
        if self.finish(finding) is not None:
            return Blame("lamp")
        if rest is None:
            return _UNKNOWN
        if self.agrees(finding):
            unsure = OFF_UNCERTAINTIES * self.doubt(aim)
            is_clear = aim.is_share or abs(difference - rest) > unsure
            told = self._of_lamps(aim, difference) if is_clear else _UNKNOWN
            return _UNKNOWN if told.cause == "lamp" and not self._is_borne_out(aim) else told
        return self._left_over(aim, finding, rest)

    def _left_over(self, aim: Aim, finding: Finding, rest: float) -> Blame:
        """Return the cause of what the lamps don't account for."""
        difference = finding.difference or 0.0
        unsure = OFF_UNCERTAINTIES * self.doubt(aim) + self._lost(aim)
        is_clear = aim.is_share or abs(rest) > unsure
        explains = rest * difference > 0 and abs(rest) >= _MOST * abs(difference)
        if is_clear and (explains or aim.is_share) and self.is_of_sitter(aim) and self.knows_all:
            return Blame("sitter")
        is_paper = is_clear and finding.check == "backdrop"
        return Blame("backdrop") if is_paper else _UNKNOWN

    def _is_borne_out(self, aim: Aim) -> bool:
        """Tell whether a figure on matter of no known form is borne out by others.

        Hair's strands face anywhere: what a turned head makes of them looks like a lamp. So the
        lamp that matters most to it must account for a figure on something else too, or the head
        be still.
        """
        if not self.know.formless.issuperset(aim.patches) or not aim.patches:
            return True
        most = self.hair_lamp(aim)
        return self._head_is_still or any(
            abs(self.moves[other.check, other.of][most]) > _MATTERS and agrees
            for other, agrees in self._formed
        )

    @cached_property
    def _formed(self) -> list[tuple[Aim, bool]]:
        """Figures on things of a known form that are seen, and whether the lamps account for each.

        Those of hair and metal aren't.
        """
        return [
            (aim, self.agrees(one))
            for one in self.findings
            if (aim := self.know.aims.get((one.check, one.of))) is not None
            and not self.know.formless.intersection(aim.patches)
            and not aim.is_share
            and self.rest(one) is not None
        ]

    @cached_property
    def _head_is_still(self) -> bool:
        """Whether all that is seen of the sitter's known forms reads as the lamps give it."""
        forms = [
            agrees
            for aim, agrees in self._formed
            if aim.check == "patch" and self.is_of_sitter(aim)
        ]
        return len(forms) >= _FORMS and all(forms) and self.knows_all

    def finish(self, finding: Finding) -> float | None:
        """Return what hair's finish makes of a figure, stops; None where it isn't that.

        Hair that reads otherwise than its lamps give though the head is still is another's, or
        dressed otherwise: dark and matt, light and glossy. Its figure is as measured, and the hair
        lamp's power meets it. Its lamp's light then fits no solo, so that it may be not seen: at
        the mark it is taken to give what is expected.
        """
        aim = self.know.aims.get((finding.check, finding.of))
        if aim is None or not aim.patches or not self.know.hair.issuperset(aim.patches):
            return None
        given, doubt = aim.value(self.given), self.doubt(aim)
        if given is None or finding.measured is None or aim.is_share:
            return None
        if not self._head_is_still or self.around.off_mark > _AT_MARK:
            return None
        if math.isinf(doubt) and self._only_hairs(aim):
            doubt = 0.0
        rest = finding.measured - given
        least = max(AGREE_STOPS + self._lost(aim), OFF_UNCERTAINTIES * doubt)
        return rest if abs(rest) > least else None

    def hair_lamp(self, aim: Aim) -> int:
        """Return which lamp matters most to a figure."""
        return int(np.argmax(np.abs(self.moves[aim.check, aim.of])))

    def _only_hairs(self, aim: Aim) -> bool:
        """Tell whether all lamps that matter to a figure are seen but the one that does most."""
        unseen = [one is None or one.state == "not seen" for one in self.readings]
        matters = np.abs(self.moves[aim.check, aim.of]) > _MATTERS
        return set(np.flatnonzero(unseen & matters).tolist()) == {self.hair_lamp(aim)}

    def doubt(self, aim: Aim) -> float:
        """Return the uncertainty of what the lamps give, infinite with a lamp that isn't seen.

        One that hardly matters to a figure may be off by a stop.
        """
        parts = [0.0]
        for move, reading in zip(self.moves[aim.check, aim.of], self.readings, strict=True):
            if reading is None or reading.state == "not seen":
                parts.append(math.inf if abs(move) > _MATTERS else float(move))
            elif reading.uncertainty is not None and reading.state != "out":
                parts.append(float(move) * reading.uncertainty)
        return math.hypot(*parts)

    def needs_lamp(self, aim: Aim, index: int, output: float) -> bool:
        """Tell whether a figure would be another if a lamp gave so many stops against its solo."""
        there = self.outputs.copy()
        there[index] = output
        given, other = aim.value(self.given), aim.value(self._read(there))
        return None in (given, other) or abs((other or 0.0) - (given or 0.0)) > _MATTERS

    def _of_lamps(self, aim: Aim, difference: float) -> Blame:
        """Name what moved the light that explains a figure: camera, one lamp, or the setting."""
        if abs(self.around.exposure_stops) > _SETTING:
            without = aim.value(self.know.scene.read(self.outputs))
            if without is not None and abs(without - aim.planned) < _MOST * abs(difference):
                return Blame("camera")
        return Blame("lamp", self._off_lamp(aim, difference))

    def _off_lamp(self, aim: Aim, difference: float) -> str | None:
        """Return the lamp that is off what is expected of it, where that makes the difference."""
        share, found = _MOST, None
        moves = self.moves[aim.check, aim.of]
        for index, name in enumerate(self.names):
            reading, expected = self.readings[index], self.around.expected.get(name, Expected())
            if reading is None or not difference:
                continue
            if not self.out[index] and (reading.stops is None or not expected.known):
                continue
            off = float(self.outputs[index]) - expected.stops
            made = float(moves[index]) * off
            if off < -1.0:
                there = self.outputs.copy()
                there[index] -= off
                as_expected, given = aim.value(self._read(there)), aim.value(self.given)
                made = 0.0 if as_expected is None or given is None else given - as_expected
            if made / difference > share:
                share, found = made / difference, name
        return found
