"""Patches placed from the terminal, shown on a frame, and boxes that cover two materials."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stopwise.cells import cells_of
from stopwise.errors import WrongUse
from stopwise.measurement import read
from stopwise.measurement.split import two_materials
from stopwise.plan import load_plan
from stopwise.plan.doubts import Doubt
from stopwise.plan.draft import open_draft
from stopwise.plan.kinds import MATERIALS
from stopwise.plan.readings import which_there_is
from stopwise.plan.spoken_tables import box_of, value_of
from stopwise.raw import decode
from stopwise.raw.bounds import in_bounds
from stopwise.record import recorded
from stopwise.report.slip import draw_slip
from stopwise.verdict import judge
from stopwise.whole_file import write_whole

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from stopwise.cells import Cells
    from stopwise.frame import Box
    from stopwise.grid import LightGrid
    from stopwise.plan.model import Patch, Plan
    from stopwise.plan.places import Path as KeyPath
    from stopwise.record import Record

_EDGE = 1200
"""Cells along the longer edge of the picture that patches are shown on."""


def place_patch(plan: Path, name: str, said: Mapping[str, Any], *, look: str | None = None) -> str:
    """Add a patch to a plan, or change the one of that name.

    Parameters
    ----------
    plan
        The plan file.
    name
        The patch's name.
    said
        Keys of a patch with their values as said, None for what isn't; a new one needs its box.
    look
        The look whose patch it is; None for the plan's own.

    Returns
    -------
    str
        What was done.

    Raises
    ------
    WrongUse
        If a new patch has no box, nothing is said to change, or the plan has no such look.
    PlanError, PathMissing
        If the plan is wrong, becomes wrong, or isn't there.
    """
    draft = open_draft(plan)
    keys = {key: _value(key, value) for key, value in said.items() if value is not None}
    table, patches = _patches(draft.plan, look)
    index = _index(patches, name)
    if index is None:
        if "box" not in keys:
            msg = (
                f'The plan has no patch "{name}" yet; a new one needs its place: --box x0,y0,x1,y1.'
            )
            raise WrongUse(msg)
        new = {"name": name, **keys}
        (draft.add_patch(new) if look is None else draft.add(table, new)).save()
        return f"{plan.name}: added {name}{_brings(keys.get('material'))}."
    if not keys:
        msg = f'Say what is to change in "{name}": --box, --material, --zone, or --remove.'
        raise WrongUse(msg)
    for key, value in keys.items():
        draft = draft.set((*table, index, key), value)
    draft.save()
    return f"{plan.name}: changed {', '.join(keys)} of {name}."


def remove_patch(plan: Path, name: str, *, look: str | None = None) -> str:
    """Take a patch out of a plan, or out of one of its looks.

    Raises
    ------
    WrongUse
        If there is no such patch, or no such look.
    PlanError
        If the plan names it elsewhere.
    """
    draft = open_draft(plan)
    table, patches = _patches(draft.plan, look)
    index = _index(patches, name)
    if index is None:
        names = [patch.name for patch in patches]
        msg = f'The plan has no patch "{name}". {which_there_is(name, names)}'
        raise WrongUse(msg)
    draft.remove((*table, index)).save()
    return f"{plan.name}: removed {name}."


def _value(key: str, said: Any) -> Any:
    if key == "box":
        return list(box_of(said))
    return value_of("patch", key, said) if isinstance(said, str) else said


def _patches(plan: Plan, look: str | None) -> tuple[KeyPath, Sequence[Patch]]:
    """Return the table of a look's patches, None for the plan's own, and what stands in it."""
    if look is None:
        return ("patch",), plan.patches
    names = [one.name for one in plan.looks]
    if look not in names:
        msg = f'The plan has no look "{look}". {which_there_is(look, names)}'
        raise WrongUse(msg)
    number = names.index(look)
    return ("look", number, "patch"), plan.looks[number].patches


def _index(patches: Sequence[Patch], name: str) -> int | None:
    return next((i for i, patch in enumerate(patches) if patch.name == name), None)


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
    frame = in_bounds(decode, path)
    reading = read(frame, plan)
    verdict = judge(reading.measurement, plan)
    return recorded(path.name, reading.measurement, verdict), reading.finer(_EDGE)


_MIXED = {"hair", "metal"}
"""Materials that are of two tones by nature."""


def doubts_in(frame: Path) -> Callable[[Plan], Iterable[Doubt]]:
    """Return a check of a plan's boxes against a frame.

    Raises
    ------
    Unreadable, PathMissing
        When it is called, if the frame gives no trustworthy pixels or isn't there.
    """

    def doubts(plan: Plan) -> tuple[Doubt, ...]:
        cells = cells_of(in_bounds(decode, frame), balance=plan.camera.balance)
        return tuple(box_doubts(plan, cells, frame.name))

    return doubts


def box_doubts(plan: Plan, cells: Cells, name: str) -> Iterator[Doubt]:
    """Find boxes that cover two materials in a frame called `name`."""
    for path, box, told in _boxes(plan):
        found = two_materials(cells, box)
        if found:
            seen = {"by": found.by, "stops": found.stops, "smaller": found.smaller}
            yield Doubt(path, "two_materials", {"box": told, "frame": name, **seen})


def _boxes(plan: Plan) -> Iterator[tuple[KeyPath, Box, str]]:
    for index, patch in enumerate(plan.patches):
        if patch.material not in _MIXED:
            yield ("patch", index, "box"), patch.box, patch.name
    for index, box in enumerate(plan.backdrop.boxes if plan.backdrop else ()):
        yield ("backdrop", "boxes", index), box, f"box {index + 1} of the backdrop"
