"""`stopwise ledger`: hand the records out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.options import PATH, ledger_option
from stopwise.cli.printing import say_rows
from stopwise.errors import PathMissing, WrongUse

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@click.group()
def ledger() -> None:
    """Hand out what the ledger keeps."""


@ledger.command()
@ledger_option
@click.option("--folder", type=PATH, help="The watched folder whose ledger is meant.")
@click.option("--json", "as_json", is_flag=True, help="One record a line (the default).")
@click.option("--csv", "as_csv", is_flag=True, help="A table, one row a frame.")
def export(
    ledger_path: Path | None,
    folder: Path | None,
    as_json: bool,  # noqa: FBT001 - click hands flags over by name
    as_csv: bool,  # noqa: FBT001
) -> int:
    """Print every frame's record, oldest first, with what brings it level with its look.

    With no option it is the watch that runs, or else the last one.

    Example: stopwise ledger export --csv > frames.csv
    """
    from stopwise.comparison.matching import levelled
    from stopwise.ledger import Ledger
    from stopwise.ledger.export import csv_lines, json_lines
    from stopwise.shoot.look_frames import targets_of

    if as_json and as_csv:
        msg = "Say --json or --csv, not both."
        raise WrongUse(msg)
    with Ledger(ledger_file(ledger_path, folder), is_read_only=True) as opened:
        targets = targets_of(opened)

        def records() -> Iterator[dict[str, Any]]:
            return levelled(opened.frames.all(), targets)

        say_rows(csv_lines(records) if as_csv else json_lines(records()))
    return 0


def ledger_file(ledger_path: Path | None, folder: Path | None) -> Path:
    """Return the ledger that the options mean; with none, that of the watch that runs, or ran last.

    Raises
    ------
    WrongUse
        If several watches run and none is named.
    PathMissing
        If it isn't there.
    """
    from stopwise.ledger import default_place
    from stopwise.shoot.watches import the_watch

    if ledger_path is None and folder is None:
        return the_watch().ledger
    path = ledger_path or default_place(folder or "")
    if not path.exists():
        msg = f"{path}: there is no ledger. Check the name, or watch the folder first."
        raise PathMissing(msg)
    return path
