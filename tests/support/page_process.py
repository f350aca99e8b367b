"""`stopwise watch --page` in a process of its own, as a person starts it, and frames that land."""

from __future__ import annotations

import json
import os
import queue
import re
import shutil
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from types import TracebackType

SAMPLES = Path(__file__).parents[2] / "sample_frames"
MARKED = tuple(f"F{number:04d}.dng" for number in (1, 2, 3, 4, 5, 6, 7, 8, 11))
"""The plan's own frames: card, ambient, plate, the five solos, reference."""

_PATIENCE_S = 120.0


class PageProcess:
    """A watch with a page, from entry to exit.

    Parameters
    ----------
    stage
        Folder with the ledger, the plan beside the frames that it names, and the watched folder
        `shoot`; all are made where they aren't there, so that a second process goes on where the
        first one ended.
    options
        More of the command's options.
    is_demo
        Whether the plan lies in the watched folder itself, as in the demo, so that the frames that
        it names are those that land.
    """

    def __init__(self, stage: Path, *options: str, is_demo: bool = False) -> None:
        self.shoot = stage / "shoot"
        self.plan = (self.shoot if is_demo else stage) / "plan.toml"
        if not self.plan.exists():
            self.shoot.mkdir()
            shutil.copy(SAMPLES / "plan.toml", self.plan)
            for name in () if is_demo else MARKED:
                (stage / name).symlink_to(SAMPLES / name)
        self._command = [
            sys.executable,
            "-c",
            "from stopwise.cli import main; main()",
            *("watch", str(self.shoot), "--plan", str(self.plan), "--settle", "1"),
            *("--ledger", str(stage / "ledger.sqlite"), "--json", "--page", *options),
        ]
        self._said: queue.Queue[str] = queue.Queue()
        self.records: queue.Queue[dict[str, Any]] = queue.Queue()
        self.address = ""
        self.ended: int | None = None

    def __enter__(self) -> Self:
        """Start it, and return once it has printed the page's address."""
        self._process = subprocess.Popen(
            self._command,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1"},
        )
        for stream, heard in (
            (self._process.stderr, self._said.put),
            (self._process.stdout, lambda line: self.records.put(json.loads(line))),
        ):
            threading.Thread(target=_hand_on, args=(stream, heard), daemon=True).start()
        self.address = self.await_said(r"page at (http://\S+)").group(1)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End it as Ctrl-C does, and note its exit code."""
        self.end(signal.SIGINT)

    @property
    def number(self) -> int:
        """Its process number."""
        return self._process.pid

    def end(self, by: signal.Signals) -> None:
        """End it by a signal."""
        if self._process.poll() is None:
            self._process.send_signal(by)
        self.ended = self._process.wait(_PATIENCE_S)

    def await_said(self, pattern: str) -> re.Match[str]:
        """Return the first line on stderr that fits, from where it was read last."""
        until = time.monotonic() + _PATIENCE_S
        while True:
            line = self._said.get(timeout=max(until - time.monotonic(), 0.01))
            found = re.search(pattern, line)
            if found is not None:
                return found

    def land(self, name: str, *, under: str | None = None) -> None:
        """Have a sample frame land as a camera writes it: in two pieces with a pause between."""
        content = (SAMPLES / name).read_bytes()
        middle = len(content) // 2
        with (self.shoot / (under or name)).open("wb") as file:
            file.write(content[:middle])
            file.flush()
            time.sleep(0.05)
            file.write(content[middle:])

    def judged(self) -> dict[str, Any]:
        """Return the next record that the watch prints."""
        return self.records.get(timeout=_PATIENCE_S)

    def get(self, path: str) -> bytes:
        """Return what the page answers under a path."""
        with urllib.request.urlopen(self.address + path, timeout=20) as answer:  # noqa: S310
            body: bytes = answer.read()
        return body


def _hand_on(stream: Any, heard: Any) -> None:
    with stream:
        for line in stream:
            heard(line)
