"""`stopwise watch`: judge frames as they land in a folder."""

from __future__ import annotations

import json
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.options import (
    PATH,
    check_look,
    json_option,
    ledger_option,
    plan_option,
    read_plan,
)
from stopwise.cli.watch_page import page_options
from stopwise.errors import PathMissing

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from stopwise.cli.watching import Shown
    from stopwise.report.terminal import Terminal


@click.command()
@click.argument("folder", type=PATH)
@plan_option
@json_option
@ledger_option
@click.option("--poll", "is_polling", is_flag=True, help="Compare listings: for network shares.")
@click.option("--settle", "settle_s", default=10.0, help="Seconds that a short file is waited for.")
@click.option("--workers", type=click.IntRange(1), default=2, help="Decoding processes.")
@click.option("--look", help="Name of the look that is worn.")
@page_options
def watch(folder: Path, plan_path: Path | None, **chosen: Any) -> int:
    """Judge raw files as they land in FOLDER, one line a frame. Ctrl-C ends it.

    Example: stopwise watch ~/shoots/today --plan plan.toml
    """
    from stopwise.cli.watch_page import watch_page
    from stopwise.cli.watching import WatchRun
    from stopwise.folder.signals import ended_by_signals
    from stopwise.ledger import Ledger, default_place
    from stopwise.pipeline import Brief
    from stopwise.report.terminal import Terminal

    place = chosen["ledger_path"] or default_place(folder)
    _check(folder, place, plan_path, chosen["look"])
    page = watch_page(**chosen)
    with ExitStack() as opened:
        ledger = opened.enter_context(Ledger(place, on_wait=_word_of_a_lock(place)))
        terminal = None if chosen["as_json"] else Terminal()
        shown = _shown(terminal)
        run = WatchRun(
            folder,
            ledger,
            page.fed(shown),
            plan_path=plan_path,
            options=_options(**chosen),
            brief=Brief(look=chosen["look"], picture_edge=page.picture_edge),
        )
        opened.enter_context(page.over(run, ledger, plan_path=plan_path))
        if terminal is not None:
            opened.enter_context(terminal)
        if ledger.set_aside is not None:
            shown.note(f"The ledger was damaged and lies now at {ledger.set_aside}.")
        shown.note(f"watching {folder}; records in {ledger.place}")
        run.run(opened.enter_context(ended_by_signals(run.watcher.wake)))
    return 0


def _word_of_a_lock(place: Path) -> Callable[[], bool]:
    """Return what says once that the ledger is locked, and has it waited for."""
    said = False

    def waits() -> bool:
        nonlocal said
        if not said:
            click.echo(f"{place}: another program holds the ledger locked. Waiting.", err=True)
        said = True
        return True

    return waits


def _check(folder: Path, place: Path, plan_path: Path | None, look: str | None) -> None:
    """Refuse what would go wrong at once, before anything is made."""
    from stopwise.folder.watcher import refuse_ledger_inside

    refuse_ledger_inside(place, folder)
    check_look(read_plan(plan_path), look)
    if not folder.is_dir():
        msg = f"{folder} isn't a folder. Check the name, and that its disk is connected."
        raise PathMissing(msg)


def _options(*, is_polling: bool, settle_s: float, workers: int, **_: Any) -> Any:
    from stopwise.folder.states import Waits
    from stopwise.folder.watcher import Options

    return Options(waits=Waits(settle_s), is_polling=is_polling, workers=workers)


def _shown(terminal: Terminal | None) -> Shown:
    """Return what prints on a terminal, or JSON where there is to be none."""
    from stopwise.cli.watching import Shown

    if terminal is None:
        return Shown(
            frame=lambda record: click.echo(json.dumps(record.to_json())),
            note=lambda words: click.echo(words, err=True),
        )
    return Shown(frame=terminal.frame, note=terminal.note)
