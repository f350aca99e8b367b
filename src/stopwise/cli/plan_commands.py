"""`stopwise plan`: write a plan, check it against itself, place its patches, draw its floor."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.options import PATH
from stopwise.cli.printing import say
from stopwise.errors import WrongUse
from stopwise.plan import sense

if TYPE_CHECKING:
    from pathlib import Path


@click.group()
def plan() -> None:
    """Write, check and draw a lighting plan."""


@plan.command()
@click.argument("file", type=PATH, default="plan.toml", metavar="[PLAN]")
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
@click.option("--separation", multiple=True, metavar="TEXT", help='"hair over backdrop = 0.7"')
@click.option("--backdrop", metavar="TEXT", help='"boxes=0,0,.3,.6 | .7,0,1,.6; left_right=0"')
def new(file: Path, **said: Any) -> None:
    """Write a new PLAN (plan.toml), from questions, or wholly from options.

    With no option it asks in trade order. A table is one line: its name, then key=value parted by
    semicolons, with the keys of the plan file. Nothing is ever overwritten.

    Example: stopwise plan new --iso 100 --f-number f/11 --light "key; meter=11; off_axis=60 right"
    """
    from stopwise.plan.new import Interview, refuse_old, write_new_plan
    from stopwise.plan.spoken_tables import plan_tables

    refuse_old(file)
    interview = Interview(_ask, say)
    try:
        tables = plan_tables(said) if any(said.values()) else interview.plan()
    except (click.Abort, WrongUse):
        if interview.tables:
            say("", f"Wrote {write_new_plan(file, interview.tables)} with what was answered.")
        raise
    say(f"Wrote {write_new_plan(file, tables)}. Check it: stopwise plan check {file}")


def _ask(question: str) -> str:
    answer: str = click.prompt(question, default="", show_default=False)
    return answer


@plan.command()
@click.argument("file", type=PATH, metavar="PLAN")
@click.option("--frame", type=PATH, help="A raw frame: do boxes cover two materials in it?")
@click.option("--strict", is_flag=True, help="Let a warning fail as a mistake does, with code 2.")
def check(file: Path, frame: Path | None, strict: bool) -> int:  # noqa: FBT001
    """Check a PLAN: its form first, then its sense.

    A mistake of form ends with code 2 and its line. Warnings say with figures what doesn't fit.

    Example: stopwise plan check plan.toml --strict
    """
    from stopwise.preparing.patch_edits import doubts_in

    found = sense.check_plan(file, also=doubts_in(frame) if frame else None)
    say(*found.lines)
    return 2 if strict and found.warnings else 0


@plan.command()
@click.argument("file", type=PATH, metavar="PLAN")
@click.option("--out", type=PATH, help="Where to: .svg or .png. [PLAN's name with -floor.png]")
def draw(file: Path, out: Path | None) -> None:
    """Draw the floor of a PLAN: its set from above and from the side.

    Example: stopwise plan draw plan.toml --out floor.svg
    """
    from stopwise.plan import load_plan
    from stopwise.plan.floor import floor_of_plan
    from stopwise.plan.floor_drawing import write_floor

    drawn = write_floor(
        floor_of_plan(load_plan(file)), out or file.with_name(f"{file.stem}-floor.png")
    )
    say(f"Drew {drawn}.")


@plan.command()
@click.argument("name", metavar="PATCH")
@click.option("--plan", "file", type=PATH, required=True, help="The plan to write into.")
@click.option("--box", metavar="x0,y0,x1,y1", help="Where it is.")
@click.option("--material", help="skin, white cloth, hair, black cloth, metal or paper.")
@click.option("--zone", help="The target zone.")
@click.option("--lit-by", metavar="LAMPS", help="key,fill")
@click.option("--follow/--no-follow", default=None, help="Find it again when the sitter moves.")
@click.option("--frame", type=PATH, help="A raw frame to show the patches on.")
@click.option("--slip", type=PATH, help="Where the picture goes. [FRAME's name with -patches.png]")
@click.option("--look", help="The look whose patch it is; the plan's own when not given.")
@click.option("--remove", is_flag=True, help="Take it out of the plan.")
def patch(name: str, file: Path, frame: Path | None, slip: Path | None, **keys: Any) -> None:
    """Add a PATCH to a plan, move or change it, or take it out.

    Example: stopwise plan patch "lit cheek" --plan plan.toml --box .52,.4,.58,.48 --frame F1.dng
    """
    from stopwise.preparing.patch_edits import place_patch, remove_patch, show_patches

    remove, look = keys.pop("remove"), keys.pop("look")
    if remove:
        done = remove_patch(file, name, look=look)
    else:
        done = place_patch(file, name, keys, look=look)
    say(done)
    if frame:
        say(f"Drew {show_patches(file, frame, slip)}.")


@plan.command()
@click.argument("file", type=PATH, metavar="PLAN")
def undo(file: Path) -> None:
    """Undo the last edit that the program made in a PLAN, once.

    Example: stopwise plan undo plan.toml
    """
    from stopwise.cli.day_commands import ledger_of_plan
    from stopwise.shoot.watched_edits import undo_last

    with ledger_of_plan(file) as ledger:
        undo_last(ledger, file)
    say(f"{file.name} is as it was before the last edit.")
