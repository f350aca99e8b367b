"""Which frame each look is brought level with: the adopted one, else the reference."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.shoot.references import adopted_frame, reference_of

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.ledger import Ledger
    from stopwise.plan.model import Plan
    from stopwise.record import Record


def target_of(ledger: Ledger, look: str | None, plan: Plan | None = None) -> Record | None:
    """Return the record of the frame that a look is brought level with, None where there is none.

    Parameters
    ----------
    ledger
        Where it is kept.
    look
        The look; None for the plan's own targets.
    plan
        Names the reference of the plan's own targets, where nothing was adopted.
    """
    named = None if plan is None or look is not None else plan.frames.reference
    for frame in (_name(adopted_frame(ledger, look)), named, _name(reference_of(ledger, look))):
        kept = None if frame is None else ledger.frames.by_name(frame)
        if kept is not None and kept.record.verdict != "unreadable":
            return kept.record
    return None


def targets_of(ledger: Ledger) -> dict[str | None, Record]:
    """Return each look's frame as it stands at the end of the day, for a hand-over."""
    looks = {kept.record.look for kept in ledger.frames.all()}
    found = {look: target_of(ledger, look) for look in looks}
    return {look: target for look, target in found.items() if target is not None}


def _name(path: Path | None) -> str | None:
    return None if path is None else path.name
