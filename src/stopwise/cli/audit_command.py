"""`stopwise audit`: an archive measured into a ledger, however large; it goes on where it was."""

from __future__ import annotations

import os
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from stopwise.archive import ArchiveTally, raw_files
from stopwise.cli.check_command import EXIT_CODES, learn, worst_exit
from stopwise.cli.options import PATH, check_look, ledger_option, plan_option, read_plan
from stopwise.cli.printing import say, tell
from stopwise.errors import PathMissing, WrongUse, refusal
from stopwise.ledger import Ledger, Place, data_folder, default_place
from stopwise.pipeline import Brief
from stopwise.whole_file import beside

if TYPE_CHECKING:
    from collections.abc import Iterator
    from contextlib import AbstractContextManager

    from stopwise.archive import Engine, MeasuredFile

_TOLD_FAULTS = 20
"""Files that couldn't be read which are told one by one; a dead disk would fill the screen."""

_UNREAD = 3
"""Exit code where a file couldn't be read this time."""


@click.command()
@click.argument("folders", metavar="FOLDER...", nargs=-1, required=True, type=PATH)
@plan_option
@ledger_option
@click.option("--look", help="Name of the look that is worn.")
@click.option("--csv", "csv_path", type=PATH, help="Write all figures here as a table.")
@click.option("--parquet", "parquet_path", type=PATH, help="The same as Parquet.")
@click.option("--workers", type=click.IntRange(min=1), help="Processes. [one a core]")
@click.option("--dask", "address", metavar="ADDRESS", help="Measure on this Dask cluster instead.")
@click.option("--root-there", metavar="DIR", help="Where the cluster sees FOLDER.")
def audit(folders: tuple[Path, ...], plan_path: Path | None, look: str | None, **said: Any) -> int:
    """Measure every raw file below some FOLDERs into a ledger, with or without a plan.

    Called again it goes on: files that are kept and haven't changed aren't read again. The ledger
    is one of its own unless --ledger names another. Ends with 0, 1 or 3 as check does.

    Example: stopwise audit /archive/2025 --csv 2025.csv
    """
    plan = read_plan(plan_path)
    check_look(plan, look)
    for folder in folders:
        if not folder.is_dir():
            msg = f"{folder} isn't a folder that is there. Name one with raw files below it."
            raise PathMissing(msg)
    if said["root_there"] and (len(folders) > 1 or not said["address"]):
        msg = "--root-there goes with --dask, and with one FOLDER."
        raise WrongUse(msg)
    beside_plan = None if plan_path is None else plan_path.resolve().parent
    place = said["ledger_path"] or _own_place(folders[0])
    with ExitStack() as opened:
        ledger = opened.enter_context(Ledger(place))
        brief = Brief(plan, beside_plan, look=look, learned=ledger.levels.believed())
        engine = opened.enter_context(_engine(said["address"], said["workers"]))
        going = Auditing(ledger, brief, engine)
        for root in folders:
            going.through(root, Path(said["root_there"] or root))
        _show(going, place)
        for kind in ("csv", "parquet"):
            if said[f"{kind}_path"] is not None:
                _write_figures(ledger, said[f"{kind}_path"], kind)
    codes = (EXIT_CODES[verdict] for verdict in going.tally.verdicts)
    return worst_exit([*codes, *([_UNREAD] if going.faults else [])])


def _own_place(folder: Path) -> Path:
    """Return where an audit is kept: apart from the ledger of a watch of the same folder."""
    return data_folder() / "audits" / default_place(folder).name


def _engine(address: str | None, workers: int | None) -> AbstractContextManager[Engine]:
    from stopwise.archive import here, on_cluster

    return here(workers or _cores()) if address is None else on_cluster(address)


def _cores() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class Auditing:
    """One call of `audit`.

    Parameters
    ----------
    ledger, brief, engine
        Where records are kept, by what files are judged, and who measures them.

    Attributes
    ----------
    tally
        What all that lies there came to, whether it was read now or before.
    faults
        Files that couldn't be read this time, each with why; they are tried again next time.
    read
        How many were read now.
    """

    def __init__(self, ledger: Ledger, brief: Brief, engine: Engine) -> None:
        self.tally = ArchiveTally()
        self.faults: list[tuple[str, str]] = []
        self.read = 0
        self._ledger, self._brief, self._engine = ledger, brief, engine

    def through(self, root: Path, there: Path) -> None:
        """Measure what lies below a folder and isn't kept yet; whoever measures sees it `there`."""
        from stopwise.archive import measured

        folder = str(root.resolve())
        known = self._ledger.frames.known(folder)
        files = dict(raw_files(root, failed=self._not_looked_into))
        kept = {
            name for name, stamp in files.items()
            if name in known and not known[name].is_gone and known[name].stamp == stamp
        }  # fmt: skip
        self._ledger.frames.mark_gone(
            folder, [name for name, one in known.items() if name not in files and not one.is_gone]
        )
        for name in kept:
            row = self._ledger.frames.by_number(known[name].frame)
            if row is not None:
                self.tally.add(row.record)
        new = [name for name in files if name not in kept]
        results = measured(self._engine, new, self._brief, root=there)
        for name, one in _with_progress(results, total=len(new), label=str(root)):
            self._keep(Place(folder, name, files[name]), one)

    def _keep(self, place: Place, measured: MeasuredFile) -> None:
        if measured.record is None:
            self.faults.append((str(Path(place.folder, place.path)), measured.fault))
            return
        self.read += 1
        landed_ns = place.stamp.mtime_ns
        kept = self._ledger.frames.keep(
            measured.record, place, sha256=measured.sha256, landed_ns=landed_ns
        )
        learn(self._ledger, kept.sha256, measured.observed)
        self.tally.add(kept.record)

    def _not_looked_into(self, error: OSError) -> None:
        self.faults.append((str(error.filename), refusal(error)))


def _with_progress(
    results: Iterator[tuple[str, MeasuredFile]], *, total: int, label: str
) -> Iterator[tuple[str, MeasuredFile]]:
    """Pass results on, with a bar on a terminal: how many, how fast, how long yet."""
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    console = Console(stderr=True, markup=False)
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]}", markup=False),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console, disable=not console.is_terminal) as bar:
        task = bar.add_task(label, total=total, rate="")
        for done, one in enumerate(results, start=1):
            yield one
            speed = bar.tasks[0].speed
            bar.update(task, completed=done, rate="" if speed is None else f"{speed:.1f} a second")


def _show(going: Auditing, place: Path) -> None:

    from stopwise.report.terminal import Terminal, blocks, table

    told = [
        table((head, "frames"), [(name, str(count)) for name, count in counts.items()])
        for head, counts in going.tally.tables()
    ]
    with Terminal() as terminal:
        terminal.show(blocks(*told))
    before = going.tally.frames - going.read
    say(f"{going.tally.frames} frames: {going.read} read now, {before} kept before; in {place}")
    for path, why in going.faults[:_TOLD_FAULTS]:
        tell(f"{path}: {why}")
    if going.faults:
        count = len(going.faults)
        tell(f"{count} could not be read this time. Call this again once they can.")


def _write_figures(ledger: Ledger, path: Path, kind: str) -> None:
    """Write all figures of a ledger to a file, row by row."""
    from stopwise.ledger.export import csv_lines, write_parquet

    def rows() -> Iterator[dict[str, Any]]:
        return (kept.row for kept in ledger.frames.all())

    try:
        with beside(path) as spare:
            if kind == "parquet":
                write_parquet(rows, spare)
            else:
                with spare.open("w", encoding="utf-8", newline="") as file:
                    file.writelines(csv_lines(rows))
    except OSError as error:
        msg = f"{path} can't be written: {refusal(error)}. The ledger is whole; name another place."
        raise WrongUse(msg) from None
    say(f"Wrote {path}.")
