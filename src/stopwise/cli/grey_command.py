"""`stopwise grey`: set mid-grey from a card."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.options import PATH

if TYPE_CHECKING:
    from pathlib import Path


@click.command()
@click.argument("frame", type=PATH)
@click.option("--plan", "plan", type=PATH, required=True, help="The plan to write into.")
@click.option("--box", required=True, metavar="x0,y0,x1,y1", help="The card, inside its edges.")
@click.option(
    "--card",
    "reflectance",
    type=click.FloatRange(0.01, 1.0),
    default=0.18,
    show_default=True,
    help="Its reflectance.",
)
@click.option(
    "--card-at",
    "faced",
    type=click.Choice(["lamp", "camera", "between"]),
    default="lamp",
    show_default=True,
    help="What it faced.",
)
@click.option("--lamp", default="", help="The lamp that lit it. [the plan's key]")
@click.option("--meter", help="What the meter read for it here. [the plan's reading]")
@click.option("--force", is_flag=True, help="Write a mid-grey far from the usual, too.")
def grey(frame: Path, plan: Path, box: str, force: bool, **card: Any) -> None:  # noqa: FBT001
    """Set mid-grey for a body and its ISO from the grey card in a FRAME.

    The box is given, never guessed: paper is even and neutral too. The card faces the lamp, or say
    with --card-at what it faced.

    Example: stopwise grey F0001.dng --plan plan.toml --box 0.45,0.45,0.55,0.55
    """
    from stopwise.plan.readings import read_f_number
    from stopwise.plan.spoken_tables import box_of
    from stopwise.preparing.grey import Card, set_grey

    card["meter"] = read_f_number(card["meter"]) if card["meter"] else None
    click.echo("\n".join(set_grey(frame, plan, Card(box_of(box), **card), force=force)))
