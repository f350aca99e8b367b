"""`stopwise run`: every patch and lamp over the frames of a take."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from stopwise.cli.options import PATH, ledger_option, plan_option, read_plan

if TYPE_CHECKING:
    from pathlib import Path


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

    Misfires never count. Ends with 1 where something stepped, drifted or fell out.

    Example: stopwise run --folder ~/shoots/today --take 3
    """
    from stopwise.cli.ledger_command import ledger_file
    from stopwise.cli.running import runs, show
    from stopwise.cli.sides import Basis
    from stopwise.ledger import Ledger

    basis = Basis(read_plan(plan_path), plan_path, look)
    with Ledger(ledger_file(ledger_path, folder), is_read_only=True) as ledger:
        found = runs(ledger, basis, take=take, every=flags["every"])
    return show(found, as_json=flags["as_json"])
