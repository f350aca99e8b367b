"""Options that several commands share, and how they are read."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

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

    return load_plan(path)
