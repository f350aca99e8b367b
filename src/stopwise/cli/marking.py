"""What a watch is told of a frame that `mark` has marked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.cli.speaking import watch_of_plan
from stopwise.ledger import Ledger, content_hash
from stopwise.shoot.taking_part import note_mark

if TYPE_CHECKING:
    from pathlib import Path


def tell_of_mark(frame: Path, part: str, plan: Path) -> None:
    """Have the watch that goes by a plan know which part a frame plays; there may be none."""
    watch = watch_of_plan(plan)
    if watch is None:
        return
    with Ledger(watch.ledger) as ledger:
        note_mark(ledger, part, ledger.frames.by_hash(content_hash(str(frame.resolve()))))
