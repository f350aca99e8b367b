"""`stopwise expect`: the next frames are these, in order."""

from __future__ import annotations

from typing import Any

import click

from stopwise.cli.speaking import find_watch, plan_of, watch_options


@click.command()
@click.argument("parts", nargs=-1)
@click.option("--box", metavar="x0,y0,x1,y1", help="Where the grey card is held, inside its edges.")
@click.option(
    "--undo", "is_undo", is_flag=True, help="Take back the last frame, or what is awaited."
)
@watch_options
def expect(parts: tuple[str, ...], box: str | None, is_undo: bool, **named: Any) -> None:  # noqa: FBT001
    """Mark the next frames in the plan as they land: they are these PARTS, in order.

    Parts are grey, ambient, plate, reference and the lamps' names, each lamp lit alone; "key
    card" is the key alone on a white card at the face. A frame
    that doesn't fit its name is refused and asked for again. With no PARTS: what is awaited now.

    Example: stopwise expect grey, ambient, plate, key, fill, hair
    """
    from stopwise.cli.expecting import Expecting

    watch = find_watch(**named)
    expecting = Expecting(watch)
    if is_undo:
        expecting.undo()
    elif parts:
        expecting.ask(" ".join(parts), plan_of(watch), box)
    else:
        expecting.show()
