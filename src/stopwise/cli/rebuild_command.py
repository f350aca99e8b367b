"""`stopwise rebuild`: an earlier day's light built again, lamp by lamp."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from stopwise.cli.options import PATH, json_option, read_plan

if TYPE_CHECKING:
    from pathlib import Path


@click.command()
@click.argument("ledger_path", metavar="LEDGER", type=PATH)
@click.argument("solos", nargs=-1, metavar="[LAMP=FRAME]...")
@click.option("--take", required=True, help="The take that is built again: its name or number.")
@click.option("--plan", "plan_path", type=PATH, required=True, help="The plan of that day.")
@click.option("--today", "today_path", type=PATH, help="Today's plan, whose solos are meant.")
@json_option
def rebuild(
    ledger_path: Path,
    solos: tuple[str, ...],
    take: str,
    plan_path: Path,
    today_path: Path | None,
    as_json: bool,  # noqa: FBT001 - click hands flags over by name
) -> int:
    """Build the light of an earlier day's take again, by the solos of then.

    Shoot each lamp alone with the sitter on the old mark. A lamp matches within 0.1 stop and 1 % of
    the frame; ends with 0 once all do, else with 1.

    Example: stopwise rebuild june.sqlite --take 4 --plan june.toml key=F0104.dng
    """
    from stopwise.cli.ledger_command import ledger_file
    from stopwise.cli.rebuilding import todays, walk
    from stopwise.cli.sides import Basis
    from stopwise.ledger import Ledger
    from stopwise.plan.model import Plan

    basis = Basis(read_plan(plan_path), plan_path)
    today = None if today_path is None else Basis(read_plan(today_path), today_path)
    frames = todays(solos, basis.plan or Plan(), today)
    with Ledger(ledger_file(ledger_path, None), is_read_only=True) as ledger:
        return walk(ledger, take, basis, frames, as_json=as_json)
