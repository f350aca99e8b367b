"""Marks: which part a frame plays in a plan, and whether it can be that: a solo, a white card."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.errors import StopwiseError, WrongUse
from stopwise.lamps.build_up import difference, own_light
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.solo_checks import check_solos
from stopwise.lamps.solos import find_places, place_notes, sought_in
from stopwise.lamps.white_card import white_card_of
from stopwise.measurement import read
from stopwise.measurement.paper import shows_sitter
from stopwise.measurement.reading import ground_of
from stopwise.pipeline.awaited import clip_answer
from stopwise.pipeline.brief import Brief
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan.draft import open_draft, written_number
from stopwise.plan.model import FramePart, MarkedFrame
from stopwise.plan.now import plan_now
from stopwise.plan.readings import nearest
from stopwise.raw import decode
from stopwise.raw.bounds import in_bounds

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from stopwise.frame import Frame
    from stopwise.grid import LightGrid
    from stopwise.plan.draft import Draft
    from stopwise.plan.model import ClipPlan, Plan

    Reader = Callable[[Path], LightGrid]


def refuse_misfit(
    frame: Path, part: FramePart, draft: Draft, *, less: Path | None = None
) -> tuple[str, ...]:
    """Refuse a frame that can't be a lamp's solo or its white card.

    Parameters
    ----------
    frame
        The raw file.
    part
        What it is to be; parts that are no lamp's are taken as they are.
    draft
        The plan, whose other frames it is held against as far as they can be read.
    less
        The frame that a solo is taken over; None for a solo of one frame.

    Returns
    -------
    tuple of str
        What is to be said of a solo out of two frames, sentences.

    Raises
    ------
    WrongUse
        If no spot is seen on a white card; if a solo gave more than its lamp gives in the
        reference, a frame under all lamps: then the pack gave it the other heads' energy; or if two
        frames don't show what a lamp alone gives.
    Unreadable, PathMissing
        If it gives no pixels.
    """
    light = _reader(draft)
    if part.role == "white card":
        _refuse_white_card(frame, draft, light)
    elif part.role == "solo" and part.lamp is not None:
        told: tuple[str, ...] = ()
        own = light(frame)
        if less is not None:
            own, told = _over(frame, less, part.lamp, draft, light)
        _refuse_solo(frame, own, part.lamp, draft, light)
        return told
    return ()


def _over(
    frame: Path, less: Path, lamp: str, draft: Draft, light: Reader
) -> tuple[LightGrid, tuple[str, ...]]:
    """Return what a frame shows over the one before, and what is to be said of it."""
    ambient = _named(draft.plan.frames.ambient, draft, light)
    whole, before = light(frame), light(less)
    if not before.fits(whole):
        msg = f"{frame.name} and {less.name} are of two sizes. Take both with one body."
        raise WrongUse(msg)
    full = _named(draft.plan.frames.reference, draft, light)
    sought = sought_in(full or before, plan_now(draft.plan))
    own, notes = own_light(lamp, whole, before, ambient, sought)
    if notes[0].is_refused:
        msg = f"{frame.name} less {less.name}: {notes[0].words}"
        raise WrongUse(msg)
    return own, tuple(note.words for note in notes)


def solo_doubts(frame: Path, draft: Draft) -> tuple[str, ...]:
    """Return what a frame under all lamps shows to be wrong with the plan's solos, sentences.

    Parameters
    ----------
    frame
        The reference.
    draft
        The plan; one without solos has nothing to doubt.
    """
    if not draft.plan.frames.solo:
        return ()
    light = _reader(draft)
    return tuple(_overfed(_solos(draft, light), light(frame), draft, light).values())


def place_doubts(frame: Path, lamp: str, draft: Draft) -> tuple[str, ...]:
    """Return what is to be said of where the sitter stood in a lamp's solo, sentences.

    Parameters
    ----------
    frame
        The solo.
    lamp
        The lamp.
    draft
        The plan; without a reference, or another solo before this one, nothing is said.
    """
    light = _reader(draft)
    solos = {**_solos(draft, light), lamp: light(frame)}
    full = _named(draft.plan.frames.reference, draft, light)
    sought = sought_in(full or next(iter(solos.values())), plan_now(draft.plan))
    places = find_places(solos, sought)
    return tuple(note.words for note in place_notes(solos, places) if note.lamp == lamp)


def _refuse_white_card(frame: Path, draft: Draft, light: Reader) -> None:
    if white_card_of(light(frame), _named(draft.plan.frames.ambient, draft, light)) is None:
        msg = f"{frame.name}: {LampNote('no spot').words}"
        raise WrongUse(msg)


def _refuse_solo(frame: Path, own: LightGrid, lamp: str, draft: Draft, light: Reader) -> None:
    full = _named(draft.plan.frames.reference, draft, light)
    if full is None:
        return
    overfed = _overfed({**_solos(draft, light), lamp: own}, full, draft, light)
    if lamp in overfed:
        msg = f"{frame.name}: {overfed[lamp]} Where {lamp} was turned since, mark a new reference."
        raise WrongUse(msg)


def _solos(draft: Draft, light: Reader) -> dict[str, LightGrid]:
    """Return the light of the solos that can be read."""
    ambient = _named(draft.plan.frames.ambient, draft, light)
    found = {}
    for one in draft.plan.frames.solos:
        solo, less = (_named(file, draft, light) for file in (one.file, one.less))
        if solo is not None and less is not None and less.fits(solo):
            solo = difference(solo, less, ambient)
        if solo is not None and (less is None) == (one.less is None):
            found[str(one.part.lamp)] = solo
    return found


def _overfed(
    solos: Mapping[str, LightGrid], full: LightGrid, draft: Draft, light: Reader
) -> dict[str, str]:
    """Return the lamps that gave more alone than under all lamps, each with what to do."""
    if not solos or any(not solo.fits(full) for solo in solos.values()):
        return {}
    ambient = _named(draft.plan.frames.ambient, draft, light)
    notes = check_solos(solos, ambient, draft.plan, full=full)
    return {note.lamp: note.words for note in notes if note.code == "overfed"}


def _named(name: str | None, draft: Draft, light: Reader) -> LightGrid | None:
    """Return the light of a frame that the plan names; None where it can't be read."""
    if name is None:
        return None
    try:
        return light(draft.file.parent / name)
    except (StopwiseError, OSError):
        return None


def _reader(draft: Draft) -> Reader:
    return partial(PlanFrames().light, targets=plan_now(draft.plan))


MARK = "mark"
"""How the edit is called, so that what a watch has made of it is taken back with it."""


MOVED = "moved"
"""The same of the edit by which a lamp's solo counts no more."""


def mark_frame(frame: Path, part: str, plan: Path, *, less: Path | None = None) -> str:
    """Write into a plan which part a frame plays.

    Parameters
    ----------
    frame
        The raw file; it must give pixels.
    part
        grey, ambient, plate, reference, clip, the name of a lamp: its solo; or "key white card":
        the key alone on a white card held at the face.
    plan
        The plan file.
    less
        The frame before the lamp came on, where `frame` shows others too: the solo is what it shows
        over that.

    Returns
    -------
    str
        What was written.

    Raises
    ------
    Unreadable, PathMissing
        If the frame gives no trustworthy pixels, or isn't there.
    PlanError, WrongUse
        If the plan is wrong, or has no such lamp; if a solo got the other heads' energy, no spot is
        seen on a white card, or a frame isn't shot over far enough.
    """
    draft = open_draft(plan)
    asked = part_asked(draft.plan, part)
    opened = in_bounds(decode, frame)
    if less is not None and asked.role != "solo":
        msg = f"Only a lamp's solo is taken over another frame, and {asked.words} is none."
        raise WrongUse(msg)
    doubts = refuse_misfit(frame, asked, draft, less=less)
    if asked.role == "clip":
        draft = with_clip(draft, _clip_shown(frame, opened, draft))
    files = [name_beside(one, draft.file) for one in (frame, less) if one is not None]
    now, before = MarkedFrame(asked, *files), draft.plan.frames.of(asked)
    draft = draft.set(asked.path, now.value)
    draft.save(what=MARK)
    was = f" (was {before.words})" if before and before != now else ""
    if part == "reference":
        doubts = solo_doubts(frame, draft)
    elif asked.lamp is not None and asked.role == "solo" and less is None:
        doubts = place_doubts(frame, asked.lamp, draft)
    clip = draft.plan.camera.clip if asked.role == "clip" else None
    shown = () if clip is None else (clip_words(clip, plan.name),)
    told = " ".join([f"{plan.name}: {asked.words} is {now.words}{was}.", *shown, *doubts])
    return f"{told}{_plate_doubt(opened, part, draft.plan)}"


def mark_solo(
    frame: Path, lamp: str, plan: Path, *, less: Path | None = None, power: float | None = None
) -> None:
    """Write into a plan that a frame, or what it shows over another, is a lamp's solo.

    Parameters
    ----------
    frame, lamp, plan
        The files, and whose solo.
    less
        The frame before the lamp came on; None for a lamp alone.
    power
        Where its dial stood, stops below full; None for where the plan has it.

    Raises
    ------
    PlanError, WrongUse, PathMissing
        If the plan is wrong, or isn't there, or can't be written.
    """
    draft = open_draft(plan)
    part = FramePart("solo", lamp)
    files = [name_beside(one, draft.file) for one in (frame, less) if one is not None]
    draft = draft.set(part.path, MarkedFrame(part, *files).value)
    with_powers(draft, {} if power is None else {lamp: power}).save(what=MARK)


def with_powers(draft: Draft, powers: Mapping[str, float]) -> Draft:
    """Return a draft whose lamps stand where their dials do, as their packs show it."""
    for index, light in enumerate(draft.plan.lights):
        power = powers.get(light.name)
        if power is not None and light.power is not None and power != light.power:
            draft = draft.set(("light", index, "power"), written_number(power))
    return draft


def forget_solos(lamps: Sequence[str], plan: Path, powers: Mapping[str, float]) -> tuple[str, ...]:
    """Take lamps that were moved, flagged or gridded out of a plan's solos and white cards.

    Parameters
    ----------
    lamps, plan
        Which, and the plan file.
    powers
        Where dials stand, stops below full: what the solos told of that is kept as the lamps'
        powers.

    Returns
    -------
    tuple of str
        The lamps that had any.

    Raises
    ------
    PlanError, WrongUse, PathMissing
        If the plan is wrong, or isn't there, or can't be written.
    """
    draft = before = open_draft(plan)
    had = []
    for part in (FramePart(role, lamp) for lamp in lamps for role in ("solo", "white card")):
        if draft.plan.frames.of(part) is not None:
            draft = draft.drop(part.path)
            had.append(str(part.lamp))
    if draft is not before:
        with_powers(draft, {lamp: at for lamp, at in powers.items() if lamp in had}).save(
            what=MOVED
        )
    return tuple(dict.fromkeys(had))


def _clip_shown(path: Path, frame: Frame, draft: Draft) -> ClipPlan | None:
    """Return where photosites stop by a frame that was shot over; one that isn't is refused."""
    plan, folder = draft.plan, draft.file.parent
    own = PlanFrames().known(Brief(plan=plan, plan_folder=folder), None, plan_now(plan))
    answer = clip_answer(frame, ground_of(frame, plan), own.bodies(plan))
    if answer.refused is not None:
        msg = f"{path.name}: {answer.refused.words}"
        raise WrongUse(msg)
    return answer.clip


def with_clip(draft: Draft, clip: ClipPlan | None) -> Draft:
    """Return a draft whose `[camera.clip]` is this one; None leaves it without."""
    path, held = ("camera", "clip"), draft.plan.camera.clip
    before = {} if held is None else held.model_dump(exclude_defaults=True)
    if clip is None:
        return draft if held is None else draft.remove(path)
    after = clip.model_dump(exclude_defaults=True)
    for key in before.keys() - after.keys():
        draft = draft.drop((*path, key))
    for key, value in after.items():
        if before.get(key) != value:
            draft = draft.set((*path, key), _written(value))
    return draft


def _written(value: object) -> object:
    if isinstance(value, dict):
        return {name: written_number(one) for name, one in value.items()}
    return written_number(value) if isinstance(value, float) else value


def clip_words(clip: ClipPlan, plan: str) -> str:
    """Return what a frame shot over showed, and where it was written."""
    levels = ", ".join(f"{name} {level:.0f}" for name, level in clip.level.items())
    return f"Photosites stop at {levels}, named white {clip.white:.0f}: kept in {plan}."


def _plate_doubt(frame: Frame, part: str, plan: Plan) -> str:
    """Return a warning where somebody was left in what is to be the clean plate, else ""."""
    if part != "plate" or not shows_sitter(read(frame, plan).grid, plan_now(plan)):
        return ""
    return f" {LampNote('sitter in plate').words}"


def part_asked(plan: Plan, part: str) -> FramePart:
    """Return the part of a plan that is asked for as "grey", "key" or "key white card".

    Raises
    ------
    WrongUse
        If `part` is neither a mark nor a lamp of the plan.
    """
    found = plan.part(part)
    if found is not None:
        return found
    known = [one.asked for one in plan.parts if one.role != "white card"]
    meant = nearest(part, known)
    ask = f' Did you mean "{meant}"?' if meant else ""
    msg = f'"{part}" is neither a mark nor a lamp of the plan; there are {", ".join(known)}.{ask}'
    raise WrongUse(msg)


def name_beside(frame: Path, plan: Path) -> str:
    """Return a frame's name as a plan writes it: seen from the plan's folder, with forward slashes.

    A frame on another drive keeps its whole path.
    """
    try:
        seen = os.path.relpath(frame.resolve(), plan.resolve().parent)
    except ValueError:
        return frame.resolve().as_posix()
    return Path(seen).as_posix()
