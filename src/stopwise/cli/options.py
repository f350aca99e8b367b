"""Options that several commands share, and how they are read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stopwise.errors import WrongUse

if TYPE_CHECKING:
    from collections.abc import Callable

    from stopwise.plan.model import Plan

PATH = click.Path(path_type=Path)

plan_option: Callable[[Any], Any] = click.option(
    "--plan", "plan_path", type=PATH, help="The lighting plan (TOML)."
)
json_option: Callable[[Any], Any] = click.option(
    "--json", "as_json", is_flag=True, help="Print the records as JSON, one a line."
)
ledger_option: Callable[[Any], Any] = click.option(
    "--ledger", "ledger_path", type=PATH, help="The ledger file (:memory: keeps nothing)."
)


def read_plan(path: Path | None) -> Plan | None:
    """Load the plan that an option names; None where it names none."""
    if path is None:
        return None
    from stopwise.plan import load_plan
    from stopwise.plan.sense import say_old_key

    plan = load_plan(path)
    for old in plan.old_keys:
        click.echo(f"{path.name}:{old.line}: {say_old_key(old)}", err=True)
    return plan


def check_look(plan: Plan | None, look: str | None) -> None:
    """Refuse a look that the plan doesn't have.

    Raises
    ------
    WrongUse
        If it has none of that name.
    """
    if look is not None and look not in {one.name for one in (plan.looks if plan else ())}:
        msg = f"The plan has no look {look!r}. Name one of its [[look]] tables."
        raise WrongUse(msg)
