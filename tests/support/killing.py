"""Land files while a watcher is killed again and again, and see that none is lost or doubled."""

from __future__ import annotations

import contextlib
import hashlib
import json
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

from stopwise.ledger import Ledger
from support.watching import WAYS, tiny_raw

if TYPE_CHECKING:
    from collections.abc import Iterator

SCRIPT = Path(__file__).with_name("watch_process.py")


def begin(folder: Path, ledger: Path, *, workers: int = 1) -> subprocess.Popen[str]:
    """Start a watcher in a process of its own."""
    return subprocess.Popen(
        [sys.executable, str(SCRIPT), str(folder), str(ledger), str(workers)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for(process: subprocess.Popen[str], word: object) -> None:
    """Read what a watcher prints until it prints a word."""
    assert process.stdout is not None
    for line in process.stdout:
        if json.loads(line) == word:
            return
    assert process.stderr is not None
    raise AssertionError(f"the watcher ended before {word!r}: {process.stderr.read()}")


@dataclass
class Landed:
    """Files that a writer has landed, in order, with their content hashes."""

    folder: Path
    seed: int = 0
    order: list[tuple[str, str]] = field(default_factory=list)
    is_done: bool = False

    def land(self, count: int, *, pause_s: float) -> None:
        """Land files in bursts by four ways of writing, one after the other."""
        chance = Random(self.seed)
        for number in range(count):
            content = tiny_raw(number, size=chance.randrange(4096, 150_000))
            name = f"F{number:05d}.dng"
            WAYS[number % len(WAYS)](self.folder / name, content)
            self.order.append((name, hashlib.sha256(content).hexdigest()))
            if chance.random() < 0.2:
                time.sleep(chance.random() * pause_s)
        self.is_done = True


@dataclass
class Outcome:
    """How a run with kills ended."""

    landed: list[tuple[str, str]]
    kept: list[tuple[str, str, str]]
    told: list[str]
    kills: int

    @property
    def lost(self) -> list[str]:
        """Files that were landed whole and have no record."""
        there = {digest for _, digest, _ in self.kept}
        return [name for name, digest in self.landed if digest not in there]

    @property
    def is_in_landing_order(self) -> bool:
        """Whether the ledger gives the records in the order in which the files landed."""
        return [name for name, _, _ in self.kept] == [name for name, _ in self.landed]


def run_with_kills(base: Path, *, count: int, kills: int, seed: int, pause_s: float) -> Outcome:
    """Land `count` files while a watcher is killed `kills` times, then let it work off the rest."""
    folder, place = base / "shoot", base / "ledger.sqlite"
    folder.mkdir()
    landed, chance, told = Landed(folder, seed), Random(seed), []
    writer = threading.Thread(target=landed.land, args=(count,), kwargs={"pause_s": pause_s})
    writer.start()
    for _ in range(kills):
        with running(begin(folder, place), told) as process:
            time.sleep(0.5 + chance.random() * 1.5)
            process.kill()
    writer.join()
    with running(begin(folder, place), told) as process:
        wait_for_rows(place, count)
        process.terminate()
        assert process.wait(20) == 0
    with Ledger(place) as ledger:
        kept = [(k.record.file, k.sha256, k.record.verdict) for k in ledger.frames.all()]
    return Outcome(landed.order, kept, told, kills)


@contextlib.contextmanager
def running(process: subprocess.Popen[str], told: list[str]) -> Iterator[subprocess.Popen[str]]:
    """Collect what a watcher tells while the block runs, and never leave it running."""
    reader = threading.Thread(target=collect, args=(process, told))
    reader.start()
    try:
        yield process
    finally:
        process.kill()
        process.wait(20)
        reader.join(20)
        for stream in (process.stdout, process.stderr):
            if stream is not None:
                stream.close()


def collect(process: subprocess.Popen[str], told: list[str]) -> None:
    """Add the files that a watcher tells; a last line that a kill cut in two is left out."""
    assert process.stdout is not None
    for line in process.stdout:
        with contextlib.suppress(json.JSONDecodeError):
            said = json.loads(line)
            if isinstance(said, list):
                told.append(said[0])


def wait_for_rows(place: Path, count: int, *, still_s: float = 60.0) -> None:
    """Wait until the ledger holds so many frames; give up when it stands still."""
    rows, moved_at = -1, time.monotonic()
    with Ledger(place) as ledger:
        while (now := ledger.frames.count()) < count:
            if now != rows:
                rows, moved_at = now, time.monotonic()
            assert time.monotonic() < moved_at + still_s, f"{now} of {count} records, none for long"
            time.sleep(0.1)
