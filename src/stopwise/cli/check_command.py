"""`stopwise check`: files judged now, kept and drawn where that is asked for."""

from __future__ import annotations

import json
from contextlib import ExitStack
from typing import TYPE_CHECKING, Self

import click

from stopwise.cli.options import (
    PATH,
    check_look,
    json_option,
    ledger_option,
    plan_option,
    read_plan,
)
from stopwise.conditions import condition
from stopwise.errors import PathMissing, StopwiseError, Unreadable, WrongUse, what_failed
from stopwise.ledger import Place, Stamp, content_hash
from stopwise.messages import reason_text
from stopwise.pipeline import Assessment, Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames, note_lines
from stopwise.raw.bounds import hold_memory
from stopwise.record import unreadable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from stopwise.ledger import Kept, Ledger
    from stopwise.pipeline import Observed
    from stopwise.plan.model import Plan
    from stopwise.record import Record


EXIT_CODES = {"on plan": 0, "measured": 0, "off plan": 1, "can't tell": 1, "unreadable": 3}
"""What a verdict is worth as an exit code; a path that isn't there is worth 2."""

_PRECEDENCE = (2, 3, 1, 0)  # exit codes, the gravest first
_SLIP_EDGE = 1024  # blocks along the longer side of the picture: what a slip has room for


def worst_exit(codes: Iterable[int]) -> int:
    """Return the exit code of several files: the first of 2, 3, 1, 0 that is among them."""
    return min(codes, key=_PRECEDENCE.index, default=0)


class CheckRun(ExitStack):
    """One call of `check`: its plan, where slips go, and the ledger it keeps open, if any.

    Parameters
    ----------
    plan, plan_path
        The plan and its file.
    look
        Name of the look that is worn.
    slip_folder
        Where slips are written, made if it isn't there; None for none.
    ledger_path
        A ledger to read learned levels from and to keep records in; None for none.
    """

    def __init__(
        self,
        plan: Plan | None,
        plan_path: Path | None,
        *,
        look: str | None = None,
        slip_folder: Path | None = None,
        ledger_path: Path | None = None,
    ) -> None:
        super().__init__()
        check_look(plan, look)
        self.plan = plan
        self.slip_folder = slip_folder
        self.ledger_path = ledger_path
        self.ledger: Ledger | None = None
        self._frames = PlanFrames()
        self.brief = Brief(
            plan=plan,
            plan_folder=None if plan_path is None else plan_path.parent,
            look=look,
            picture_edge=_SLIP_EDGE if slip_folder else 0,
        )

    def __enter__(self) -> Self:
        """Hold this process to the memory that files may take; open ledger and slips' folder."""
        self.callback(hold_memory(beyond_now=True))
        if self.slip_folder is not None:
            make_folder(self.slip_folder)
        if self.ledger_path is not None:
            from stopwise.ledger import Ledger

            self.ledger = self.enter_context(Ledger(self.ledger_path))
        return self

    def over(self, paths: Iterable[Path], show: Callable[[Record], None]) -> int:
        """Judge each file, show its record, and return the exit code of them all."""
        codes = []
        for path in paths:
            try:
                codes += [self._one(file, show) for file in files_at(path)]
            except PathMissing as error:
                click.echo(f"stopwise: {error}", err=True)
                codes.append(error.exit_code)
        return worst_exit(codes)

    def _one(self, path: Path, show: Callable[[Record], None]) -> int:
        assessment = self._assess(path)
        record = assessment.record
        if self.ledger is not None:
            record = self._keep(path, assessment)
        for line in note_lines(assessment.notes):
            click.echo(f"stopwise: {line}", err=True)
        if record.verdict == "unreadable" and record.reason:
            click.echo(f"stopwise: {path}: {reason_text(record.reason)}", err=True)
        show(record)
        if self.slip_folder is not None:
            self._draw(path, assessment)
        return EXIT_CODES[record.verdict]

    def _assess(self, path: Path) -> Assessment:
        """Judge one file; whatever it does, it costs itself and no other."""
        try:
            return assess_file(path, self.brief, self._frames)
        except StopwiseError:
            raise
        except Exception as error:  # noqa: BLE001 (as a worker of the watch does)
            failed = Unreadable(path, condition("decoder_failed"), what_failed(error))
            return Assessment(unreadable(str(path), failed, look=self.brief.look))

    def _keep(self, path: Path, assessment: Assessment) -> Record:

        if self.ledger is None:
            return assessment.record
        return keep(self.ledger, path, assessment).record

    def _draw(self, path: Path, assessment: Assessment) -> None:
        from stopwise.report.slip import write_slip

        if self.slip_folder is None:
            return
        target = self.slip_folder / f"{path.stem}.png"
        write_slip(target, assessment.record, assessment.picture)


def files_at(path: Path) -> Iterator[Path]:
    """Yield a file itself, or the raw files of a folder in the order of their names.

    Raises
    ------
    PathMissing
        If nothing is there, or a folder holds no raw file.
    """
    if not path.is_dir():
        if not path.exists():
            msg = f"{path} isn't there. Check the name, and that its disk is connected."
            raise PathMissing(msg)
        yield path
        return
    from stopwise.folder.names import is_raw

    files = sorted(file for file in path.iterdir() if file.is_file() and is_raw(file.name))
    if not files:
        msg = f"{path} holds no camera raw file. Name a folder that does, or the files."
        raise PathMissing(msg)
    yield from files


def make_folder(folder: Path) -> None:
    """Make a folder for output.

    Raises
    ------
    WrongUse
        If it can't be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        msg = f"{folder} can't be made: {error.strerror}. Name a folder that can be written."
        raise WrongUse(msg) from error


def keep(ledger: Ledger, path: Path, assessment: Assessment) -> Kept:
    """Write one checked file's record, and learn from it."""
    whole = path.resolve()
    place = Place(str(whole.parent), whole.name, Stamp.of(whole.stat()))
    kept = ledger.frames.keep(assessment.record, place, sha256=content_hash(str(whole)))
    learn(ledger, kept.sha256, assessment.observed)
    return kept


def learn(ledger: Ledger, sha256: str, observed: Observed | None) -> None:
    """Add the saturation that a frame showed, and drop levels that it proved too low."""
    if observed is None:
        return
    if observed.levels:
        ledger.levels.learn(sha256, observed.levels)
    ledger.levels.refute(observed.above)


@click.command()
@click.argument("frames", nargs=-1, required=True, type=PATH)
@plan_option
@json_option
@click.option("--slip", "slip_folder", type=PATH, help="Write a picture report of each frame here.")
@ledger_option
@click.option("--look", help="Name of the look that is worn.")
def check(
    frames: tuple[Path, ...],
    plan_path: Path | None,
    as_json: bool,  # noqa: FBT001 - click hands flags over by name
    slip_folder: Path | None,
    ledger_path: Path | None,
    look: str | None,
) -> int:
    """Judge raw files, or all raw files of a folder, against a plan.

    Example: stopwise check F0001.dng --plan plan.toml --slip slips/
    """
    from stopwise.report.terminal import Terminal

    plan = read_plan(plan_path)
    run = CheckRun(plan, plan_path, look=look, slip_folder=slip_folder, ledger_path=ledger_path)
    with run:
        if as_json:
            return run.over(frames, lambda record: click.echo(json.dumps(record.to_json())))
        with Terminal() as terminal:
            return run.over(frames, terminal.file)
