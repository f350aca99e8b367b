"""What a watch holds of frames that it has judged: no object of Python's.

Four hundred come and go in the caches of libraries, however many frames there are.
"""

from __future__ import annotations

import gc
import sys
import threading
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import pytest

import stopwise.cli.watching
from soak.landing import Pictures
from stopwise.cli.watching import Shown, WatchRun
from stopwise.folder.listing import look_at, sweep
from stopwise.folder.one_file import read_one
from stopwise.folder.watcher import Options, Seams, Waits, Watcher
from stopwise.ledger import MEMORY, Ledger, content_hash
from stopwise.pipeline import Brief, assess_file
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan import load_plan
from support.watching import InlinePool, tiny_raw

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from stopwise.folder.listing import Listing

WARM, MORE = 200, 1200
"""Frames after which all code is imported and all caches are full, and those that are counted."""

AT_ONCE = Options(waits=Waits(settle_s=0.0, rest_s=0.0))

EVERY = 10
"""One file in so many is deleted, one is rewritten and one is no raw file."""


class OneByOne:
    """Lands a file with each look and sweeps now and then; ends the watch after the last."""

    def __init__(self, folder: Path, stop: threading.Event, run: list[WatchRun]) -> None:
        self._folder, self._stop, self._run = folder, stop, run
        self._landed = 0
        self.blocks: list[int] = []

    def start(self) -> None:
        """Begin; there is no thread."""

    def listings(self) -> Iterator[Listing]:
        """Yield the look at one more file, or a sweep."""
        self._run[0].watcher.wake()
        if self._landed in (WARM, WARM + MORE):
            gc.collect()
            self.blocks.append(sys.getallocatedblocks())
        if self._landed == WARM + MORE:
            self._stop.set()
            return
        self._landed += 1
        name = f"F{self._landed:05d}.dng"
        (self._folder / name).write_bytes(tiny_raw(self._landed, size=64))
        yield look_at(str(self._folder), [name])
        if self._landed % EVERY == 0:
            self._disturb(self._landed - 2)
            yield sweep(str(self._folder), self._run[0].watcher._files.settled)

    def _disturb(self, number: int) -> None:
        deleted, rewritten, short = (
            self._folder / f"F{number - place:05d}.dng" for place in range(3)
        )
        deleted.unlink()
        rewritten.write_bytes(tiny_raw(-number, size=64))
        short.write_bytes(b"no raw file")

    def sweep_soon(self) -> None:
        """Sweep with the next tenth file."""

    def close(self) -> None:
        """End."""


@pytest.mark.slow
def test_a_judged_frame_costs_the_watch_no_object(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, frame = tmp_path / "shoot", tmp_path / "frame.dng"
    folder.mkdir()
    pictures = Pictures(tmp_path)
    frame.write_bytes(pictures.frame(0, 0))
    done = assess_file(frame, Brief(plan=load_plan(pictures.plan)), PlanFrames())

    def assessed(path: Path, brief: Any) -> Any:
        record = replace(done.record, file=str(path), take=brief.take)
        return replace(done, record=record, sha256=content_hash(str(path)))

    stop, run = threading.Event(), []
    sight = OneByOne(folder, stop, run)
    seams = Seams(pool=InlinePool(partial(read_one, assessed)), sight=sight)
    monkeypatch.setattr(stopwise.cli.watching, "Watcher", partial(Watcher, seams=seams))
    shown = Shown(frame=lambda _: None, note=lambda _: None)
    with Ledger(MEMORY) as ledger:
        run.append(WatchRun(folder, ledger, shown, plan_path=pictures.plan, options=AT_ONCE))
        run[0].run(stop)
        assert ledger.frames.count() > MORE / 2
    assert sight.blocks[1] - sight.blocks[0] < MORE, "an object a frame is one too many"
