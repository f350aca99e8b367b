"""Patches placed from the terminal: added, moved, taken out, and shown on a frame."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stopwise.errors import WrongUse
from stopwise.measurement import read
from stopwise.plan import load_plan
from stopwise.plan.draft import open_draft
from stopwise.plan.model import MATERIALS
from stopwise.plan.readings import which_there_is
from stopwise.plan.spoken_tables import box_of, value_of
from stopwise.raw import decode
from stopwise.record import recorded
from stopwise.report.slip import draw_slip
from stopwise.verdict import judge
from stopwise.whole_file import write_whole

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from stopwise.grid import LightGrid
    from stopwise.plan.model import Plan
    from stopwise.record import Record

_EDGE = 1200
"""Cells along the longer edge of the picture that patches are shown on."""


def place_patch(plan: Path, name: str, said: Mapping[str, Any]) -> str:
    """Add a patch to a plan, or change the one of that name.

    Parameters
    ----------
    plan
        The plan file.
    name
        The patch's name.
    said
        Keys of a patch with their values as said, None for what isn't; a new one needs its box.

    Returns
    -------
    str
        What was done.

    Raises
    ------
    WrongUse
        If a new patch has no box, or nothing is said to change.
    PlanError, PathMissing
        If the plan is wrong, becomes wrong, or isn't there.
    """
    draft = open_draft(plan)
    keys = {key: _value(key, value) for key, value in said.items() if value is not None}
    index = _index(draft.plan, name)
    if index is None:
        if "box" not in keys:
            msg = (
                f'The plan has no patch "{name}" yet; a new one needs its place: --box x0,y0,x1,y1.'
            )
            raise WrongUse(msg)
        draft.add_patch({"name": name, **keys}).save()
        return f"{plan.name}: added {name}{_brings(keys.get('material'))}."
    if not keys:
        msg = f'Say what is to change in "{name}": --box, --material, --zone, or --remove.'
        raise WrongUse(msg)
    for key, value in keys.items():
        draft = draft.set(("patch", index, key), value)
    draft.save()
    return f"{plan.name}: changed {', '.join(keys)} of {name}."


def remove_patch(plan: Path, name: str) -> str:
    """Take a patch out of a plan.

    Raises
    ------
    WrongUse
        If the plan has no such patch.
    PlanError
        If the plan names it elsewhere.
    """
    draft = open_draft(plan)
    index = _index(draft.plan, name)
    if index is None:
        names = [patch.name for patch in draft.plan.patches]
        msg = f'The plan has no patch "{name}". {which_there_is(name, names)}'
        raise WrongUse(msg)
    draft.remove(("patch", index)).save()
    return f"{plan.name}: removed {name}."


def _value(key: str, said: Any) -> Any:
    if key == "box":
        return list(box_of(said))
    return value_of("patch", key, said) if isinstance(said, str) else said


def _index(plan: Plan, name: str) -> int | None:
    return next((i for i, patch in enumerate(plan.patches) if patch.name == name), None)


def _brings(material: str | None) -> str:
    row = MATERIALS.get(material or "")
    if row is None:
        return ""
    zone = "no zone of its own" if row.zone is None else f"Zone {row.zone:g}"
    return f", {material} with {zone}"


def show_patches(plan: Path, frame: Path, slip: Path | None = None) -> Path:
    """Write the slip of a frame, which shows where a plan's patches fall and what they measure.

    Parameters
    ----------
    plan
        The plan file.
    frame
        The raw file. Its patches are read where the plan puts them; none is followed.
    slip
        Where the PNG goes; None for the frame's name with -patches.png, beside the plan.

    Raises
    ------
    Unreadable
        If the frame gives no trustworthy pixels.
    PathMissing, WrongUse
        If the frame isn't there, or the picture can't be written.
    """
    targets = load_plan(plan)
    target = slip or plan.with_name(f"{frame.stem}-patches.png")
    record, picture = _seen(frame, targets)
    write_whole(target, draw_slip(record, picture))
    return target


def _seen(path: Path, plan: Plan) -> tuple[Record, LightGrid]:
    frame = decode(path)
    reading = read(frame, plan)
    verdict = judge(reading.measurement, plan)
    return recorded(path.name, reading.measurement, verdict), reading.finer(_EDGE)
