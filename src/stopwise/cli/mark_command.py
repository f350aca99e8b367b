"""`stopwise mark`: say which part a frame plays in the plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from stopwise.cli.options import PATH

if TYPE_CHECKING:
    from pathlib import Path


@click.command()
@click.argument("frame", type=PATH)
@click.argument("part", metavar="AS")
@click.option("--plan", "plan", type=PATH, required=True, help="The plan to write into.")
@click.option(
    "--white-card",
    "is_white_card",
    is_flag=True,
    help="The lamp alone on a white card held at the face.",
)
def mark(frame: Path, part: str, plan: Path, is_white_card: bool) -> None:  # noqa: FBT001
    """Mark a FRAME AS grey, ambient, plate, reference, or as the solo of a lamp by its name.

    Example: stopwise mark F0003.dng key --plan plan.toml
    """
    from stopwise.cli.marking import tell_of_mark
    from stopwise.plan.model import FramePart
    from stopwise.preparing.marks import mark_frame

    part = FramePart("white card", part).asked if is_white_card else part
    click.echo(mark_frame(frame, part, plan))
    tell_of_mark(frame, part, plan)
