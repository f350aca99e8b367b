"""The plan's own frames (grey, ambient, plate, reference, solos): which file plays which part."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.plan.model import Plan


def marked_files(plan: Plan, folder: Path) -> Iterator[tuple[str, Path]]:
    """Yield each part that the plan gives to a frame, and the frame's file.

    Parts are "grey", "ambient", "plate", "reference", "solo of LAMP" and "white card of LAMP".
    """
    for part, name in plan.frames.marked:
        yield part.words, folder / name


def part_of(path: Path, plan: Plan | None, folder: Path | None) -> str | None:
    """Return the part that a frame plays in the plan, when it isn't to be held against it.

    Parameters
    ----------
    path
        The frame's file.
    plan, folder
        The plan, and the folder that its file names are relative to.
    """
    if plan is None or folder is None:
        return None
    here = _absolute(str(path))
    for part, file in marked_files(plan, folder):
        if part != "reference" and _absolute(str(file)) == here:
            return part
    return None


@lru_cache(maxsize=4096)
def _absolute(path: str) -> Path:
    return Path(path).resolve()
