"""Marks: which part a frame plays in a plan, written into its [frames]."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.errors import WrongUse
from stopwise.lamps.lamp_notes import LampNote
from stopwise.measurement import read
from stopwise.measurement.paper import shows_sitter
from stopwise.measurement.reading import ground_of
from stopwise.pipeline.awaited import clip_answer
from stopwise.pipeline.brief import Brief
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan.draft import open_draft, written_number
from stopwise.plan.now import plan_now
from stopwise.plan.readings import nearest
from stopwise.preparing.fitness import place_doubts, refuse_misfit, solo_doubts
from stopwise.raw import decode

if TYPE_CHECKING:
    from stopwise.frame import Frame
    from stopwise.plan.draft import Draft
    from stopwise.plan.model import ClipPlan, FramePart, Plan

MARK = "mark"
"""How the edit is called, so that what a watch has made of it is taken back with it."""


def mark_frame(frame: Path, part: str, plan: Path) -> str:
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
    opened = decode(frame)
    refuse_misfit(frame, asked.path, draft)
    if asked.role == "clip":
        draft = with_clip(draft, _clip_shown(frame, opened, draft))
    name = name_beside(frame, draft.file)
    before = draft.plan.frames.of(asked)
    draft = draft.set(asked.path, name)
    draft.save(what=MARK)
    was = f" (was {before})" if before and before != name else ""
    doubts = solo_doubts(frame, draft) if part == "reference" else ()
    if asked.role == "solo" and asked.lamp is not None:
        doubts = place_doubts(frame, asked.lamp, draft)
    clip = draft.plan.camera.clip if asked.role == "clip" else None
    shown = () if clip is None else (clip_words(clip, plan.name),)
    told = " ".join([f"{plan.name}: {asked.words} is {name}{was}.", *shown, *doubts])
    return f"{told}{_plate_doubt(opened, part, draft.plan)}"


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
