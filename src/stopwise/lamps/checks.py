"""Checks of solos: is each what it says it is, and what can be built on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from stopwise.lamps.alike import alike_lamps
from stopwise.lamps.fieldcells import coarse
from stopwise.lamps.metering import meter_doubts
from stopwise.lamps.outputs import no_lamp_fired, read_lamps
from stopwise.lamps.solo import lamp_set
from stopwise.lamps.superpose import patch_shares, sum_against_full

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from stopwise.lamps.reduced import LightPicture
    from stopwise.lamps.solo import LampSet
    from stopwise.lamps.superpose import SumCheck
    from stopwise.plan.model import Plan

    Floats = NDArray[np.float64]

Kind = Literal[
    "other body", "unlit", "two lit", "more than in the full set", "clipped", "ambient", "meter"
]

OVER_FULL_STOPS = 0.3
"""A lamp whose solo brings the sum this far over the full set gave more alone."""

AMBIENT_SHARE = 0.03
"""Ambient share of a shadow patch from which it is warned of."""

CLIPPED_SHARE = 0.01
"""Share of a patch's cells whose clipping makes a solo a bound there."""

_STEP_CELLS = 120
"""Cells along the longer side that steps of light are looked for on."""

_EDGE = 0.1
"""Share of a lamp's greatest steps from which a step counts as an edge of its light."""

_CORE = 0.3
"""Share of a lamp's brightest light from which a block belongs to its core."""

_COVERS = 0.85
"""Share of the other's light that a solo which holds it has all over the other's core."""

_SAME_STEP = 0.07
"""A solo steps as the other's does where it steps by as much to this share."""

_SAME_SHARE = 0.12
"""Share of the edges that step alike from which a solo holds the other's light.

True solos of made sets had at most 0.08, solos that held another lamp too 0.15 and more, but for
lamps whose edges lie in each other's light: two paper lamps, a hair lamp under a broad fill.
"""

_FEWEST = 12


@dataclass(frozen=True, slots=True)
class SoloNote:
    """What is to be said of a solo.

    Attributes
    ----------
    lamp
        Whose solo; for "ambient" the patch.
    kind
        What it is about.
    say, do
        A sentence each: what, and what to do.
    refused
        True where the solo can't be used.
    """

    lamp: str
    kind: Kind
    say: str
    do: str
    refused: bool = False


@dataclass(frozen=True, slots=True)
class SoloReport:
    """The answer of all checks.

    Attributes
    ----------
    notes
        Refusals first.
    ambient_shares
        Ambient share of each patch under all lamps as in their solos, 0 to 1.
    sum
        The sum of solos against the full set, where one was given.
    """

    notes: tuple[SoloNote, ...]
    ambient_shares: Mapping[str, float]
    sum: SumCheck | None

    @property
    def refused(self) -> tuple[str, ...]:
        """Lamps whose solos can't be used."""
        return tuple(dict.fromkeys(note.lamp for note in self.notes if note.refused))


def check_solos(
    solos: Mapping[str, LightPicture],
    ambient: LightPicture | None,
    plan: Plan,
    *,
    full: LightPicture | None = None,
    turns: Mapping[str, float] | None = None,
) -> SoloReport:
    """Check a set of solos.

    Parameters
    ----------
    solos
        Each lamp's reduced solo, by name.
    ambient
        A frame with no lamp firing.
    plan
        For readings, patches and ratios.
    full
        A frame under all lamps, the sitter at the mark.
    turns
        What was turned between the solos and that frame, stops.

    Returns
    -------
    SoloReport
    """
    notes = [*_bodies(solos), *_unlit(solos, ambient)]
    usable = {name: solo for name, solo in solos.items() if not _is_refused(name, notes)}
    if not usable:
        return SoloReport(tuple(notes), {}, None)
    lamps = lamp_set(usable, ambient)
    notes.extend(_two_lit(lamps))
    summed = None
    if full is not None and set(usable) == set(solos):
        summed = sum_against_full(lamps, full, turns=turns)
        notes.extend(_over_full(lamps, full, summed, turns or {}))
    shares = _ambient_shares(lamps, plan)
    notes += [*_clipped(lamps), *_ambient(shares, plan)]
    notes += [
        SoloNote(doubt.lamps[0], "meter", *doubt.words)
        for doubt in meter_doubts(lamps, plan)
        if not any(_is_refused(lamp, notes) for lamp in doubt.lamps)
    ]
    return SoloReport(tuple(sorted(notes, key=lambda note: not note.refused)), shares, summed)


def _is_refused(name: str, notes: list[SoloNote]) -> bool:
    return any(note.refused and note.lamp == name for note in notes)


def _bodies(solos: Mapping[str, LightPicture]) -> Iterator[SoloNote]:
    """Refuse solos of another body or size than the first: their levels mean something else."""
    first, *others = solos.items()
    for name, solo in others:
        same = (solo.camera.make, solo.camera.model, solo.mean.shape) == (
            first[1].camera.make,
            first[1].camera.model,
            first[1].mean.shape,
        )
        if not same:
            yield SoloNote(
                name,
                "other body",
                f"The {name} solo comes from another camera or size than the {first[0]} solo.",
                "Take all solos with one body, at one size.",
                refused=True,
            )


def _unlit(solos: Mapping[str, LightPicture], ambient: LightPicture | None) -> Iterator[SoloNote]:
    for name, solo in solos.items():
        if no_lamp_fired(solo, ambient):
            yield SoloNote(
                name,
                "unlit",
                f"No lamp fired in the {name} solo.",
                f"Check the trigger, shoot {name} again.",
                refused=True,
            )


def holds_other(lamps: LampSet, name: str, other: str) -> bool:
    """Tell whether one lamp's solo holds another lamp's light too.

    Parameters
    ----------
    lamps
        The solos.
    name, other
        The solo in doubt, and the lamp that may be lit in it too.

    Returns
    -------
    bool
        True where the solo steps by as much as the other's at many of the edges of its light: the
        rim of its spot, its shadows. Light that merely falls on the same places doesn't.
    """
    own, theirs = lamps.nets[name], lamps.nets[other]
    if not _covers(own, theirs):
        return False
    factor = max(1, round(max(own.clipped.shape) / _STEP_CELLS))
    free = coarse(((own.clipped <= 0) & (theirs.clipped <= 0)).astype(np.float64), factor) >= 1.0
    steps, answers = [], []
    for axis in (0, 1):
        both = _across(free.astype(np.float64), axis, add=True) > 1.5
        steps.append(_across(coarse(theirs.luminance.astype(np.float64), factor), axis)[both])
        answers.append(_across(coarse(own.luminance.astype(np.float64), factor), axis)[both])
    step, answer = np.concatenate(steps), np.concatenate(answers)
    edge = np.abs(step) > _EDGE * float(np.percentile(np.abs(step), 99.5))
    if np.count_nonzero(edge) < _FEWEST:
        return False
    same = np.abs(answer[edge] / step[edge] - 1.0) < _SAME_STEP
    return bool(np.mean(same) > _SAME_SHARE)


def _covers(own: LightPicture, theirs: LightPicture) -> bool:
    """Tell whether a solo is as bright as another's wherever the other is bright."""
    light = theirs.luminance
    free = (own.clipped <= 0) & (theirs.clipped <= 0)
    core = free & (light > _CORE * float(np.percentile(light, 99.5)))
    if np.count_nonzero(core) < _FEWEST:
        return False
    return bool(np.percentile(own.luminance[core] / light[core], 2.0) >= _COVERS)


def _across(plane: Floats, axis: int, *, add: bool = False) -> Floats:
    """Return differences (or sums) of cells two apart along an axis."""
    ahead, behind = (
        np.take(plane, range(2, plane.shape[axis]), axis),
        np.take(plane, range(plane.shape[axis] - 2), axis),
    )
    return ahead + behind if add else ahead - behind


def _two_lit(lamps: LampSet) -> Iterator[SoloNote]:
    alike = {frozenset(pair) for pair in alike_lamps(lamps)}
    for name in lamps.names:
        others = [
            other
            for other in lamps.names
            if other != name
            and frozenset((name, other)) not in alike
            and holds_other(lamps, name, other)
        ]
        if others:
            yield SoloNote(
                name,
                "two lit",
                f"The {name} solo holds the light of {' and '.join(others)} too.",
                f"Cap {' and '.join(others)}, shoot {name} again.",
                refused=True,
            )


def _over_full(
    lamps: LampSet, full: LightPicture, summed: SumCheck, turns: Mapping[str, float]
) -> Iterator[SoloNote]:
    """Refuse solos that gave more alone than in the full set, in the places that they lead.

    On many packs the energy of a head that is switched off goes to the others.
    """
    over = {
        name: by for name, by in summed.by_lamp.items() if by is not None and by > OVER_FULL_STOPS
    }
    if not over:
        return
    readings = read_lamps(full, lamps, said=turns)
    for name in over:
        reading = readings[name]
        less = None if reading.stops is None else turns.get(name, 0.0) - reading.stops
        if less is not None and less <= OVER_FULL_STOPS:
            continue
        more = f"{less:.1f} stops more" if less is not None else "more"
        yield SoloNote(
            name,
            "more than in the full set",
            f"The {name} lamp gave {more} alone than with all lamps lit: the pack gave it the "
            "others' energy.",
            f"Cap the other heads, don't switch them off, and shoot {name} again.",
            refused=True,
        )


def _clipped(lamps: LampSet) -> Iterator[SoloNote]:
    for name, net in lamps.nets.items():
        where = [
            patch for patch, cells in net.patches.items() if np.mean(cells.clipped) > CLIPPED_SHARE
        ]
        if where:
            yield SoloNote(
                name,
                "clipped",
                f"The {name} solo is clipped in {', '.join(where)}: its light there is at least "
                "what it shows.",
                f"Turn {name} down a stop and take its solo again.",
            )


def _ambient_shares(lamps: LampSet, plan: Plan) -> dict[str, float]:
    if lamps.ambient is None:
        return {}
    read_at = {patch.name: patch.defaults.read_at for patch in plan.patches}
    return {name: parts["ambient"] for name, parts in patch_shares(lamps, read_at=read_at).items()}


def _ambient(shares: Mapping[str, float], plan: Plan) -> Iterator[SoloNote]:
    for shadow in dict.fromkeys(ratio.shadow for ratio in plan.ratios):
        share = shares.get(shadow, 0.0)
        if share > AMBIENT_SHARE:
            yield SoloNote(
                shadow,
                "ambient",
                f"Ambient light is {100.0 * share:.0f} % of {shadow}.",
                "Dim the room and the modelling lamps, or shorten the shutter.",
            )
