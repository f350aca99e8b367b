"""`stopwise take`: a new take begins, and what was turned."""

from __future__ import annotations

from typing import Any

import click

from stopwise.cli.speaking import find_watch, plan_of, say, watch_options


@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("turned", nargs=-1, type=click.UNPROCESSED)
@watch_options
def take(turned: tuple[str, ...], **named: Any) -> None:
    """Begin a new take with the next frame, and say what was TURNED, in stops.

    "yes" says so of the turn that the watcher asked about; with nothing said, nothing was turned.

    Example: stopwise take "key -0.5, fill +0.2"
    """
    from stopwise.shoot.saying import YES, read_turned, turned_text

    watch = find_watch(**named)
    said = " ".join(turned).strip()
    if said.lower() == YES:
        say(watch, "take", YES, "A new take begins with the turn that was asked about")
        return
    stops = read_turned(said, None if watch.plan is None else plan_of(watch))
    what = f": {turned_text(stops)}" if stops else ""
    say(watch, "take", said, f"A new take begins{what}")
