"""How long the watcher adds to a frame's own assessment, and how it fares in a flood.

Run: ``python tests/bench/bench_landing.py [--frames 30] [--megabytes 24] [--flood 10000]``

1. Frames land one by one while the watcher is idle. The stand-in for the assessment takes a fixed
   time, so what is left is the watcher's own: noticing, handing over, hashing, writing.
2. A folder with many frames is watched from the start. How fast they are worked off, how long a
   frame that lands meanwhile waits, and what an idle watcher costs once all are known.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from stopwise.folder.watcher import Hooks, Landing, Options, Watcher
from stopwise.ledger import Ledger
from support.watching import StandIn, tiny_raw

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ASSESS_S = 0.25


def assess_slowly(path: Path, _brief: object) -> StandIn:
    """Take as long as a frame's assessment may, without using the processor."""
    time.sleep(ASSESS_S)
    return assess_quickly(path, _brief)


def assess_quickly(path: Path, _brief: object) -> StandIn:
    """Take no time."""
    record = {"schema": 1, "file": str(path), "sha256": None, "verdict": "measured", "reason": None}
    return StandIn({**record, "findings": []})


@dataclass
class Running:
    """A watcher in a thread, and when each file's record was kept."""

    watcher: Watcher
    kept: dict[str, float]

    def wait(self, *names: str, limit_s: float = 600) -> None:
        """Wait until these files have their records."""
        self.wait_until(lambda: all(name in self.kept for name in names), limit_s=limit_s)

    def wait_until(self, holds: Callable[[], bool], *, limit_s: float = 600) -> None:
        """Wait until something holds."""
        end = time.monotonic() + limit_s
        while not holds():
            if time.monotonic() > end:
                raise TimeoutError
            time.sleep(0.0005)


class Watching:
    """Watches a folder while a block runs."""

    def __init__(self, base: Path, assess: Callable[..., Any]) -> None:
        self._ledger = Ledger(base / "ledger.sqlite")
        self._kept: dict[str, float] = {}
        hooks = Hooks(on_record=self._hear)
        self._watcher = Watcher(
            base / "shoot", self._ledger, assess, hooks=hooks, options=Options()
        )
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watcher.run, args=(self._stop,))

    def __enter__(self) -> Running:
        self._thread.start()
        return Running(self._watcher, self._kept)

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._watcher.wake()
        self._thread.join()
        self._ledger.close()

    def _hear(self, landing: Landing) -> None:
        self._kept[landing.path.name] = time.monotonic()


def one_by_one(base: Path, frames: int, megabytes: float) -> None:
    """Measure what the watcher adds to one frame."""
    body = tiny_raw(0, size=int(megabytes * 1e6))
    with Watching(base, assess_slowly) as running:
        running.wait_until(lambda: running.watcher.is_watching)
        time.sleep(3)  # the workers are warm by then
        added = list(land_each(base, body, frames, running))
    print_spread(f"added to an assessment of {ASSESS_S} s, {megabytes} MB a frame", added)


def land_each(base: Path, body: bytes, frames: int, running: Running) -> Iterator[float]:
    """Land frames with a pause between; yield the seconds added to each."""
    for number in range(frames):
        name = f"F{number:05d}.dng"
        (base / name).write_bytes(body + number.to_bytes(4, "big"))
        landed = time.monotonic()
        (base / name).rename(base / "shoot" / name)
        running.wait(name)
        yield running.kept[name] - landed - ASSESS_S
        time.sleep(0.3)


def flood(base: Path, count: int) -> None:
    """Measure a folder that is full from the start."""
    for number in range(count):
        (base / "shoot" / f"F{number:05d}.dng").write_bytes(tiny_raw(number, size=4096))
    began = time.monotonic()
    with Watching(base, assess_quickly) as running:
        running.wait_until(lambda: running.watcher.is_watching)
        print(f"{count} frames there: looked through in {time.monotonic() - began:.2f} s")
        waits = list(land_in_between(base, count, running))
        running.wait_until(lambda: len(running.kept) >= count + len(waits))
        rate = count / (time.monotonic() - began)
        print(f"worked off at {rate:.0f} frames a second beside the assessment itself")
        print_spread("a frame that lands meanwhile waits", waits)
        idle(running)


def land_in_between(base: Path, count: int, running: Running) -> Iterator[float]:
    """Land frames while the flood is worked off; yield how long each waits."""
    for number in range(10):
        name = f"N{number:05d}.dng"
        (base / name).write_bytes(tiny_raw(count + number))
        landed = time.monotonic()
        (base / name).rename(base / "shoot" / name)
        running.wait(name)
        yield running.kept[name] - landed
        time.sleep(0.2)


def idle(running: Running, *, seconds: float = 10) -> None:
    """Measure what a watcher costs that has nothing to do."""
    running.wait_until(lambda: running.watcher.status().backlog == 0)
    before, began = time.process_time(), time.monotonic()
    time.sleep(seconds)
    used = (time.process_time() - before) / (time.monotonic() - began)
    print(f"idle with all frames known: {100 * used:.1f} % of one processor")


def print_spread(what: str, seconds: list[float]) -> None:
    """Print median and extremes in milliseconds."""
    ms = [1000 * value for value in seconds]
    print(f"{what}: median {statistics.median(ms):.0f} ms, {min(ms):.0f} to {max(ms):.0f} ms")


def main() -> None:
    """Run both."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--frames", type=int, default=30)
    options.add_argument("--megabytes", type=float, default=24)
    options.add_argument("--flood", type=int, default=10_000)
    chosen = options.parse_args()
    for run in (
        lambda base: one_by_one(base, chosen.frames, chosen.megabytes),
        lambda base: flood(base, chosen.flood),
    ):
        with tempfile.TemporaryDirectory() as folder:
            (Path(folder) / "shoot").mkdir()
            run(Path(folder))


if __name__ == "__main__":
    main()
