"""`stopwise check`: judge files now."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from stopwise.cli.options import PATH, json_option, ledger_option, plan_option, read_plan

if TYPE_CHECKING:
    from pathlib import Path


@click.command()
@click.argument("frames", nargs=-1, required=True, type=PATH)
@plan_option
@json_option
@click.option("--slip", "slip_folder", type=PATH, help="Write a picture report of each frame here.")
@ledger_option
@click.option("--look", help="Name of the look that is worn.")
def check(
    frames: tuple[Path, ...],
    plan_path: Path | None,
    as_json: bool,  # noqa: FBT001 - click hands flags over by name
    slip_folder: Path | None,
    ledger_path: Path | None,
    look: str | None,
) -> int:
    """Judge raw files, or all raw files of a folder, against a plan.

    Example: stopwise check F0001.dng --plan plan.toml --slip slips/
    """
    from stopwise.cli.checking import CheckRun
    from stopwise.report.terminal import Terminal

    plan = read_plan(plan_path)
    run = CheckRun(plan, plan_path, look=look, slip_folder=slip_folder, ledger_path=ledger_path)
    with run:
        if as_json:
            return run.over(frames, lambda record: click.echo(json.dumps(record.to_json())))
        with Terminal() as terminal:
            return run.over(frames, terminal.file)
