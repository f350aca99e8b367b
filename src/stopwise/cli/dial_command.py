"""`stopwise dial`: powers that meet the plan, from its solos."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.options import PATH, json_option, ledger_option

if TYPE_CHECKING:
    from pathlib import Path


@click.command()
@click.option("--plan", "plan_path", type=PATH, required=True, help="The lighting plan (TOML).")
@click.option("--keep", multiple=True, metavar="LAMPS", help="Lamps that aren't turned: key,fill")
@json_option
@click.option("--slip", type=PATH, help="Write the predicted picture here: a folder, or a .png.")
@ledger_option
@click.option("--look", help="Name of the look that is worn.")
@click.option("--match", "earlier_path", type=PATH, help="An earlier day's ledger, for its --take.")
@click.option("--take", help="The take of --match that is to be met in the place of the plan.")
def dial(
    plan_path: Path,
    keep: tuple[str, ...],
    as_json: bool,  # noqa: FBT001 - click hands flags over by name
    slip: Path | None,
    ledger_path: Path | None,
    look: str | None,
    **earlier: Any,
) -> int:
    """Work out the powers that meet a plan, from a solo frame of each lamp.

    Ends with 0 when every target is met, with 1 when one isn't.

    Example: stopwise dial --plan plan.toml --keep fill --slip slips/
    """
    from stopwise.cli.dialling import DialRun
    from stopwise.cli.matching import targets_of

    retargeted = targets_of(earlier["earlier_path"], earlier["take"], look=look)
    with DialRun(plan_path, ledger_path, retargeted=retargeted) as run:
        return run.over(keep=keep, look=look, as_json=as_json, slip=slip)
