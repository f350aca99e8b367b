"""`stopwise watch`: judge frames as they land in a folder."""

from __future__ import annotations

import json
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.options import PATH, json_option, ledger_option, plan_option

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.cli.watching import Shown


@click.command()
@click.argument("folder", type=PATH)
@plan_option
@json_option
@ledger_option
@click.option("--poll", "is_polling", is_flag=True, help="Compare listings: for network shares.")
@click.option("--settle", "settle_s", default=10.0, help="Seconds that a short file is waited for.")
@click.option("--workers", default=2, help="Decoding processes.")
@click.option("--look", help="Name of the look that is worn.")
def watch(folder: Path, plan_path: Path | None, **chosen: Any) -> int:
    """Judge raw files as they land in FOLDER, one line a frame. Ctrl-C ends it.

    Example: stopwise watch ~/shoots/today --plan plan.toml
    """
    from stopwise.assessing import Brief
    from stopwise.cli.watching import WatchRun
    from stopwise.intake.signals import ended_by_signals
    from stopwise.ledger import Ledger, default_place

    with ExitStack() as opened:
        ledger = opened.enter_context(Ledger(chosen["ledger_path"] or default_place(folder)))
        shown = _shown(opened, as_json=chosen["as_json"])
        run = WatchRun(
            folder,
            ledger,
            shown,
            plan_path=plan_path,
            options=_options(**chosen),
            brief=Brief(look=chosen["look"]),
        )
        if ledger.set_aside is not None:
            shown.note(f"The ledger was damaged and lies now at {ledger.set_aside}.")
        shown.note(f"watching {folder}; records in {ledger.place}")
        run.run(opened.enter_context(ended_by_signals(run.watcher.wake)))
    return 0


def _options(*, is_polling: bool, settle_s: float, workers: int, **_: Any) -> Any:
    from stopwise.intake.turns import Patience
    from stopwise.intake.watcher import Options

    return Options(patience=Patience(settle_s), is_polling=is_polling, workers=workers)


def _shown(opened: ExitStack, *, as_json: bool) -> Shown:
    from stopwise.cli.watching import Shown
    from stopwise.report.terminal import Terminal

    if as_json:
        return Shown(
            frame=lambda record, _plan: click.echo(json.dumps(record)),
            note=lambda words: click.echo(words, err=True),
        )
    terminal = opened.enter_context(Terminal())
    return Shown(
        frame=lambda record, plan: terminal.frame(record, plan=plan),
        note=terminal.note,
    )
