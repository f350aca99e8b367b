"""What `adopt` does: finds the frame, measures it by the plan as it stands, writes the targets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import click

from stopwise.cli.speaking import find_watch, watch_of_plan
from stopwise.errors import WrongUse
from stopwise.ledger import MEMORY, Ledger
from stopwise.messages import say
from stopwise.pipeline import Brief, assess
from stopwise.plan import load_plan
from stopwise.shoot.adopting import ADOPT, Choice, refuse_spoilt
from stopwise.shoot.references import reference_of, solos_are_of
from stopwise.shoot.standing import Standing
from stopwise.shoot.taking_part import adopt_frame, undo_last

if TYPE_CHECKING:
    from stopwise.record import Record
    from stopwise.shoot.adopting import Change
    from stopwise.shoot.watches import Watch


class Adopting:
    """One call of `adopt`.

    Parameters
    ----------
    plan
        The plan that is written.
    watch
        The watch that goes by it; None where none does.
    """

    def __init__(self, plan: Path, watch: Watch | None) -> None:
        self._plan = plan
        self._watch = watch

    @classmethod
    def of(cls, *, plan_path: Path | None, **named: Any) -> Self:
        """Find plan and watch: the plan that is named, else the watch's own.

        Raises
        ------
        PathMissing, WrongUse
            If neither is named and no watch is known, or the watch has no plan.
        """
        if plan_path is None:
            watch = find_watch(**named)
            return cls(watch.plan_path(), watch)
        return cls(plan_path, watch_of_plan(plan_path, **named))

    def undo(self) -> None:
        """Take the last adoption back.

        Raises
        ------
        WrongUse
            If the plan was edited since, or nothing was adopted.
        """
        with Ledger(self._watch.ledger if self._watch else MEMORY) as ledger:
            undo_last(ledger, self._plan, what=ADOPT)
        click.echo(f"{self._plan.name}: the targets are as they were before.")

    def adopt(
        self,
        frame: Path | None,
        *,
        only: Any = None,
        patches: str | None = None,
        anyway: bool = False,
        **_: Any,
    ) -> None:
        """Write a frame's figures into the plan and tell the watch.

        Raises
        ------
        WrongUse
            If there is no frame, it is clipped where it must not be, a lamp misfired in it, or
            nothing in it differs from its target.
        """
        with Ledger(self._watch.ledger if self._watch else MEMORY) as ledger:
            standing = Standing(ledger, lambda _: None)
            path = frame or _newest(ledger)
            record = assess(path, self._brief(ledger, standing)).record
            if not anyway:
                refuse_spoilt(record)
            names = tuple(part.strip() for part in (patches or "").split(",") if part.strip())
            choice = Choice(only, names, standing.lit)
            changes = adopt_frame(ledger, record, self._plan, frame=path, choice=choice)
        for words in _told(path, changes, record):
            click.echo(words)

    def _brief(self, ledger: Ledger, standing: Standing) -> Brief:
        plan = load_plan(self._plan)
        return Brief(
            plan=plan,
            plan_folder=self._plan.resolve().parent,
            look=standing.look,
            lit=standing.lit,
            is_other_stuff=not solos_are_of(ledger, plan, standing.look),
            reference=reference_of(ledger, standing.look),
        )


def _newest(ledger: Ledger) -> Path:
    """Return the newest frame that is held against the plan and still lies where it landed."""
    for kept in reversed(list(ledger.frames.all(last=30))):
        if kept.record.verdict in ("unreadable", "measured"):
            continue
        for place in ledger.frames.places_of(kept.frame):
            if Path(*place).is_file():
                return Path(*place)
    msg = "No frame has landed yet that can be adopted. Shoot one, or name a frame."
    raise WrongUse(msg)


def _told(path: Path, changes: tuple[Change, ...], record: Record) -> list[str]:
    targets = "1 target" if len(changes) == 1 else f"{len(changes)} targets"
    told = [f"Adopted {targets} from {path.name}: {'; '.join(one.words for one in changes)}."]
    unseen = [name for name, one in record.patches.items() if one.zone is None]
    if unseen:
        told.append(f"Not seen, left as they were: {', '.join(unseen)}.")
    rest = [
        say(finding)
        for finding in record.findings
        if finding.state == "fails" and finding.check in _STILL
    ]
    if rest:
        told.append(f"Still off the plan's limits: {' '.join(rest)}")
    return told


_STILL = ("headroom", "clip", "blown", "blocked", "separation", "setting", "shutter", "pinpoints")
"""Limits, which no frame changes."""
