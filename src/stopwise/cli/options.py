"""Options that several commands share, and how they are read."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.printing import warn
from stopwise.errors import WrongUse

if TYPE_CHECKING:
    from collections.abc import Callable

    from stopwise.plan.model import Plan

PATH = click.Path(path_type=Path)


class _Number(click.FloatRange):
    """A number of a range that is one: neither "nan" nor "inf"."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read it, or refuse it with what was written."""
        number: float = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is no number that can be reckoned with.", param, ctx)
        return number


POSITIVE = _Number(min=0.0, min_open=True)
SHARE = _Number(min=0.01, max=1.0)
"""A card's reflectance: 0.01 is the darkest black that is printed or dyed (common practice)."""

plan_option: Callable[[Any], Any] = click.option(
    "--plan", "plan_path", type=PATH, help="The lighting plan (TOML)."
)
json_option: Callable[[Any], Any] = click.option(
    "--json", "as_json", is_flag=True, help="Print JSON, an object a line."
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
        warn(f"{path.name}:{old.line}: {say_old_key(old)}")
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
