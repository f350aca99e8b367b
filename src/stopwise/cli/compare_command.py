"""`stopwise compare`: what changed between two frames, takes or looks, in stops."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from stopwise.cli.options import PATH, json_option, ledger_option, plan_option, read_plan

if TYPE_CHECKING:
    from pathlib import Path


@click.command()
@click.argument("names", nargs=-1, required=True, metavar="BEFORE AFTER")
@plan_option
@click.option("--turned", help='What was turned in between: "key=-0.5, fill=+0.2"; "" for nothing.')
@json_option
@click.option("--slip", "slip_folder", type=PATH, help="Draw both pictures and a map here.")
@ledger_option
@click.option("--look", help="Name of the look that is worn.")
@click.option("--to", "earlier_path", type=PATH, help="An earlier day's ledger, for its --take.")
@click.option("--take", help="The take of --to that today is held against.")
def compare(
    names: tuple[str, ...],
    plan_path: Path | None,
    turned: str | None,
    as_json: bool,  # noqa: FBT001 - click hands flags over by name
    **options: Path | str | None,
) -> int:
    """Say in stops what changed from BEFORE to AFTER, the camera's settings taken out.

    Each is a raw file, or with --ledger a frame, a take ("take 3") or a look by name. With --to and
    --take only AFTER is named.

    Example: stopwise compare F0009.dng F0011.dng --plan plan.toml --turned "key=-0.8"
    """
    from stopwise.cli.comparing import Wanted, run_compare

    wanted = Wanted(names, turned, as_json, **options)  # type: ignore[arg-type]
    return run_compare(wanted, read_plan(plan_path), plan_path)
