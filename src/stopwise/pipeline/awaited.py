"""Whether a frame can play the part that is awaited: grey, plate, clip, one lamp alone."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.lamps.blame import VAGUE
from stopwise.lamps.build_up import own_light
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.outputs import lit_lamps, no_lamp_fired, over_ambient
from stopwise.lamps.solo_checks import check_solos
from stopwise.lamps.solos import place_in, place_notes, sought_in
from stopwise.lamps.white_card import white_card_of
from stopwise.measurement.shot_over import clip_of, read_stops
from stopwise.pipeline.brief import Answer
from stopwise.plan.now import plan_now
from stopwise.stops import MID_GREY_OF_SATURATION

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from stopwise.codes import NoteCode
    from stopwise.frame import Frame
    from stopwise.grid import LightGrid
    from stopwise.lamps.seen import LampsSeen
    from stopwise.lamps.solos import SoloPlace
    from stopwise.measurement.patches import Ground
    from stopwise.pipeline.brief import Brief, ComesOn
    from stopwise.pipeline.references import References
    from stopwise.plan.model import Plan

_BRIGHT_PERCENTILE, _DARK = 99.0, 0.25 * MID_GREY_OF_SATURATION
"""Under Zone 3 in its brightest hundredth, a frame is as dark as a room at a flash's settings."""

_SHOWN_BY_OTHERS: tuple[NoteCode, ...] = ("two lit", "overfed")
"""What is wrong with a solo that another frame shows."""

_CHANNELS = {"R": "red", "G": "green", "B": "blue", "M": "its light"}

_SAME_LIGHT = 0.985
"""Cosine between two frames' light from which they show one lamp (set on our own renderer: solos of
one lamp had 0.999 and more with the sitter still, those of two lamps 0.60 at most).
"""


_ABOUT_AS_BRIGHT = -1.0
"""Stops against its solo from which another lamp was lit in what is to be one lamp alone: a head
that is capped or off gives none, and half of its light is no spill of another's.
"""


def answer_for(
    part: str,
    light: LightGrid,
    references: References,
    plan: Plan,
    *,
    lamps: LampsSeen | None,
    said: Mapping[str, float] | None = None,
) -> Answer:
    """Hold a frame against the part that it is meant to play.

    Parameters
    ----------
    part
        grey, ambient, plate, reference, a lamp's name, or "key white card".
    light
        The frame's light.
    references
        The plan's own frames so far.
    plan
        The plan.
    lamps
        What its lamps gave, where solos are known.
    said
        What lamps were turned since their solos.

    Returns
    -------
    Answer
        Of a grey frame only that a lamp fired: the card is read where its box is known.
    """
    if part == "ambient":
        return _ambient(light, lamps)
    if plan.light(part) is not None:
        others = () if lamps is None else tuple(_also_lit(part, lamps))
        two_lit = Answer(part, LampNote("two lit", part, others)) if others else None
        return two_lit or _solo(part, light, references, plan, said or {})
    if no_lamp_fired(over_ambient=over_ambient(light, references.ambient_light)):
        return Answer(part, LampNote("none fired", part))
    asked = plan.part(part)
    is_card = asked is not None and asked.role == "white card"
    if is_card and white_card_of(light, references.ambient_light) is None:
        return Answer(part, LampNote("no spot", part))
    if part == "reference" and references.solos and not said:
        notes = check_solos(references.solos, references.ambient_light, plan, full=light)
        return Answer(part, spoilt=_spoilt(notes, part))
    return Answer(part)


def own_light_answer(
    asked: ComesOn,
    light: LightGrid,
    less: LightGrid | None,
    references: References,
    plan: Plan,
    *,
    said: Mapping[str, float] | None = None,
) -> Answer | None:
    """Tell whether a frame of the build-up shows the own light of the lamp that comes on.

    None where the frame before is of another size, or the lamp falls as in its solo.

    Parameters
    ----------
    asked
        The lamp.
    light, less
        The frame's light, and that of the frame before; None where the lamp is the only one lit.
    references, plan, said
        As in :func:`answer_for`.
    """
    if less is not None and not less.fits(light):
        return None
    sought = sought_in(references.reference or less or light, plan_now(plan))
    ambient, lamps = references.ambient_light, references.lamps
    own, notes = own_light(asked.lamp, light, less, ambient, sought, known=lamps)
    before = references.solos.get(asked.lamp)
    if before is not None:
        if notes[0].is_refused or _is_same(own, before, references.ambient_light):
            return None
        notes = (LampNote("falls otherwise", asked.lamp), *notes)
    elif notes[0].is_refused:
        return Answer(asked.lamp, notes[0])
    place = place_in(light, sought)
    answer = _solo(asked.lamp, own, references, plan, said or {}, place=place)
    return replace(answer, warnings=(*notes, *answer.warnings))


def clip_answer(frame: Frame, ground: Ground, others: Iterable[str]) -> Answer:
    """Read where photosites stop from a frame that was shot over for that.

    Parameters
    ----------
    frame, ground
        The frame, as decoded and as read.
    others
        Bodies that the plan's mid-grey and its other frames are of.

    Returns
    -------
    Answer
        With the stops, or refused.
    """
    body = frame.camera.model
    other = next((one for one in others if body is not None and one != body), None)
    if other is not None:
        return Answer("clip", LampNote("clip of other body", "clip", (str(body), other)))
    found = read_stops(ground.cells, noise=ground.noise, iso=frame.exposure.iso)
    if found.why is not None:
        names = tuple(_CHANNELS[name] for name in found.channels)
        return Answer("clip", LampNote(found.why, "clip", names))
    return Answer("clip", clip=clip_of(frame, found.stops))


def _ambient(light: LightGrid, lamps: LampsSeen | None) -> Answer:
    lit = () if lamps is None else lit_lamps(lamps.readings)
    if lit:
        return Answer("ambient", LampNote("lit", names=lit))
    is_bright = np.percentile(light.luminance, _BRIGHT_PERCENTILE) > _DARK
    return Answer("ambient", LampNote("bright") if is_bright else None)


def _also_lit(lamp: str, lamps: LampsSeen) -> Iterator[str]:
    """Yield the other lamps that a frame surely shows lit, about as bright as in their solos."""
    for name, one in lamps.readings.items():
        stops, unsure = one.fired_stops, one.uncertainty
        is_sure = stops is not None and unsure is not None and unsure <= VAGUE
        if is_sure and name != lamp and (stops or 0.0) > _ABOUT_AS_BRIGHT:
            yield name


def _solo(
    lamp: str,
    light: LightGrid,
    references: References,
    plan: Plan,
    said: Mapping[str, float],
    *,
    place: SoloPlace | None = None,
) -> Answer:
    others = {name: solo for name, solo in references.solos.items() if name != lamp}
    full = None if said else references.full
    notes = check_solos({**others, lamp: light}, references.ambient_light, plan, full=full)
    own = [note for note in notes if note.lamp == lamp]
    refused = next((note for note in own if note.is_refused), None)
    if refused is not None:
        return Answer(lamp, refused)
    again = next(
        (n for n, solo in others.items() if _is_same(light, solo, references.ambient_light)), None
    )
    if again is not None:
        return Answer(lamp, LampNote("same", lamp, (again,)))
    solos = {**others, lamp: light}
    if place is None:
        sought = sought_in(references.full or next(iter(solos.values())), plan_now(plan))
        place = place_in(light, sought)
    own += place_notes(solos, {lamp: place})
    return Answer(lamp, warnings=tuple(own), spoilt=_spoilt(notes, lamp))


def overfed_solos(
    light: LightGrid, references: References, brief: Brief, *, lamps: LampsSeen | None
) -> tuple[LampNote, ...]:
    """Return what is to be said of lamps that gave more alone than in a frame under all lamps.

    Parameters
    ----------
    light
        The frame's light.
    references, brief
        The solos, and whose no such frame was held against yet.
    lamps
        What the frame's lamps gave: it must show all lamps of the plan lit.
    """
    if brief.plan is None or lamps is None or not brief.unproved:
        return ()
    names = {one.name for one in brief.plan.lights}
    if names != set(references.solos) or set(lit_lamps(lamps.readings)) != names:
        return ()
    notes = check_solos(
        references.solos, references.ambient_light, brief.plan, full=light, turns=brief.said
    )
    return tuple(note for note in notes if note.code == "overfed" and note.lamp in brief.unproved)


def _is_same(light: LightGrid, other: LightGrid, ambient: LightGrid | None) -> bool:
    """Tell whether two frames show one lamp's light, whatever its power, by their cosine."""
    dark = 0.0 if ambient is None else ambient.luminance
    one, two = light.luminance - dark, other.luminance - dark
    size = float(np.sqrt(np.sum(one * one) * np.sum(two * two)))
    return size > 0.0 and float(np.sum(one * two)) > _SAME_LIGHT * size


def _spoilt(notes: tuple[LampNote, ...], lamp: str) -> tuple[LampNote, ...]:
    """Return what this frame shows to be wrong with earlier solos."""
    return tuple(
        note
        for note in notes
        if note.is_refused and note.code in _SHOWN_BY_OTHERS and note.lamp != lamp
    )
