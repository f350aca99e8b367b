"""`stopwise adopt`: a frame's figures become the targets."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from stopwise.cli.options import PATH, plan_option
from stopwise.cli.speaking import watch_options

if TYPE_CHECKING:
    from pathlib import Path


@click.command()
@click.argument("frame", type=PATH, required=False)
@plan_option
@click.option("--patches", metavar="NAMES", help="Only the zones of these patches.")
@click.option("--only", type=click.Choice(["zones", "ratios", "backdrop"]), help="Only these.")
@click.option("--anyway", is_flag=True, help="Adopt a frame that is clipped or misfired, too.")
@click.option("--undo", "is_undo", is_flag=True, help="Put the targets back as they were before.")
@watch_options
def adopt(frame: Path | None, is_undo: bool, **said: Any) -> None:  # noqa: FBT001
    """Make what a FRAME measured the targets, the old ones kept as comments in the plan.

    With no FRAME it is the newest of the watch. From then on tolerance is round the adopted light.

    Example: stopwise adopt
    """
    from stopwise.cli.adopting import Adopting

    adopting = Adopting.of(**said)
    if is_undo:
        adopting.undo()
    else:
        adopting.adopt(frame, **said)
