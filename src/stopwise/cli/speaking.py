"""Speaking to a running watcher: which one, by which plan, and what it is told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.options import PATH

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stopwise.day.watches import Watch
    from stopwise.plan.model import Plan


def watch_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that name a watch; none is needed where one watcher runs."""
    ledger = click.option("--ledger", "ledger_path", type=PATH, help="The ledger of the watch.")
    folder = click.option("--folder", type=PATH, help="The folder that is watched.")
    wrapped: Callable[..., Any] = ledger(folder(command))
    return wrapped


def find_watch(*, ledger_path: Path | None, folder: Path | None, **_: Any) -> Watch:
    """Return the watch that a command speaks to."""
    from stopwise.day.watches import the_watch

    return the_watch(ledger=ledger_path, folder=folder)


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
