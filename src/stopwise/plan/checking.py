"""Check a plan file: its form, then its sense, in the lines that are printed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.plan.reading import plan_of
from stopwise.plan.sense import say_doubts, say_old_keys, say_plan, sense_of
from stopwise.plan.source import read_source

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from stopwise.plan.doubts import Doubt
    from stopwise.plan.model import Plan


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check of a plan came to.

    Attributes
    ----------
    lines
        What to print.
    warnings
        How many of them are warnings.
    """

    lines: tuple[str, ...]
    warnings: int


def check_plan(
    path: str | Path, *, also: Callable[[Plan], Iterable[Doubt]] | None = None
) -> Checked:
    """Check a plan file.

    Parameters
    ----------
    path
        The plan.
    also
        A further check of its sense, such as one that looks at a frame.

    Raises
    ------
    PlanError
        If its form is wrong.
    PathMissing
        If a file isn't there.
    """
    source = read_source(path)
    plan = plan_of(source)
    doubts = [*sense_of(plan, folder=Path(path).parent), *(also(plan) if also else ())]
    told = [*say_old_keys(source), *say_doubts(doubts, source)]
    count = f"{len(told)} warning{'s' if len(told) != 1 else ''}" if told else "no warnings"
    return Checked((*told, f"{source.name}: {say_plan(plan)}; {count}."), len(told))
