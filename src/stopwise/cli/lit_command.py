"""`stopwise lit`: say which lamps are meant to be lit."""

from __future__ import annotations

from typing import Any

import click

from stopwise.cli.speaking import find_watch, plan_of, say, watch_options


@click.command()
@click.argument("lamps", nargs=-1, required=True)
@watch_options
def lit(lamps: tuple[str, ...], **named: Any) -> None:
    """Only these LAMPS are meant to be lit now: targets that need others wait. "all" ends it.

    Example: stopwise lit key, fill
    """
    from stopwise.shoot.saying import read_lit

    watch = find_watch(**named)
    meant = read_lit(" ".join(lamps), plan_of(watch))
    words = "All lamps are meant to be lit" if meant is None else f"Lit: {', '.join(meant)}"
    say(watch, "lit", None if meant is None else list(meant), words)
