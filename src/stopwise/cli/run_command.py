"""`stopwise run`: every patch and lamp over the frames of a take."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from stopwise.cli.named_sides import Basis, names_there, records_of, take_called
from stopwise.cli.options import PATH, ledger_option, plan_option, read_plan
from stopwise.cli.printing import say_json
from stopwise.comparison.run import DRIFT_STOPS, TakeRun, runs_by_look
from stopwise.errors import PathMissing

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from stopwise.ledger import Ledger


def runs(
    ledger: Ledger, basis: Basis, *, take: str | None = None, every: bool = False
) -> list[TakeRun]:
    """Return the runs that are meant, oldest first: one for each look of each take.

    Parameters
    ----------
    ledger
        Where records are kept.
    basis
        Its plan gives the limit; its look, if named, is the only one.
    take
        A take's name or number; None for the one that is on.
    every
        Whether all takes are meant.

    Raises
    ------
    PathMissing
        If there is no such take, or no frame at all.
    """
    limit = DRIFT_STOPS if basis.plan is None else basis.plan.limits.drift
    found: list[TakeRun] = []
    for number in _numbers(ledger, take, every=every):
        records = records_of(ledger, take=number, look=basis.look)
        found += runs_by_look(records, limit=limit, is_steady=basis.is_steady)
    if not found:
        msg = f"{ledger.place}: no frame of that take and look is kept. {names_there(ledger)}"
        raise PathMissing(msg)
    return found


def _numbers(ledger: Ledger, take: str | None, *, every: bool) -> Iterator[int | None]:
    if take is not None:
        called = take_called(take, ledger)
        if called is None:
            msg = f"{ledger.place} has no take {take!r}. {names_there(ledger)}"
            raise PathMissing(msg)
        yield called.number
        return
    last = [kept.row.get("take") for kept in ledger.frames.all()]
    yield from dict.fromkeys(last) if every else dict.fromkeys(last[-1:])


def show(found: Iterable[TakeRun], *, as_json: bool) -> int:
    """Print runs, and return 1 where something stepped, drifted or fell out, else 0."""
    found = list(found)
    if as_json:
        for run in found:
            say_json(run.to_json())
    else:
        from rich.text import Text

        from stopwise.report.tables import run_text
        from stopwise.report.terminal import Terminal

        with Terminal() as terminal:
            told = [run_text(run, style=terminal.style) for run in found]
            terminal.show(Text("\n\n").join(told))
    return 1 if any(run.flags for run in found) else 0


@click.command()
@ledger_option
@click.option("--folder", type=PATH, help="The watched folder whose ledger is meant.")
@plan_option
@click.option("--take", help="A take's number or name; the last frame's take when not given.")
@click.option("--all", "every", is_flag=True, help="Every take.")
@click.option("--look", help="Only the frames of this look.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object a run.")
def run(
    ledger_path: Path | None,
    folder: Path | None,
    plan_path: Path | None,
    take: str | None,
    look: str | None,
    **flags: bool,
) -> int:
    """Say how a take ran: median, spread and drift, and the frames at which something happened.

    With no option it is the watch that runs, or else the last one, and its newest take. Misfires
    never count. Ends with 1 where something stepped, drifted or fell out.

    Example: stopwise run --take 3
    """
    from stopwise.cli.ledger_command import ledger_file
    from stopwise.ledger import Ledger

    basis = Basis(read_plan(plan_path), plan_path, look)
    with Ledger(ledger_file(ledger_path, folder), is_read_only=True) as ledger:
        found = runs(ledger, basis, take=take, every=flags["every"])
    return show(found, as_json=flags["as_json"])
