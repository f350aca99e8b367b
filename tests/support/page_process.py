"""`stopwise watch --page` in a process of its own, as a person starts it, and frames that land."""

from __future__ import annotations

import re
import shutil
import signal
import time
import urllib.request
from pathlib import Path
from typing import Any, Self

from support.commanding import WatchCommand

SAMPLES = Path(__file__).parents[2] / "sample_frames"
MARKED = tuple(f"F{number:04d}.dng" for number in (1, 2, 3, 4, 5, 6, 7, 8, 11))
"""The plan's own frames: card, ambient, plate, the five solos, reference."""


class PageProcess(WatchCommand):
    """A watch with a page, from entry to exit.

    Parameters
    ----------
    stage
        Folder with the ledger, the plan beside the frames that it names, and the watched folder
        `shoot`; all are made where they aren't there, so that a second process goes on where the
        first one ended.
    options
        More of the command's options.
    workers
        Decoding processes.

    Attributes
    ----------
    address
        Of the page, with a slash at its end or the token.
    code
        What it ended with; None while it runs.
    """

    def __init__(self, stage: Path, *options: str, workers: int = 1) -> None:
        self.shoot = stage / "shoot"
        self.plan = stage / "plan.toml"
        if not self.plan.exists():
            self.shoot.mkdir()
            shutil.copy(SAMPLES / "plan.toml", self.plan)
            for name in MARKED:
                (stage / name).symlink_to(SAMPLES / name)
        said = ("--plan", str(self.plan), "--settle", "1", "--page", *options)
        super().__init__(self.shoot, stage / "ledger.sqlite", options=said, workers=workers)
        self.address = ""
        self.code: int | None = None
        self._heard = self._judged = 0

    def __enter__(self) -> Self:
        """Return once it has printed the page's address."""
        super().__enter__()
        self.address = self.await_said(r"page at (http://\S+)").group(1)
        return self

    def __exit__(self, *_: object) -> None:
        """End it as Ctrl-C does, and note its exit code."""
        self.end(signal.SIGINT)

    def end(self, by: signal.Signals) -> None:
        """End it by a signal."""
        if self.is_running:
            self.process.send_signal(by)
        self.code = self.ended()

    def await_said(self, pattern: str) -> re.Match[str]:
        """Return the first line on stderr that fits, from where it was read last."""
        found: list[re.Match[str]] = []

        def is_said() -> bool:
            while self._heard < len(self.notes) and not found:
                match = re.search(pattern, self.notes[self._heard])
                self._heard += 1
                if match is not None:
                    found.append(match)
            return bool(found)

        self.wait(is_said)
        return found[0]

    def judged(self) -> dict[str, Any]:
        """Return the next record that the watch prints."""
        self.wait(lambda: len(self.records) > self._judged)
        self._judged += 1
        return self.records[self._judged - 1]

    def land(self, name: str, *, under: str | None = None) -> None:
        """Have a sample frame land as a camera writes it: in two pieces with a pause between."""
        content = (SAMPLES / name).read_bytes()
        middle = len(content) // 2
        with (self.shoot / (under or name)).open("wb") as file:
            file.write(content[:middle])
            file.flush()
            time.sleep(0.05)
            file.write(content[middle:])

    def get(self, path: str) -> bytes:
        """Return what the page answers under a path."""
        with urllib.request.urlopen(self.address + path, timeout=20) as answer:  # noqa: S310
            body: bytes = answer.read()
        return body
