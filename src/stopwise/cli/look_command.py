"""`stopwise look`: say which look is worn."""

from __future__ import annotations

from typing import Any

import click

from stopwise.cli.speaking import find_watch, plan_of, say, watch_options


@click.command()
@click.argument("name", nargs=-1, required=True)
@watch_options
def look(name: tuple[str, ...], **named: Any) -> None:
    """From the next frame on, this look's targets hold. "none" is the plan's own.

    Example: stopwise look in black
    """
    from stopwise.shoot.saying import read_look

    watch = find_watch(**named)
    worn = read_look(" ".join(name), plan_of(watch))
    say(watch, "look", worn, f"Look: {worn}" if worn else "The plan's own look")
