"""An archive of years, measured frame by frame into a ledger: here or on a cluster."""

from __future__ import annotations

import os
import threading
from collections import Counter, deque
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from stopwise.conditions import condition
from stopwise.errors import StopwiseError, WrongUse, refusal, what_failed
from stopwise.folder.names import in_order, is_hidden, is_raw
from stopwise.ledger import Stamp, content_hash
from stopwise.pipeline import assess_file, failed
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.raw.bounds import FailedOnFileError, Limits
from stopwise.wording import share_text, shown

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from stopwise.folder.workers import OneWorker
    from stopwise.pipeline import Brief, Observed
    from stopwise.record import Record

RETRIES = 3
"""How often a cluster does a file again whose worker was lost: one that takes three with it is at
fault itself (chosen)."""

_CONNECT_S = 10.0  # seconds in which a scheduler that is there answers, over any network

_AHEAD = 4
"""Files a worker that are under way or wait to be told, so that a slow one holds nobody up."""


@dataclass(frozen=True, slots=True)
class MeasuredFile:
    """What came of one file; it crosses processes and machines.

    Attributes
    ----------
    record
        Its record; None where the file couldn't be read this time.
    sha256
        Of its bytes.
    observed
        Saturation for the ledger to learn.
    fault
        Why it couldn't be read, as a part of a sentence; "" where it could.
    """

    record: Record | None
    sha256: str = ""
    observed: Observed | None = None
    fault: str = ""


class Coming(Protocol):
    """An answer that is awaited."""

    def result(self) -> Any:
        """Wait for it, and return it."""

    def cancel(self) -> bool:
        """Let it be."""


@dataclass(frozen=True, slots=True)
class Engine:
    """What has files measured: takes a file and a brief, and how many it measures at a time."""

    submit: Callable[[Path, Brief], Coming]
    workers: int


def measure_file(path: Path, brief: Brief) -> MeasuredFile:
    """Measure one file of an archive: the same function here and on a cluster."""
    try:
        assessment = assess_file(path, brief, _frames())
        sha256 = assessment.sha256 or content_hash(str(path))
    except OSError as error:
        return MeasuredFile(None, fault=refusal(error))
    except StopwiseError as error:
        return MeasuredFile(None, fault=str(error))
    return MeasuredFile(assessment.record, sha256, assessment.observed)


@cache
def _frames() -> PlanFrames:
    """Return what keeps the plan's own frames in this process, from one file to the next."""
    return PlanFrames()


@contextmanager
def here(workers: int, limits: Limits | None = None) -> Iterator[Engine]:
    """Yield processes of this machine, in which each file is held to its bounds."""
    from stopwise.folder.workers import OneWorker

    own, begun = threading.local(), []

    def measure(path: Path, brief: Brief) -> MeasuredFile:
        if not hasattr(own, "reader"):
            own.reader = OneWorker(measure_file, limits or Limits())
            begun.append(own.reader)
        return _answered(own.reader, path, brief)

    threads = ThreadPoolExecutor(workers)
    try:
        yield Engine(lambda path, brief: threads.submit(measure, path, brief), workers)
    finally:
        threads.shutdown(wait=True, cancel_futures=True)
        for reader in begun:
            reader.close()


def _answered(reader: OneWorker, path: Path, brief: Brief) -> MeasuredFile:
    """Return what a worker makes of a file; one that breaks or hangs it is unreadable."""
    try:
        measured: MeasuredFile = reader.answer(path, brief)
    except FailedOnFileError as error:
        return _unreadable(path, brief, str(error))
    return measured


def _unreadable(path: Path, brief: Brief, why: str) -> MeasuredFile:
    try:
        return MeasuredFile(failed(path, brief, why).record, content_hash(str(path)))
    except OSError as error:
        return MeasuredFile(None, fault=refusal(error))


@contextmanager
def on_cluster(address: str) -> Iterator[Engine]:
    """Yield a Dask cluster, which does again what lost workers held.

    Raises
    ------
    WrongUse
        If the extra ``cluster`` isn't installed, or nobody answers there.
    """
    try:
        from distributed import Client
    except ImportError:
        msg = "A cluster needs an extra: pip install 'stopwise[cluster]', here and on each worker."
        raise WrongUse(msg) from None
    connect: Any = Client
    try:
        client = connect(address, timeout=_CONNECT_S)
    except (OSError, ValueError) as error:
        msg = f"{address}: no scheduler answers ({what_failed(error)}). Check the address."
        raise WrongUse(msg) from None
    with client:
        cluster = client.get_executor(pure=False, retries=RETRIES)
        yield Engine(
            lambda path, brief: OnCluster(cluster.submit(measure_file, path, brief), path, brief),
            sum(client.nthreads().values()) or 1,
        )


@dataclass(frozen=True, slots=True)
class OnCluster:
    """An answer of the cluster; a file that takes its workers with it is unreadable."""

    coming: Coming
    path: Path
    brief: Brief

    def result(self) -> MeasuredFile:
        """Wait for it, and return it."""
        from distributed import KilledWorker

        try:
            measured: MeasuredFile = self.coming.result()
        except KilledWorker:
            return MeasuredFile(None, fault="each worker that read it was lost")
        return measured

    def cancel(self) -> bool:
        """Let it be."""
        return self.coming.cancel()


def measured(
    engine: Engine,
    files: Iterable[str],
    brief: Brief,
    *,
    root: Path,
) -> Iterator[tuple[str, MeasuredFile]]:
    """Yield what came of each file, in the files' order, with only so many under way.

    Parameters
    ----------
    engine
        Who measures, see :func:`here` and :func:`on_cluster`.
    files
        Their paths below the root.
    brief
        By what they are judged.
    root
        Where whoever measures sees the archive.
    """
    under_way: deque[tuple[str, Coming]] = deque()
    try:
        for file in files:
            under_way.append((file, engine.submit(Path(root, file), replace(brief, file=file))))
            if len(under_way) >= _AHEAD * engine.workers:
                name, coming = under_way.popleft()
                yield name, coming.result()
        while under_way:
            name, coming = under_way.popleft()
            yield name, coming.result()
    finally:
        for _, coming in under_way:
            coming.cancel()


def raw_files(root: Path, *, failed: Callable[[OSError], None]) -> Iterator[tuple[str, Stamp]]:
    """Yield the raw files below a folder by their paths in it, each with its stamp.

    Links are followed neither to folders nor to files, so that nothing is counted twice; hidden
    folders are left out.

    Parameters
    ----------
    root
        The folder.
    failed
        Called with what couldn't be looked into; the rest goes on.
    """
    for folder, folders, names in os.walk(root, onerror=failed):
        folders[:] = sorted((name for name in folders if not is_hidden(name)), key=in_order)
        for name in sorted(filter(is_raw, names), key=in_order):
            path = Path(folder, name)
            stamp = Stamp.at(str(path))
            if stamp is not None:
                yield path.relative_to(root).as_posix(), stamp


BLOWN = (0.0, 0.001, 0.01, 0.05)
"""Shares of a frame in blown areas over which frames are counted."""

_UNTOLD = "not told"


@dataclass(slots=True)
class ArchiveTally:
    """Frames counted, as they come.

    Attributes
    ----------
    verdicts, cameras, days
        Frames by each.
    blown
        Frames whose blown areas take more than each share of :data:`BLOWN`.
    may_be
        Frames in which some may be blown.
    reasons
        Unreadable files by what is wrong with them.
    """

    verdicts: Counter[str] = field(default_factory=Counter)
    cameras: Counter[str] = field(default_factory=Counter)
    days: Counter[str] = field(default_factory=Counter)
    blown: Counter[float] = field(default_factory=Counter)
    may_be: int = 0
    reasons: Counter[str] = field(default_factory=Counter)

    def add(self, record: Record) -> None:
        """Count one frame in."""
        self.verdicts[record.verdict] += 1
        if record.verdict == "unreadable":
            name = record.reason.condition if record.reason else None
            self.reasons[condition(name).short if name else _UNTOLD] += 1
            return
        camera = record.camera
        names = (camera.make, camera.model) if camera else ()
        self.cameras[" ".join(name for name in names if name) or _UNTOLD] += 1
        taken = record.exposure.taken if record.exposure else None
        self.days[taken[:10] if taken else _UNTOLD] += 1
        if record.clipping is None:
            return
        share = sum(area.fraction for area in record.clipping.areas)
        self.blown.update(least for least in BLOWN if share > least)
        self.may_be += record.clipping.may_be is not None

    @property
    def frames(self) -> int:
        """Frames counted."""
        return self.verdicts.total()

    def tables(self) -> Iterator[tuple[str, Mapping[str, int]]]:
        """Yield what is told, each a heading and counts by name, greatest first; days in order."""
        yield "verdict", dict(self.verdicts.most_common())
        yield "camera", {shown(name): count for name, count in self.cameras.most_common()}
        yield "day", dict(sorted(self.days.items()))
        over = {
            f"over {share_text(least)}" if least else "any": self.blown[least] for least in BLOWN
        }
        yield "blown", over | ({"may be": self.may_be} if self.may_be else {})
        yield "unreadable", dict(self.reasons.most_common())
