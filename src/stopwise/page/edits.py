"""What the page changes in the plan file: patches, backdrop boxes, targets; each edit by name."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from stopwise.errors import WrongUse
from stopwise.plan.draft import open_draft
from stopwise.plan.now import plan_now

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from stopwise.plan.draft import Draft
    from stopwise.plan.model import Patch, Plan
    from stopwise.plan.places import Path as KeyPath

NEW_PATCH = ("name", "box", "material", "zone", "within", "headroom", "follow", "must_see")
"""Keys of a patch that the page may write, in the order in which a new one has them."""

_BOX = 4
_DIGITS = 4


class Stale(WrongUse):
    """What the page showed is no longer what the plan says; the page must look again."""


@dataclass(frozen=True, slots=True)
class Which:
    """Which patch: its name, and the look that it belongs to (None: the plan's own)."""

    name: str
    look: str | None = None


def save_patch(
    file: Path, which: Which, values: Mapping[str, Any], *, was: Mapping[str, Any] | None
) -> None:
    """Add a patch, or change what differs in it, and write the plan.

    Parameters
    ----------
    file
        The plan file; edits made to other parts of it meanwhile are kept.
    which
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
    found = _find(draft.plan, which)
    asked = {key: _value(key, values[key]) for key in NEW_PATCH if key in values}
    if was is None:
        _added(draft, which, asked, is_taken=found is not None).save()
        return
    if found is None or not _same(patch_values(found[1]), was):
        msg = f'"{which.name}" was changed in the plan meanwhile. Look again, then save.'
        raise Stale(msg)
    for key, value in asked.items():
        if value is None and was.get(key) is not None:
            draft = draft.drop((*found[0], key))
        elif value != _value(key, was.get(key)):
            draft = draft.set((*found[0], key), value)
    _renamed(draft, which.name, str(asked.get("name") or which.name)).save()


def _added(draft: Draft, which: Which, asked: Mapping[str, Any], *, is_taken: bool) -> Draft:
    if is_taken:
        msg = f'There is a patch called "{which.name}" already. Give it another name.'
        raise Stale(msg)
    said = {key: value for key, value in asked.items() if value not in (None, False)}
    return draft.add(_kind(draft.plan, which.look), said)


def delete_patch(file: Path, which: Which) -> None:
    """Take a patch out of the plan.

    Raises
    ------
    Stale
        If there is no such patch any more.
    WrongUse, PlanError
        If a ratio or a separation still needs it, or the file can't be written.
    """
    draft = open_draft(file)
    found = _find(draft.plan, which)
    if found is None:
        msg = f'There is no patch called "{which.name}" any more.'
        raise Stale(msg)
    draft.remove(found[0]).save()


def save_backdrop(file: Path, boxes: list[Any], *, was: list[Any]) -> None:
    """Write the boxes in which the backdrop is seen.

    Raises
    ------
    Stale
        If they were changed meanwhile.
    WrongUse, PlanError
        If a box is wrong, or the file can't be written.
    """
    draft = open_draft(file)
    now = draft.plan.backdrop.boxes if draft.plan.backdrop else ()
    if not _same_boxes(now, was):
        msg = "The backdrop's boxes were changed in the plan meanwhile. Look again, then save."
        raise Stale(msg)
    draft.set(("backdrop", "boxes"), [_value("box", box) for box in boxes]).save()


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
    worn = next((one for one in plan.looks if one.name == look), None)
    own = () if worn is None else worn.patches
    return {
        "is_there": True,
        "look": None if worn is None else worn.name,
        "patches": [
            {**patch_values(patch), "look": look if patch in own else None}
            for patch in plan_now(plan, look=None if worn is None else worn.name).measured
        ],
        "backdrop": [list(box) for box in plan.backdrop.boxes] if plan.backdrop else [],
        "lights": [light.name for light in plan.lights],
        "looks": [one.name for one in plan.looks],
    }


def patch_values(patch: Patch) -> dict[str, Any]:
    """Return a patch's values as the page shows them."""
    values = {key: getattr(patch, key) for key in NEW_PATCH}
    return {**values, "box": list(patch.box)}


def _renamed(draft: Draft, name: str, new_name: str) -> Draft:
    """Return the draft with a patch's new name wherever ratios and separations name it."""
    if name == new_name:
        return draft
    data = tomllib.loads(draft.text)
    owners: list[tuple[KeyPath, Mapping[str, Any]]] = [((), data)]
    owners += [(("look", number), look) for number, look in enumerate(data.get("look", ()))]
    for owner, tables in owners:
        for kind, keys in (("ratio", ("lit", "shadow")), ("separation", ("lighter", "darker"))):
            for number, table in enumerate(tables.get(kind, ())):
                for key in keys:
                    if table.get(key) == name:
                        draft = draft.set((*owner, kind, number, key), new_name)
    return draft


def _kind(plan: Plan, look: str | None) -> KeyPath:
    """Return the path of the patches of the plan, or of one of its looks."""
    if look is None:
        return ("patch",)
    for number, one in enumerate(plan.looks):
        if one.name == look:
            return ("look", number, "patch")
    msg = f'There is no look called "{look}" any more.'
    raise Stale(msg)


def _find(plan: Plan, which: Which) -> tuple[KeyPath, Patch] | None:
    kind = _kind(plan, which.look)
    patches = plan.patches if which.look is None else plan.looks[int(kind[1])].patches
    for number, patch in enumerate(patches):
        if patch.name == which.name:
            return (*kind, number), patch
    return None


def _same(now: Mapping[str, Any], was: Mapping[str, Any]) -> bool:
    return all(_value(key, now.get(key)) == _value(key, was.get(key)) for key in NEW_PATCH)


def _same_boxes(now: Any, was: list[Any]) -> bool:
    return [_value("box", box) for box in now] == [_value("box", box) for box in was]


def _value(key: str, value: Any) -> Any:
    """Return a value as the plan gets it: boxes in order and inside, numbers finite."""
    if value is None:
        return None
    if key == "box":
        return _box(value)
    if key in ("follow", "must_see"):
        return bool(value)
    if key in ("name", "material"):
        return str(value)
    return _number(value)


def _box(value: Any) -> list[float]:
    if not isinstance(value, list | tuple) or len(value) != _BOX:
        msg = "A box has four numbers: x0, y0, x1, y1."
        raise WrongUse(msg)
    x0, y0, x1, y1 = (min(max(_number(part), 0.0), 1.0) for part in value)
    box = [round(part, _DIGITS) for part in (min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1))]
    if box[0] >= box[2] or box[1] >= box[3]:
        msg = "The box is empty. Draw it larger."
        raise WrongUse(msg)
    return box


def _number(value: Any) -> float:
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number):
        msg = f"{value!r} is not a number."
        raise WrongUse(msg)
    return number
