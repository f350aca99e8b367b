"""Checks of solos: is each what it says it is, and what can be built on it."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import numpy as np

from stopwise.grid import pooled
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.outputs import no_lamp_fired, over_ambient, read_lamps
from stopwise.lamps.solos import alike_lamps, clipped_notes, lamp_set
from stopwise.lamps.superposition import patch_shares, sum_against_full

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from stopwise.grid import LightGrid
    from stopwise.lamps.solos import LampSet
    from stopwise.plan.model import Plan

    Floats = NDArray[np.float64]

OVER_FULL_STOPS = 0.3
"""A lamp whose solo brings the sum this far over the full set gave more alone: a symmetric pair of
heads on one pack gives the lone head 1.0 stop more (common practice).
"""

AMBIENT_SHARE = 0.03
"""Ambient share of a shadow patch from which it is warned of: 0.04 stop."""

METER_STOPS = 0.7
"""Stops by which two lamps' light on one material may differ from what their readings say.

A dome that faces the lamp reads the light on a surface square to it; the brightest hundredth of
skin or cloth faces the lamp about as well, to some tenths of a stop.
"""

_METERED_ON = ("skin", "white cloth")
"""Materials that are bright and round enough to face any lamp somewhere."""

_FAINT_STOPS = 5.0
"""Stops under the brightest lamp from which a lamp's light on a material is its spill."""

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

Set on our own renderer: true solos had at most 0.08, solos that held another lamp too 0.15 and
more, but for lamps whose edges lie in each other's light: two paper lamps, a hair lamp under a
broad fill.
"""

_FEWEST = 12
"""Cells or blocks under which a share of them says nothing."""


def check_solos(
    solos: Mapping[str, LightGrid],
    ambient: LightGrid | None,
    plan: Plan,
    *,
    full: LightGrid | None = None,
    turns: Mapping[str, float] | None = None,
) -> tuple[LampNote, ...]:
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
    tuple of LampNote
        What is to be said of them, refusals first.
    """
    notes = list(_not_one_lamp(solos, ambient))
    refused = {note.lamp for note in notes}
    usable = {name: solo for name, solo in solos.items() if name not in refused}
    if not usable:
        return tuple(notes)
    lamps = lamp_set(usable, ambient)
    notes.extend(_two_lit(lamps))
    if full is not None and not refused:
        notes.extend(_overfed(lamps, full, turns or {}))
    read_at = {patch.name: patch.defaults.read_at for patch in plan.patches}
    shares = patch_shares(lamps, read_at=read_at)
    notes += clipped_notes(lamps)
    notes += [
        LampNote("ambient share", names=(shadow,), share=share)
        for shadow in dict.fromkeys(ratio.shadow for ratio in plan.ratios)
        if (share := shares.get(shadow, {}).get("ambient", 0.0)) > AMBIENT_SHARE
    ]
    refused = {note.lamp for note in notes if note.is_refused}
    notes += [
        note for note in _metered(lamps, plan) if refused.isdisjoint((note.lamp, note.names[0]))
    ]
    return tuple(sorted(notes, key=lambda note: not note.is_refused))


def _not_one_lamp(solos: Mapping[str, LightGrid], ambient: LightGrid | None) -> Iterator[LampNote]:
    """Refuse solos of another body or size than the first, and those that no lamp lit."""
    first = next(iter(solos), "")
    for name, solo in solos.items():
        one, other = (
            (light.camera.make, light.camera.model, light.cells) for light in (solo, solos[first])
        )
        if one != other:
            yield LampNote("other body", name, (first,))
    for name, solo in solos.items():
        if no_lamp_fired(over_ambient=over_ambient(solo, ambient)):
            yield LampNote("unlit", name)


def _two_lit(lamps: LampSet) -> Iterator[LampNote]:
    alike = {frozenset(pair) for pair in alike_lamps(lamps)}
    for name in lamps.names:
        others = tuple(
            other
            for other in lamps.names
            if other != name
            and frozenset((name, other)) not in alike
            and holds_other(lamps, name, other)
        )
        if others:
            yield LampNote("two lit", name, others)


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
        True where the solo is as bright as the other's wherever that is bright, and steps by as
        much at many of the edges of its light: the rim of its spot, its shadows. Light that merely
        falls on the same places doesn't.
    """
    own, theirs = lamps.nets[name], lamps.nets[other]
    light, free = theirs.luminance, (own.clipped <= 0) & (theirs.clipped <= 0)
    core = free & (light > _CORE * float(np.percentile(light, 99.5)))
    if np.count_nonzero(core) < _FEWEST:
        return False
    if np.percentile(own.luminance[core] / light[core], 2.0) < _COVERS:
        return False
    factor = max(1, round(max(free.shape) / _STEP_CELLS))
    planes = (pooled(light, factor), pooled(own.luminance, factor), pooled(free, factor) >= 1.0)
    found = []
    for turned in (np.asarray, np.transpose):
        whole = turned(planes[2])
        both = whole[2:] & whole[:-2]
        found.append([(turned(plane)[2:] - turned(plane)[:-2])[both] for plane in planes[:2]])
    step, answer = (np.concatenate(parts) for parts in zip(*found, strict=True))
    edge = np.abs(step) > _EDGE * float(np.percentile(np.abs(step), 99.5))
    if np.count_nonzero(edge) < _FEWEST:
        return False
    same = np.abs(answer[edge] / step[edge] - 1.0) < _SAME_STEP
    return bool(np.mean(same) > _SAME_SHARE)


def _overfed(lamps: LampSet, full: LightGrid, turns: Mapping[str, float]) -> Iterator[LampNote]:
    """Refuse solos that gave more alone than in the full set, in the places that they lead.

    On many packs the energy of a head that is switched off goes to the others.
    """
    by_lamp = sum_against_full(lamps, full, turns=turns).by_lamp
    over = [name for name, by in by_lamp.items() if by is not None and by > OVER_FULL_STOPS]
    readings = read_lamps(full, lamps, said=turns) if over else {}
    for name in over:
        gave = readings[name].stops
        less = None if gave is None else turns.get(name, 0.0) - gave
        if less is None or less > OVER_FULL_STOPS:
            yield LampNote("overfed", name, stops=less)


def _metered(lamps: LampSet, plan: Plan) -> list[LampNote]:
    """Return pairs of lamps whose readings, dome to the lamp, don't fit what solos recorded.

    On one material log2 of their light's ratio differs from twice log2 of their f-numbers' ratio by
    more than 0.7 stop; the greatest first.
    """
    worst: dict[frozenset[str], LampNote] = {}
    for material in _METERED_ON:
        over = {}
        for name, net in lamps.nets.items():
            light = plan.light(name)
            peaks = [
                float(np.percentile(net.box_luminance(patch.name), 99.0))
                for patch in plan.patches
                if patch.material == material
                and all(patch.name in one.boxes for one in lamps.nets.values())
            ]
            peak = max(peaks, default=0.0)
            if light is not None and light.meter and light.meter_at == "lamp" and peak > 0.0:
                over[name] = (math.log2(peak), math.log2(peak) - 2.0 * math.log2(light.meter))
        brightest = max((recorded for recorded, _ in over.values()), default=0.0)
        seen = [name for name, (own, _) in over.items() if own > brightest - _FAINT_STOPS]
        for one, other in itertools.combinations(seen, 2):
            more = over[one][1] - over[other][1]
            lamp, against = (one, other) if more > 0 else (other, one)
            kept = worst.get(frozenset((one, other)))
            if abs(more) > max(METER_STOPS, 0.0 if kept is None else kept.stops or 0.0):
                worst[frozenset((one, other))] = LampNote(
                    "meter", lamp, (against, material), stops=abs(more)
                )
    return sorted(worst.values(), key=lambda note: -(note.stops or 0.0))
