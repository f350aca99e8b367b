"""What the page changes in the plan file: patches and backdrop boxes; each edit by name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from stopwise.errors import WrongUse
from stopwise.plan.draft import open_draft
from stopwise.plan.now import plan_now

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from stopwise.plan.model import Patch, Plan
    from stopwise.plan.places import Path as KeyPath

PATCH_KEYS = ("name", "box", "material", "zone", "within", "headroom", "follow", "must_see")
"""Keys of a patch that the page may write, in the order in which a new one has them."""

_CORNERS, _DIGITS = 4, 4
"""Numbers of a box, and their digits: a hand draws no finer than 1/10 000 of the frame."""


class Stale(WrongUse):
    """What the page showed is no longer what the plan says; the page must look again."""


@dataclass(frozen=True, slots=True)
class PatchRef:
    """A patch as the page knows it: its name, and its look (None: the plan's own)."""

    name: str
    look: str | None = None


def save_patch(
    file: Path, ref: PatchRef, values: Mapping[str, Any], *, was: Mapping[str, Any] | None
) -> None:
    """Add a patch, or change what differs in it, and write the plan.

    Parameters
    ----------
    file
        The plan file; edits made to other parts of it meanwhile are kept.
    ref
        The patch as the page knows it.
    values
        What it becomes; a new `name` renames it, also where ratios and separations name it.
    was
        The values that the page showed before; None for a new patch.

    Raises
    ------
    Stale
        If the patch was changed or taken out meanwhile, or a new one's name is taken.
    WrongUse, PlanError
        If a value is wrong or the file can't be written; nothing is written then.
    """
    draft = open_draft(file)
    place, patch = _find(draft.plan, ref)
    asked = {key: _written(key, values[key]) for key in PATCH_KEYS if key in values}
    if was is None:
        if patch is not None:
            msg = f'There is a patch called "{ref.name}" already. Give it another name.'
            raise Stale(msg)
        stated = {key: value for key, value in asked.items() if value not in (None, False)}
        draft.add(place[:-1], stated).save()
        return
    shown = {key: _written(key, was.get(key)) for key in PATCH_KEYS}
    if patch is None or shown != patch_values(patch):
        msg = f'"{ref.name}" was changed in the plan meanwhile. Look again, then save.'
        raise Stale(msg)
    for key, value in asked.items():
        path = (*place, key)
        if key == "name" and value and value != ref.name:
            draft = draft.rename_patch(place, str(value))
        elif value != shown[key]:
            draft = draft.drop(path) if value is None else draft.set(path, value)
    draft.save()


def delete_patch(file: Path, ref: PatchRef) -> None:
    """Take a patch out of the plan.

    Raises
    ------
    Stale
        If there is no such patch any more.
    WrongUse, PlanError
        If a ratio or a separation still needs it, or the file can't be written.
    """
    draft = open_draft(file)
    place, patch = _find(draft.plan, ref)
    if patch is None:
        msg = f'There is no patch called "{ref.name}" any more.'
        raise Stale(msg)
    draft.remove(place).save()


def save_backdrop(file: Path, boxes: Iterable[Any], *, was: Iterable[Any]) -> None:
    """Write the boxes in which the backdrop is seen.

    Raises
    ------
    Stale
        If they were changed meanwhile.
    WrongUse, PlanError
        If a box is wrong, or the file can't be written.
    """
    draft = open_draft(file)
    if _boxes(draft.plan) != [_written("box", box) for box in was]:
        msg = "The backdrop's boxes were changed in the plan meanwhile. Look again, then save."
        raise Stale(msg)
    draft.set(("backdrop", "boxes"), [_written("box", box) for box in boxes]).save()


def plan_view(plan: Plan | None, *, look: str | None = None) -> dict[str, Any]:
    """Return what the page needs of a plan to edit it: patches, backdrop, lamps, looks.

    Parameters
    ----------
    plan
        The plan; None has nothing.
    look
        The look that is worn: its patches stand in place of those that don't stay.
    """
    if plan is None:
        return {"patches": [], "backdrop": [], "lights": [], "looks": [], "is_there": False}
    looks = {one.name: one for one in plan.looks}
    worn = look if look in looks else None
    own = () if worn is None else looks[worn].patches
    return {
        "is_there": True,
        "look": worn,
        "patches": [
            {**patch_values(patch), "look": worn if patch in own else None}
            for patch in plan_now(plan, look=worn).measured
        ],
        "backdrop": _boxes(plan),
        "lights": [light.name for light in plan.lights],
        "looks": list(looks),
    }


def patch_values(patch: Patch) -> dict[str, Any]:
    """Return a patch's values as the page shows them."""
    return {key: _written(key, getattr(patch, key)) for key in PATCH_KEYS}


def _boxes(plan: Plan) -> list[Any]:
    return [_written("box", box) for box in plan.backdrop.boxes] if plan.backdrop else []


def _find(plan: Plan, ref: PatchRef) -> tuple[KeyPath, Patch | None]:
    """Return the place of a patch in the plan or one of its looks; None where it isn't there."""
    kind: KeyPath = ("patch",)
    patches: Sequence[Patch] = plan.patches
    if ref.look is not None:
        numbers = [number for number, one in enumerate(plan.looks) if one.name == ref.look]
        if not numbers:
            msg = f'There is no look called "{ref.look}" any more.'
            raise Stale(msg)
        kind, patches = ("look", numbers[0], "patch"), plan.looks[numbers[0]].patches
    names = [patch.name for patch in patches]
    number = names.index(ref.name) if ref.name in names else len(names)
    return (*kind, number), (patches[number] if ref.name in names else None)


def _written(key: str, value: Any) -> Any:
    """Return a value as the plan gets it, which refuses it where it is wrong.

    The corners of a box that was drawn are put in order, cut at the frame and rounded.
    """
    if key != "box" or not isinstance(value, list | tuple) or len(value) != _CORNERS:
        return value
    try:
        x0, y0, x1, y1 = (round(min(max(float(part), 0.0), 1.0), _DIGITS) for part in value)
    except (TypeError, ValueError):
        return value
    return [min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)]
