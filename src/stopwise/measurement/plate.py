"""Clean plate: is the paper bare where the sitter's patches lie."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.measurement.boxes import window
from stopwise.measurement.sitter import find_parts
from stopwise.plan.now import stays_with_the_set

if TYPE_CHECKING:
    from stopwise.measurement.blocks import Blocks
    from stopwise.plan.now import PlanNow

_HALF = 0.5
_LARGE = 0.15
"""Share of the frame from which whatever isn't paper is a sitter, where no patch says more.

In made plates the chip and its rod leave 0.01, a sitter 0.34.
"""


def shows_sitter(blocks: Blocks, targets: PlanNow) -> bool:
    """Tell whether somebody was left in a frame that is to show the bare paper.

    Parameters
    ----------
    blocks
        The frame, reduced.
    targets
        The plan's patches and backdrop.

    Returns
    -------
    bool
        True where most patches that go with the sitter lie on what isn't paper. A chair that stays
        may stand beside them. With no such patch: where much of the frame isn't paper. False where
        the plan doesn't say where paper is.
    """
    if targets.plan.backdrop is None:
        return False
    subject = find_parts(blocks, targets.plan.backdrop.boxes).subject
    his = [patch.box for patch in targets.measured if not stays_with_the_set(patch)]
    if not his:
        return bool(subject.mean() > _LARGE)
    covered = sum(bool(subject[window(box, blocks.shape)].mean() > _HALF) for box in his)
    return covered > _HALF * len(his)
