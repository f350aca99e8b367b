"""Land spoiled files before the real watch, and hold what it says against their whole parents."""

from __future__ import annotations

import hashlib
import time
from collections import Counter
from dataclasses import dataclass, field
from random import Random
from typing import TYPE_CHECKING, Any

import numpy as np

from soak.mutating import MUTATIONS
from soak.parents import make_parents
from stopwise.errors import StopwiseError
from stopwise.raw import decode
from support.commanding import WatchCommand
from support.real_files import real_mosaic

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_STILL_S = 200.0
_WHOLE_EVERY = 200


@dataclass(frozen=True, slots=True)
class Parent:
    """A whole file: its name and its bytes."""

    name: str
    content: bytes


@dataclass(frozen=True, slots=True)
class Spoiled:
    """A spoiled file: its name, its parent's, the other file's, how it was made."""

    name: str
    parent: str
    donor: str
    how: str


@dataclass
class Outcome:
    """What came of all files.

    Attributes
    ----------
    parents
        The verdict on each whole file.
    verdicts
        How many spoiled files of each way got each verdict.
    wrong
        Files whose pixels differ from those of every parent, called on plan though the parent
        wasn't.
    by_header
        Files with a parent's very pixels, called on plan though that parent wasn't: their headers
        say something else.
    reasons
        How often a file was called unreadable for which reason.
    megabytes
        What the watch and its heaviest worker held after each batch.
    workers
        Every worker process that was seen.
    exit_code
        With which the watch ended when it was asked to.
    """

    parents: dict[str, str] = field(default_factory=dict)
    verdicts: Counter[tuple[str, str]] = field(default_factory=Counter)
    wrong: list[Spoiled] = field(default_factory=list)
    by_header: list[Spoiled] = field(default_factory=list)
    reasons: Counter[str] = field(default_factory=Counter)
    megabytes: list[tuple[float, float]] = field(default_factory=list)
    workers: set[int] = field(default_factory=set)
    exit_code: int | None = None

    @property
    def judged(self) -> int:
        """How many spoiled files were judged."""
        return sum(self.verdicts.values())

    def growth(self) -> tuple[float, float]:
        """Return by how much the watch, and its workers, grew from the second fifth to the last.

        Means, in megabytes; the first fifth is left out, since caches fill then.
        """
        held = np.array(self.megabytes)
        fifth = max(len(held) // 5, 1)
        if len(held) < 3 * fifth:
            return 0.0, 0.0
        watch, worker = held[-fifth:].mean(axis=0) - held[fifth : 2 * fifth].mean(axis=0)
        return float(watch), float(worker)


class Fuzz:
    """One run over many spoiled files.

    Parameters
    ----------
    base
        An empty folder to work in.
    shrink
        Cells of a sample frame that become one, along each side.
    seed
        Of all chance.
    has_whole
        Whether some files come from parents in full size.
    keep
        Where files that break a promise are kept; None for nowhere.
    """

    def __init__(
        self,
        base: Path,
        *,
        shrink: int = 4,
        seed: int = 8,
        has_whole: bool = True,
        keep: Path | None = None,
    ) -> None:
        self._base, self._keep = base, keep
        self._chance = Random(seed)
        self._folder = base / "shoot"
        self._folder.mkdir()
        small, whole = base / "small", base / "whole"
        small.mkdir()
        parents = make_parents(small, shrink=shrink, real=real_mosaic())
        self._plan_path = parents.plan_path
        self._small = [Parent(f"small-{path.name}", path.read_bytes()) for path in parents.files]
        self._whole: list[Parent] = []
        if has_whole:
            whole.mkdir()
            files = make_parents(whole, shrink=1, real=real_mosaic()).files
            self._whole = [Parent(f"whole-{path.name}", path.read_bytes()) for path in files]
        self._seen: set[str] = set()
        self._count = 0
        self.outcome = Outcome()

    def run(self, files: int, *, batch: int = 200, at_most_s: float = float("inf")) -> Outcome:
        """Judge the parents, then so many spoiled files, or as many as the time allows."""
        end = time.monotonic() + at_most_s
        options = ["--plan", str(self._plan_path), "--settle", "0.3"]
        with WatchCommand(self._folder, self._base / "l.sqlite", options=options) as watch:
            self._judge_parents(watch)
            while self._count < files and time.monotonic() < end:
                self._one_batch(watch, min(batch, files - self._count))
            self.outcome.exit_code = watch.stop()
        return self.outcome

    def _judge_parents(self, watch: WatchCommand) -> None:
        everyone = self._small + self._whole
        for parent in everyone:
            self._land(parent.name, parent.content)
        self._wait(watch, len(everyone))
        for parent, record in self._answers(watch, [parent.name for parent in everyone]):
            self.outcome.parents[parent] = record["verdict"]
        watch.records.clear()
        self._empty()

    def _one_batch(self, watch: WatchCommand, count: int) -> None:
        batch = {spoiled.name: spoiled for spoiled in self._spoil(count)}
        self._wait(watch, len(batch))
        for name, record in self._answers(watch, list(batch)):
            self._take(batch[name], record)
        watch.records.clear()
        self.outcome.megabytes.append(watch.megabytes())
        self.outcome.workers |= set(watch.workers())
        self._empty()
        self._report()

    def _spoil(self, count: int) -> Iterator[Spoiled]:
        """Land new spoiled files, each of another content."""
        while count:
            is_whole = self._whole and self._count % _WHOLE_EVERY == 0
            parent, donor = self._chance.sample(self._whole if is_whole else self._small, 2)
            how = MUTATIONS[self._chance.randrange(len(MUTATIONS))]
            content = how(parent.content, donor.content, self._chance)
            digest = hashlib.sha256(content).hexdigest()
            if digest in self._seen or not content:
                continue
            self._seen.add(digest)
            self._count += 1
            count -= 1
            name = f"m{self._count:06d}-{parent.name}"
            self._land(name, content)
            yield Spoiled(name, parent.name, donor.name, how.__name__)

    def _land(self, name: str, content: bytes) -> None:
        self._seen.add(hashlib.sha256(content).hexdigest())
        part = self._folder / f".{name}.part"
        part.write_bytes(content)
        part.replace(self._folder / name)

    def _wait(self, watch: WatchCommand, count: int) -> None:
        """Wait until so many records were printed; give up when none comes for long."""
        had, moved_at = -1, time.monotonic()
        while (now := len(watch.records)) < count:
            if now != had:
                had, moved_at = now, time.monotonic()
            assert watch.is_running, f"the watch ended: {watch.said[-2000:]}"
            assert time.monotonic() < moved_at + _STILL_S, f"{now} of {count}: {watch.said[-2000:]}"
            time.sleep(0.05)

    def _answers(
        self, watch: WatchCommand, names: list[str]
    ) -> Iterator[tuple[str, dict[str, Any]]]:
        records = {record["file"]: record for record in watch.records}
        assert sorted(records) == sorted(names), set(records) ^ set(names)
        assert len(watch.records) == len(names), "a file was told twice"
        for name in names:
            yield name, records[name]

    def _take(self, spoiled: Spoiled, record: dict[str, Any]) -> None:
        self.outcome.verdicts[spoiled.how, record["verdict"]] += 1
        if record["verdict"] == "unreadable":
            self.outcome.reasons[record["reason"].partition(":")[0]] += 1
        if record["verdict"] != "on plan" or self.outcome.parents[spoiled.parent] == "on plan":
            return
        path = self._folder / spoiled.name
        where = self.outcome.by_header if self._has_parents_pixels(path, spoiled) else None
        (self.outcome.wrong if where is None else where).append(spoiled)
        if self._keep is not None:
            self._keep.mkdir(parents=True, exist_ok=True)
            (self._keep / spoiled.name).write_bytes(path.read_bytes())

    def _has_parents_pixels(self, path: Path, spoiled: Spoiled) -> bool:
        """Tell whether a file gives the very photosites of its parent, or of the other file."""
        mosaic = decode(path).mosaic
        return any(
            other is not None and np.array_equal(mosaic, other)
            for other in map(self._mosaic_of, (spoiled.parent, spoiled.donor))
        )

    def _mosaic_of(self, name: str) -> np.ndarray | None:
        kind, _, rest = name.partition("-")
        try:
            return decode(self._base / kind / rest).mosaic
        except StopwiseError:
            return None

    def _empty(self) -> None:
        for path in self._folder.iterdir():
            path.unlink()

    def _report(self) -> None:
        if self._keep is not None:
            watch, worker = self.outcome.megabytes[-1]
            said = f"{self._count} files, watch {watch:.0f} MB, worker {worker:.0f} MB"
            print(f"{time.strftime('%H:%M:%S')} {said}", flush=True)
