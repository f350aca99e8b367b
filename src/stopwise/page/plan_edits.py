"""What was drawn on the page, written into the plan: patches and backdrop boxes, each by name."""

from __future__ import annotations

from dataclasses import asdict, fields, replace
from typing import TYPE_CHECKING

from pydantic import ConfigDict
from pydantic.dataclasses import dataclass

from stopwise.errors import WrongUse
from stopwise.frame import Box  # noqa: TC001 - JSON is read by it
from stopwise.plan.draft import open_draft
from stopwise.wording import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from stopwise.plan.draft import Draft
    from stopwise.plan.model import Patch, Plan
    from stopwise.plan.places import Path as KeyPath

SENT = ConfigDict(strict=True, allow_inf_nan=False, extra="forbid")
"""How what a page sends is read: nothing is guessed, every figure is finite."""

_DIGITS = 4
"""Of a box: a hand draws no finer than 1/10 000 of the frame."""

_UNSAID = (None, False, ())
"""Values of a new patch that are left to their defaults."""


class Stale(WrongUse):
    """What the page showed is no longer what the plan says; the page must look again."""


@dataclass(frozen=True, slots=True, config=SENT)
class PatchValues:
    """What a page shows of a patch and may write; as :class:`stopwise.plan.model.Patch` has it."""

    name: str
    box: Box
    material: str | None = None
    zone: float | None = None
    within: float | None = None
    headroom: float | None = None
    follow: bool = False
    must_see: bool | None = None
    lit_by: tuple[str, ...] = ()

    @classmethod
    def of(cls, patch: Patch) -> PatchValues:
        """Return what a page shows of a patch."""
        held = cls(**{one.name: getattr(patch, one.name) for one in fields(cls)})
        return replace(held, box=tidy_box(held.box))


@dataclass(frozen=True, slots=True, config=SENT)
class PatchEdit:
    """One patch as it was shown, and what it becomes.

    Attributes
    ----------
    was
        None for a new one.
    now
        None for one that is taken out; another name renames it wherever the plan names it.
    """

    was: PatchValues | None
    now: PatchValues | None


@dataclass(frozen=True, slots=True, config=SENT)
class BackdropEdit:
    """The boxes in which the backdrop is seen, as they were shown and as they become."""

    was: tuple[Box, ...]
    now: tuple[Box, ...]


@dataclass(frozen=True, slots=True, config=SENT)
class DrawnEdits:
    """All that was drawn before it is saved.

    Attributes
    ----------
    look
        The look whose patches these are; None for the plan's own.
    patches
        Those that changed.
    backdrop
        None where its boxes stay.
    """

    look: str | None = None
    patches: tuple[PatchEdit, ...] = ()
    backdrop: BackdropEdit | None = None


def save_edits(file: Path, edits: DrawnEdits) -> None:
    """Write all that was drawn into the plan at once, or nothing of it.

    Raises
    ------
    Stale
        If something of it was changed meanwhile; edits to other parts of the file are kept.
    WrongUse, PlanError
        If a value is wrong or the file can't be written.
    """
    edited(open_draft(file), edits).save()


def edited(draft: Draft, edits: DrawnEdits) -> Draft:
    """Return a draft with all that was drawn, not saved; errors are those of `save_edits`."""
    for edit in edits.patches:
        draft = _with_patch(draft, edit, edits.look)
    if edits.backdrop is None:
        return draft
    if backdrop_boxes(draft.plan) != tuple(tidy_box(box) for box in edits.backdrop.was):
        msg = "The backdrop's boxes were changed in the plan meanwhile."
        raise Stale(msg)
    return draft.set(("backdrop", "boxes"), [list(tidy_box(box)) for box in edits.backdrop.now])


def _with_patch(draft: Draft, edit: PatchEdit, look: str | None) -> Draft:
    was, now = edit.was, edit.now
    if now is not None:
        now = replace(now, box=tidy_box(now.box))
    sought = was or now
    if sought is None:
        return draft
    place, patch = _find(draft.plan, sought.name, look, is_new=was is None)
    if was is None and now is not None:
        if patch is not None:
            msg = f'There is a patch called "{shown(now.name)}" already. Give it another name.'
            raise Stale(msg)
        stated = {key: value for key, value in asdict(now).items() if value not in _UNSAID}
        is_own = place[:-1] == ("patch",)
        return draft.add_patch(stated) if is_own else draft.add(place[:-1], stated)
    if patch is None:
        msg = f'There is no patch called "{shown(sought.name)}" any more.'
        raise Stale(msg)
    if was is not None and (changed := _differing(PatchValues.of(patch), was)):
        msg = f'"{shown(was.name)}" was changed in the plan meanwhile: {", ".join(changed)}.'
        raise Stale(msg)
    if now is None:
        return draft.remove(place)
    for key in _differing(now, sought):
        value = getattr(now, key)
        if key == "name":
            draft = draft.rename_patch(place, value)
        elif value in (None, ()):
            draft = draft.drop((*place, key))
        else:
            draft = draft.set((*place, key), value)
    return draft


def _differing(one: PatchValues, other: PatchValues) -> list[str]:
    """Return the keys in which two differ, boxes as they are written."""
    other = replace(other, box=tidy_box(other.box))
    return [key for key, value in asdict(one).items() if value != getattr(other, key)]


def backdrop_boxes(plan: Plan) -> tuple[Box, ...]:
    """Return the boxes in which a plan's backdrop is seen, as a page shows them."""
    boxes: Iterable[Box] = plan.backdrop.boxes if plan.backdrop else ()
    return tuple(tidy_box(box) for box in boxes)


def tidy_box(box: Box) -> Box:
    """Return a box with its corners in order, cut at the frame and rounded."""
    x0, y0, x1, y1 = (round(min(max(side, 0.0), 1.0), _DIGITS) for side in box)
    return min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)


def _find(plan: Plan, name: str, look: str | None, *, is_new: bool) -> tuple[KeyPath, Patch | None]:
    """Return the place of a patch in the plan or one of its looks; None where it isn't there.

    While a look is worn, a patch of the set has its place in the plan itself; a new one is the
    look's.
    """
    kind: KeyPath = ("patch",)
    patches: Sequence[Patch] = plan.patches
    if look is not None:
        numbers = [number for number, one in enumerate(plan.looks) if one.name == look]
        if not numbers:
            msg = f'There is no look called "{shown(look)}" any more.'
            raise Stale(msg)
        own = plan.looks[numbers[0]].patches
        is_of_set = name in {one.name for one in patches} - {one.name for one in own}
        if is_new or not is_of_set:
            kind, patches = ("look", numbers[0], "patch"), own
    names = [patch.name for patch in patches]
    number = names.index(name) if name in names else len(names)
    return (*kind, number), (patches[number] if name in names else None)
