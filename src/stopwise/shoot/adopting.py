"""Adopt: a frame's figures become the targets of its look, the old ones kept as comments."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from stopwise.errors import WrongUse
from stopwise.messages import say
from stopwise.plan.now import plan_now
from stopwise.plan.readings import which_there_is
from stopwise.record import refuse_unreadable
from stopwise.wording import shown

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from stopwise.plan.draft import Draft
    from stopwise.plan.model import Look, Patch, Plan
    from stopwise.plan.places import Path as KeyPath
    from stopwise.record import Record

ADOPT = "adopt"
"""How the edit is called, so that only it is undone as such."""

Only = Literal["zones", "ratios", "backdrop"]

_DIGITS = 2  # of a zone that is written: hundredths, ten times finer than meters show
_BACKDROP = ("zone", "left_right", "falloff")
_SPOILS = ("lamp", "clip", "blown")
"""Checks of a frame that show that its light isn't the one to keep."""


@dataclass(frozen=True, slots=True)
class Choice:
    """What of a frame is adopted.

    Attributes
    ----------
    only
        One kind of target; None for all.
    patches
        Patches whose zones are adopted; empty for all, and then ratios and backdrop too.
    lit
        Lamps that are meant to be lit: targets that need others stay. None for all.
    """

    only: Only | None = None
    patches: tuple[str, ...] = ()
    lit: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class Change:
    """One target that changed; `before` is None where there was none."""

    of: str
    before: float | Literal["open"] | None
    after: float

    @property
    def words(self) -> str:
        """Return "lit cheek 6.53, was 6.5"."""
        was = f", was {self.before:g}" if isinstance(self.before, float) else ""
        return f"{self.of} {self.after:g}{was}"


@dataclass(frozen=True, slots=True)
class _Target:
    path: KeyPath
    of: str
    kind: Only
    before: float | Literal["open"] | None
    after: float | None


def adopted(
    draft: Draft, record: Record, choice: Choice | None = None
) -> tuple[Draft, tuple[Change, ...]]:
    """Return a draft whose targets are a frame's figures, and what changed.

    Parameters
    ----------
    draft
        The plan being edited.
    record
        The frame's record; its `look` says whose targets change.
    choice
        What of it is adopted; None for all.

    Raises
    ------
    Unreadable
        If the frame can't be read.
    WrongUse
        If a patch that is named isn't in the plan, or the look isn't any more.
    """
    choice, file = choice or Choice(), Path(record.file).name
    refuse_unreadable(record, Path(file))
    was = f"before {shown(file)}"
    changes = []
    for target in _targets(draft.plan, record, choice):
        if target.after is None:
            continue
        after = round(target.after, _DIGITS) + 0.0
        if after == target.before:
            continue
        draft = draft.set(target.path, after, was=was)
        changes.append(Change(target.of, target.before, after))
    return draft, tuple(changes)


def refuse_spoilt(record: Record, *, instead: str = "Mend it, or say adopt --anyway.") -> None:
    """Refuse a frame that shows no light to keep.

    Parameters
    ----------
    record
        The frame's record.
    instead
        What can be done where this is asked.

    Raises
    ------
    WrongUse
        If it is clipped where it must not be, or a lamp misfired in it.
    """
    file = Path(record.file).name
    faults = [
        say(finding)
        for finding in record.findings
        if finding.check in _SPOILS and finding.state == "fails"
    ]
    if faults:
        msg = f"{file} is not adopted: {' '.join(faults)} {instead}"
        raise WrongUse(msg)


def _targets(plan: Plan, record: Record, choice: Choice) -> Iterator[_Target]:
    look = record.look
    if look is not None and look not in {one.name for one in plan.looks}:
        msg = f'There is no look called "{look}" any more.'
        raise WrongUse(msg)
    _refuse_unknown(plan, look, choice.patches)
    for target in _all(plan, record, choice.lit):
        if choice.only not in (None, target.kind):
            continue
        if choice.patches and (target.kind != "zones" or target.of not in choice.patches):
            continue
        yield target


def _refuse_unknown(plan: Plan, look: str | None, patches: Collection[str]) -> None:
    known = [patch.name for patch in plan_now(plan, look=look).measured]
    for name in patches:
        if name not in known:
            msg = f'The plan has no patch "{name}" now. {which_there_is(name, known)}'
            raise WrongUse(msg)


def _all(plan: Plan, record: Record, lit: Collection[str] | None) -> Iterator[_Target]:
    """Yield every target of the look that is judged now, with what the frame measured."""
    now = plan_now(plan, look=record.look, lit=lit)
    owners: list[tuple[KeyPath, Plan | Look]] = [((), plan)]
    owners += [
        (("look", number), look)
        for number, look in enumerate(plan.looks)
        if look.name == record.look
    ]
    ratios = {
        (finding.lit, finding.shadow): finding.measured
        for finding in record.findings
        if finding.check == "ratio"
    }
    for owner, table in owners:
        for number, patch in enumerate(table.patches):
            if any(one is patch for one in now.patches) and _has_zone(patch):
                reading = record.patches.get(patch.name)
                measured = None if reading is None else reading.zone
                path = (*owner, "patch", number, "zone")
                yield _Target(path, patch.name, "zones", patch.zone, measured)
        for number, ratio in enumerate(table.ratios):
            if any(one is ratio for one in now.ratios):
                of = f"{ratio.lit} to {ratio.shadow}"
                path = (*owner, "ratio", number, "stops")
                yield _Target(
                    path, of, "ratios", ratio.stops, ratios.get((ratio.lit, ratio.shadow))
                )
        for key in _BACKDROP if table.backdrop and table.backdrop is now.backdrop else ():
            before = getattr(table.backdrop, key)
            if before is not None or key == "zone":
                measured = None if record.backdrop is None else getattr(record.backdrop, key)
                of = f"paper {key}"
                yield _Target((*owner, "backdrop", key), of, "backdrop", before, measured)


def _has_zone(patch: Patch) -> bool:
    """Tell whether a patch is judged on its zone: metal is only where somebody set a target."""
    return patch.zone is not None or patch.material != "metal"


def with_reference(draft: Draft, record: Record, name: str) -> Draft:
    """Return a draft that follows its patches from the frame, where it names no other.

    Parameters
    ----------
    draft
        The plan being edited.
    record
        The frame's record; a look's reference is the ledger's to keep, so nothing is written.
    name
        The frame as the plan writes it.
    """
    if record.look is not None or draft.plan.frames.reference is not None:
        return draft
    return draft.set(("frames", "reference"), name)
