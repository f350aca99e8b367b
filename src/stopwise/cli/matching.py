"""The targets of `dial --match`: the medians of an earlier day's take."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.errors import WrongUse

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stopwise.plan.model import Plan


def targets_of(
    earlier_path: Path | None, take: str | None, *, look: str | None = None
) -> Callable[[Plan], Plan] | None:
    """Return what puts a take's medians in the place of a plan's targets, None where none is named.

    Parameters
    ----------
    earlier_path, take
        An earlier day's ledger, and its take by name or number; both or neither.
    look
        The look whose frames count.

    Raises
    ------
    WrongUse
        If only one of the two is named, or no frame of the take counts.
    PathMissing
        If there is no such ledger or take.
    """
    if earlier_path is None and take is None:
        return None
    if earlier_path is None or take is None:
        msg = "--match and --take go together: an earlier day's ledger, and a take of it."
        raise WrongUse(msg)
    from stopwise.cli.ledger_command import ledger_file
    from stopwise.cli.sides import Basis, find_take, records_of
    from stopwise.comparison.matching import plan_to_match, with_backdrop_of
    from stopwise.comparison.sides import left_out
    from stopwise.ledger import Ledger

    with Ledger(ledger_file(earlier_path, None), is_read_only=True) as ledger:
        found = find_take(take, Basis(look=look), ledger)
        number = None if found.take is None else found.take.number
        records = [
            one for one in records_of(ledger, take=number, look=look) if left_out(one) is None
        ]
    return lambda plan: with_backdrop_of(plan_to_match(plan, found.side), records)
