"""`stopwise plan`: write a plan, check it against itself, place its patches, draw its floor."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from stopwise.plan import checking

PLAN = click.Path(path_type=Path)


@click.group()
def plan() -> None:
    """Write, check and draw a lighting plan."""


@plan.command()
@click.argument("file", type=PLAN, default="plan.toml", metavar="[PLAN]")
@click.option("--title", help="Title of the shoot.")
@click.option("--iso", help="ISO speed.")
@click.option("--f-number", help="f-number of the lens: f/11.")
@click.option("--shutter", help="Shutter time: 1/160.")
@click.option("--sync-speed", help="Shortest time that syncs: 1/200.")
@click.option("--light", multiple=True, metavar="TEXT", help='"key; meter=8+0.3; power=-2; ..."')
@click.option("--panel", multiple=True, metavar="TEXT", help='"flag; off_axis=-70; ..."')
@click.option("--set", metavar="TEXT", help='"lens_mm=85; paper=mid-grey; ..."')
@click.option("--patch", multiple=True, metavar="TEXT", help='"hair; box=.4,.1,.6,.2; ..."')
@click.option("--ratio", multiple=True, metavar="TEXT", help='"lit cheek to shadow cheek = 2"')
@click.option("--apart", multiple=True, metavar="TEXT", help='"hair over backdrop = 0.7"')
@click.option("--backdrop", metavar="TEXT", help='"boxes=0,0,.3,.6 | .7,0,1,.6; left_right=0"')
def new(file: Path, **said: Any) -> None:
    """Write a new PLAN (plan.toml), from questions, or wholly from options.

    With no option it asks in trade order. A table is one line: its name, then key=value parted by
    semicolons, with the keys of the plan file. Nothing is ever overwritten.

    Example: stopwise plan new --iso 100 --f-number f/11 --light "key; meter=11; off_axis=60 right"
    """
    from stopwise.plan.interview import Interview
    from stopwise.plan.new import write_new_plan
    from stopwise.plan.tables import plan_tables

    tables = plan_tables(said) if any(said.values()) else Interview(_ask, click.echo).plan()
    click.echo(f"Wrote {write_new_plan(file, tables)}. Check it: stopwise plan check {file}")


def _ask(question: str) -> str:
    answer: str = click.prompt(question, default="", show_default=False)
    return answer


@plan.command()
@click.argument("file", type=PLAN, metavar="PLAN")
@click.option("--strict", is_flag=True, help="Let a warning fail as a mistake does, with code 2.")
def check(file: Path, strict: bool) -> int:  # noqa: FBT001
    """Check a PLAN: its form first, then its sense.

    A mistake of form ends with code 2 and its line. Warnings say with figures what doesn't fit.

    Example: stopwise plan check plan.toml --strict
    """
    found = checking.check_plan(file)
    click.echo("\n".join(found.lines))
    return 2 if strict and found.warnings else 0


@plan.command()
@click.argument("file", type=PLAN, metavar="PLAN")
@click.option("--out", type=PLAN, help="Where to: .svg or .png. [PLAN's name with -floor.png]")
def draw(file: Path, out: Path | None) -> None:
    """Draw the floor of a PLAN: its set from above and from the side.

    Example: stopwise plan draw plan.toml --out floor.svg
    """
    from stopwise.plan.floor import floor_of_plan
    from stopwise.plan.floor_drawing import write_floor
    from stopwise.plan.reading import load_plan

    drawn = write_floor(
        floor_of_plan(load_plan(file)), out or file.with_name(f"{file.stem}-floor.png")
    )
    click.echo(f"Drew {drawn}.")
