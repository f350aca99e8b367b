"""Marks: which part a frame plays in a plan, written into its [frames]."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.errors import WrongUse
from stopwise.lamps.lamp_notes import LampNote
from stopwise.measurement import read
from stopwise.measurement.paper import shows_sitter
from stopwise.plan.draft import open_draft
from stopwise.plan.now import plan_now
from stopwise.plan.readings import nearest
from stopwise.preparing.fitness import refuse_misfit, solo_doubts
from stopwise.raw import decode

if TYPE_CHECKING:
    from stopwise.frame import Frame
    from stopwise.plan.model import FramePart, Plan

MARK = "mark"
"""How the edit is called, so that what a watch has made of it is taken back with it."""


def mark_frame(frame: Path, part: str, plan: Path) -> str:
    """Write into a plan which part a frame plays.

    Parameters
    ----------
    frame
        The raw file; it must give pixels.
    part
        grey, ambient, plate, reference, the name of a lamp: its solo; or "key white card": the key
        alone on a white card held at the face.
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
        If the plan is wrong, or has no such lamp; if a solo got the other heads' energy, or no spot
        is seen on a white card.
    """
    draft = open_draft(plan)
    asked = part_asked(draft.plan, part)
    opened = decode(frame)
    refuse_misfit(frame, asked.path, draft)
    name = name_beside(frame, draft.file)
    before = draft.plan.frames.of(asked)
    draft.set(asked.path, name).save(what=MARK)
    was = f" (was {before})" if before and before != name else ""
    doubts = solo_doubts(frame, draft) if part == "reference" else ()
    told = " ".join([f"{plan.name}: {asked.words} is {name}{was}.", *doubts])
    return f"{told}{_plate_doubt(opened, part, draft.plan)}"


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
