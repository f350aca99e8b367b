"""Speaking to a running watcher: which one, by which plan, and what it is told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.options import PATH
from stopwise.errors import PathMissing, WrongUse

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stopwise.ledger import Ledger
    from stopwise.plan.model import Plan
    from stopwise.shoot.watches import Watch


def watch_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that name a watch; none is needed where one watcher runs."""
    ledger = click.option("--ledger", "ledger_path", type=PATH, help="The ledger of the watch.")
    folder = click.option("--folder", type=PATH, help="The folder that is watched.")
    wrapped: Callable[..., Any] = ledger(folder(command))
    return wrapped


def find_watch(*, ledger_path: Path | None, folder: Path | None, **_: Any) -> Watch:
    """Return the watch that a command speaks to."""
    from stopwise.shoot.watches import the_watch

    return the_watch(ledger=ledger_path, folder=folder)


def watch_of_plan(
    plan: Path, *, ledger_path: Path | None = None, folder: Path | None = None, **_: Any
) -> Watch | None:
    """Return the watch that goes by a plan, or None.

    Raises
    ------
    PathMissing, WrongUse
        If a watch is named and isn't there.
    """
    try:
        watch = find_watch(ledger_path=ledger_path, folder=folder)
    except (PathMissing, WrongUse):
        if ledger_path or folder:
            raise
        return None
    return watch if watch.plan is not None and watch.plan == plan.resolve() else None


def ledger_of_plan(plan: Path) -> Ledger:
    """Return the ledger of the watch that goes by a plan, else one in memory; close it after."""
    from stopwise.ledger import MEMORY, Ledger

    watch = watch_of_plan(plan)
    return Ledger(MEMORY if watch is None else watch.ledger)


def plan_of(watch: Watch) -> Plan:
    """Return the plan of a watch."""
    from stopwise.plan import load_plan

    return load_plan(watch.plan_path())


def say(watch: Watch, kind: str, body: object, words: str) -> None:
    """Write an order for the watcher, and print what it comes to and when it holds."""
    from stopwise.ledger import Ledger

    with Ledger(watch.ledger) as ledger:
        ledger.orders.say(kind, body)
    click.echo(f"{words}, {watch.since}.")
