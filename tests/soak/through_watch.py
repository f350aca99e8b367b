"""Give spoiled files to the real watch: some at a time, each taken out once it is answered."""

from __future__ import annotations

import hashlib
import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from soak.corpus import Spoiled, state_of, write
from support.commanding import WatchCommand, highest_mb

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path
    from types import TracebackType

    from soak.corpus import State
    from soak.tally import Holding

_IN_FLIGHT = 12
_GIVEN_UP_S = 150.0
"""After which a file has no verdict: a worker is given half a minute, twice."""


@dataclass(frozen=True, slots=True)
class _Flying:
    spoiled: Spoiled
    state: State | None
    landed_at: float
    processor_s: float


class ThroughWatch:
    """A watch that runs while the block runs.

    Parameters
    ----------
    base
        An empty folder to work in.
    plan_path
        By which files are judged.
    holding
        Takes what comes of them.
    """

    def __init__(self, base: Path, plan_path: Path, holding: Holding) -> None:
        self._folder = base / "shoot"
        self._folder.mkdir()
        options = ["--plan", str(plan_path), "--settle", "0.3"]
        ledger = base / "ledger.sqlite"
        self._watch = WatchCommand(self._folder, ledger, options=options, workers=2)
        self._holding = holding
        self._flying: dict[str, _Flying] = {}
        self._landed: set[str] = set()
        self._heights = Heights(self._watch)

    def __enter__(self) -> Self:
        self._watch.__enter__()
        self._heights.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            if kind is None and (code := self._watch.stop()) != 0:
                self._holding.fault(None, f"the watch ended with {code}: {self._watch.said}")
        finally:
            self._watch.__exit__(kind, error, trace)

    def give(self, files: Iterable[Spoiled]) -> None:
        """Land files, a few at a time, until each was answered or given up."""
        waiting = deque(files)
        while waiting or self._flying:
            while waiting and len(self._flying) < _IN_FLIGHT:
                self._land(waiting.popleft())
            self._answer()
            self._give_up()
            if not self._watch.is_running:
                self._holding.fault(None, f"the watch ended: {self._watch.said}")
                msg = "the watch ended"
                raise RuntimeError(msg)
            time.sleep(0.01)
        self._look_round()

    def _land(self, spoiled: Spoiled) -> None:
        """Land a file, unless its very content has landed before: a content counts once."""
        digest = hashlib.sha256(spoiled.content).hexdigest()
        if digest not in self._landed:
            self._landed.add(digest)
            state = write(self._folder, spoiled)
            landed = time.monotonic(), self._watch.processor_s()
            self._flying[spoiled.name] = _Flying(spoiled, state, *landed)

    def _answer(self) -> None:
        while self._watch.records:
            record = self._watch.records.pop(0)
            flying = self._flying.pop(record["file"], None)
            if flying is None:
                told = f"{record['file']!r} was told of twice, or never landed"
                self._holding.fault(None, told)
                continue
            self._holding.take(flying.spoiled, record)
            took_s = time.monotonic() - flying.landed_at
            had_s = self._watch.processor_s() - flying.processor_s
            self._holding.timed(flying.spoiled, took_s, had_s)
            self._take_out(flying)

    def _give_up(self) -> None:
        late = time.monotonic() - _GIVEN_UP_S
        for name, flying in list(self._flying.items()):
            if flying.landed_at < late:
                del self._flying[name]
                self._holding.fault(flying.spoiled, f"no verdict within {_GIVEN_UP_S:.0f} s")
                self._take_out(flying)

    def _take_out(self, flying: _Flying) -> None:
        path = self._folder / flying.spoiled.name
        if state_of(path) != flying.state:
            self._holding.fault(flying.spoiled, "the file was changed")
        path.unlink(missing_ok=True)

    def _look_round(self) -> None:
        """Look at what lies in the folder, what was said, and what was held of memory."""
        for left in self._folder.iterdir():
            self._holding.fault(None, f"{left.name!r} came to lie in the folder")
            left.unlink()
        while self._watch.notes:
            self._holding.said(self._watch.notes.pop(0))
        self._holding.weighed(*self._heights.most)
        self._holding.tally.replaced += self._heights.replaced()


class Heights:
    """The most memory that a watch and its workers have held, looked at four times a second.

    Parameters
    ----------
    watch
        Whose (Linux).
    """

    def __init__(self, watch: WatchCommand) -> None:
        self._watch = watch
        self.most = (0.0, 0.0)
        self._seen: set[int] = set()
        self._told = 0

    def start(self) -> None:
        """Begin to look, until the watch ends."""
        threading.Thread(target=self._look, daemon=True).start()

    def replaced(self) -> int:
        """Return how many workers were begun since the last call, over those of the start."""
        seen = len(self._seen)
        new = seen - self._told if self._told else 0
        self._told = seen
        return new

    def _look(self) -> None:
        while self._watch.is_running:
            try:
                workers = self._watch.workers()
            except OSError:
                workers = []
            self._seen.update(workers)
            here = highest_mb(self._watch.process.pid), max(map(highest_mb, workers), default=0.0)
            self.most = (max(self.most[0], here[0]), max(self.most[1], here[1]))
            time.sleep(0.25)
