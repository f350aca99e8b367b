"""`stopwise check`: files judged now, kept and drawn where that is asked for."""

from __future__ import annotations

from contextlib import ExitStack, closing
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING

import click

from stopwise.cli.options import (
    PATH,
    check_look,
    json_option,
    ledger_option,
    plan_option,
    read_plan,
)
from stopwise.cli.printing import say_json, tell
from stopwise.errors import PathMissing
from stopwise.ledger import Ledger, Place, Stamp, content_hash
from stopwise.messages import reason_text
from stopwise.pipeline import Brief, assess_file, failed
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.raw.bounds import FailedOnFileError, InTime, Limits, hold_memory
from stopwise.raw.libraw import give_back_stderr
from stopwise.report.terminal import note_lines

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    from stopwise.pipeline import Assessment, Observed
    from stopwise.pipeline.brief import FrameNote
    from stopwise.raw.bounds import Reads
    from stopwise.record import Record


EXIT_CODES = {"on plan": 0, "measured": 0, "off plan": 1, "can't tell": 1, "unreadable": 3}
"""What a verdict is worth as an exit code; a path that isn't there is worth 2."""

SLIP_EDGE = 1024
"""Blocks along the longer side of a picture for a slip: what it has room for."""

_PRECEDENCE = (2, 3, 1, 0)  # exit codes, the gravest first


def worst_exit(codes: Iterable[int]) -> int:
    """Return the exit code of several files: the first of 2, 3, 1, 0 that is among them."""
    return min(codes, key=_PRECEDENCE.index, default=0)


@dataclass(frozen=True, slots=True)
class Checking:
    """How files are checked: by what, who reads them, where to show, keep and draw."""

    brief: Brief
    files: Reads
    show: Callable[[Record], None]
    ledger: Ledger | None = None
    slip_folder: Path | None = None
    _told: set[FrameNote] = field(default_factory=set)

    def all_at(self, path: Path) -> Iterator[int]:
        """Judge a file, or a folder's raw files; yield what each is worth as an exit code."""
        try:
            for file in files_at(path):
                yield self.one(file)
        except PathMissing as error:
            tell(str(error))
            yield error.exit_code

    def one(self, path: Path) -> int:
        """Judge one file, keep, show and draw it, and return what it is worth as an exit code."""
        try:
            assessment = self.files.answer(path, self.brief)
        except FailedOnFileError as error:
            assessment = failed(path, self.brief, str(error))
        record = assessment.record if self.ledger is None else kept(self.ledger, path, assessment)
        for line in note_lines(assessment.notes, self._told):
            tell(line)
        if record.verdict == "unreadable" and record.reason:
            tell(f"{path}: {reason_text(record.reason)}")
        self.show(record)
        if self.slip_folder is not None:
            from stopwise.report.slip import keep_frame_slip

            keep_frame_slip(self.slip_folder, path, record, assessment.picture)
        return EXIT_CODES[record.verdict]


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


def kept(ledger: Ledger, path: Path, assessment: Assessment) -> Record:
    """Keep a file's record, and return it; that of a file that can't be read now is only shown."""
    whole = path.resolve()
    try:
        place = Place(str(whole.parent), whole.name, Stamp.of(whole.stat()))
        sha256 = assessment.sha256 or content_hash(str(whole))
    except OSError:
        return assessment.record
    row = ledger.frames.keep(assessment.record, place, sha256=sha256)
    learn(ledger, row.sha256, assessment.observed)
    return row.record


def learn(ledger: Ledger, sha256: str, observed: Observed | None) -> None:
    """Add the saturation that a frame showed, and drop levels that it proved too low."""
    if observed is None:
        return
    if observed.levels:
        ledger.levels.learn(sha256, observed.levels)
    ledger.levels.refute(observed.above)


def _in_time(frames: PlanFrames, limits: Limits) -> Reads:
    """Return what reads files here, for a quick start, and in a worker after one was too slow."""
    read = partial(assess_file, frames=frames)

    def in_a_worker() -> Reads:
        from stopwise.folder.workers import OneWorker

        give_back_stderr()
        return OneWorker(read, limits)

    return InTime(read, then=in_a_worker, limits=limits, spent_besides_s=lambda: frames.spent_s)


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

    Under a look lamps are read from what stays with the set: the solos show other clothes, unless
    the ledger of the day says that they were shot in that look.

    Example: stopwise check F0001.dng --plan plan.toml --slip slips/
    """
    from stopwise.report.slip_file import make_folder
    from stopwise.report.terminal import Terminal
    from stopwise.shoot.look_frames import solos_are_of

    plan = read_plan(plan_path)
    check_look(plan, look)
    brief = Brief(
        plan=plan,
        plan_folder=None if plan_path is None else plan_path.parent,
        look=look,
        is_other_look=look is not None,
        picture_edge=SLIP_EDGE if slip_folder else 0,
    )
    if slip_folder is not None:
        make_folder(slip_folder)
    with ExitStack() as opened:
        files = opened.enter_context(closing(_in_time(PlanFrames(), Limits())))
        opened.callback(give_back_stderr)  # for who is interrupted while a file is decoded
        opened.callback(hold_memory(beyond_now=True))
        ledger = None if ledger_path is None else opened.enter_context(Ledger(ledger_path))
        if ledger is not None:
            is_other = not solos_are_of(ledger, plan, look)
            brief = replace(brief, learned=ledger.levels.believed(), is_other_look=is_other)
        show = (
            (lambda record: say_json(record.to_json()))
            if as_json
            else opened.enter_context(Terminal()).file
        )
        run = Checking(brief, files, show, ledger, slip_folder)
        return worst_exit(code for path in frames for code in run.all_at(path))
