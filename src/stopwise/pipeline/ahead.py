"""What a worker reads before a frame comes: the plan's own frames, so that no frame waits on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.pipeline.references import references_for
from stopwise.plan.now import plan_now

if TYPE_CHECKING:
    from stopwise.pipeline.brief import Brief


def prepare(brief: Brief) -> None:
    """Read what frames with this brief will need into this process.

    Parameters
    ----------
    brief
        Plan, its folder, look, lit lamps and reference count; without a plan nothing is done. A
        frame that can't be read is left for the first frame to tell of.
    """
    if brief.plan is not None:
        targets = plan_now(brief.plan, look=brief.look, lit=brief.lit)
        references_for(brief, None, targets)
