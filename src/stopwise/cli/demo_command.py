"""`stopwise demo`: the sample frames, end to end."""

from __future__ import annotations

import tempfile
from pathlib import Path

import click

from stopwise.cli.options import PATH


@click.command()
@click.option("--frames", "source", type=PATH, help="Another folder of made frames.")
@click.option("--into", "stage", type=PATH, help="An empty folder to work in; kept afterwards.")
def demo(source: Path | None, stage: Path | None) -> int:
    """Replay a made shoot: each verdict beside what the frame was made to show.

    Example: stopwise demo
    """
    from stopwise.cli.demonstration import Replay, sample_folder
    from stopwise.report.terminal import Terminal

    place = stage or Path(tempfile.mkdtemp(prefix="stopwise-demo-"))
    with Terminal() as terminal:
        replay = Replay(source or sample_folder(), place, terminal)
        told = replay.run()
    click.echo(f"{told.frames} frames in {told.seconds:.0f} s; slips in {replay.slips}")
    if told.strayed:
        click.echo(f"stopwise: not as made: {', '.join(told.strayed)}", err=True)
    return 1 if told.strayed else 0
