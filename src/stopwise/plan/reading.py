"""From a plan file to a Plan, or to sentences that say line by line what is wrong with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import ValidationError

from stopwise.plan.crosscheck import cross_faults
from stopwise.plan.faults import faults_of
from stopwise.plan.model import Plan
from stopwise.plan.source import read_source, source_of_text

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.plan.source import Source


def load_plan(path: str | Path) -> Plan:
    """Read a plan file.

    Parameters
    ----------
    path
        A TOML file.

    Returns
    -------
    Plan
        Checked: every name that it uses stands for something.

    Raises
    ------
    PathMissing
        If the file isn't there or can't be opened.
    PlanError
        If anything in it is wrong, with every mistake that was found: ``plan.toml:12: ...``.
    """
    return plan_of(read_source(path))


def plan_of_text(text: str, name: str = "plan.toml") -> Plan:
    """Read a plan from text; `name` is what messages call it.

    Raises
    ------
    PlanError
        If anything in it is wrong.
    """
    return plan_of(source_of_text(text, name))


def plan_of(source: Source) -> Plan:
    """Check the values of a plan that TOML could read.

    Raises
    ------
    PlanError
        If a key, type, value, range or name is wrong.
    """
    try:
        plan = Plan.model_validate(source.data, by_alias=True, by_name=False)
    except ValidationError as error:
        raise source.refuse(faults_of(error.errors(include_url=False), source)) from None
    if faults := cross_faults(plan):
        raise source.refuse(faults)
    plan._old_keys = source.old_keys  # noqa: SLF001  what stands in the file, no key of the plan
    return plan
