"""What a worker reads before a frame comes: the plan's own frames, so that no frame waits on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.assessing.marked import marked_files
from stopwise.assessing.references import references_for
from stopwise.decoding import decode
from stopwise.errors import StopwiseError
from stopwise.plan.wishes import wishes_now

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from stopwise.assessing.brief import Brief
    from stopwise.frame import Frame


def prepare(brief: Brief) -> None:
    """Read what frames with this brief will need into this process.

    Parameters
    ----------
    brief
        Plan, its folder, look and lit lamps count; without frames in the plan nothing is done. A
        frame that can't be read is left for the first frame to tell of.
    """
    frame = _first(_files(brief))
    if frame is not None and brief.plan is not None:
        references_for(brief, frame, wishes_now(brief.plan, look=brief.look, lit=brief.lit))


def _files(brief: Brief) -> Iterator[Path]:
    if brief.plan is not None and brief.plan_folder is not None:
        yield from (file for _, file in marked_files(brief.plan, brief.plan_folder))
    if brief.reference is not None:
        yield brief.reference


def _first(files: Iterator[Path]) -> Frame | None:
    """Return the first of the plan's frames that can be read: it stands for one to come."""
    for file in files:
        try:
            return decode(file)
        except (StopwiseError, OSError):
            continue
    return None
