"""The real `stopwise watch` in a process of its own: what it prints, weighs and ends with."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from support.watching import PATIENCE_S

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
_COMMAND = ("-c", "from stopwise.__main__ import main; main()")
_KILOBYTE = 1024


class WatchCommand:
    """`stopwise watch FOLDER --json`, running while the block runs.

    Parameters
    ----------
    folder, ledger
        What it watches, and where it keeps records.
    options
        More of the command line.
    workers
        Decoding processes: one is enough where their number is no matter.
    script
        A file to run instead of the installed command, which may set faults up beforehand.
    environment
        Variables to add.
    before
        What to put before the command, such as another program that lowers rights.

    Attributes
    ----------
    records
        What it has printed, in order.
    notes
        What it has said on stderr, line by line.
    """

    def __init__(
        self,
        folder: Path,
        ledger: Path | str,
        *,
        options: Sequence[str] = (),
        workers: int = 1,
        script: Path | None = None,
        environment: Mapping[str, str] | None = None,
        before: Sequence[str] = (),
    ) -> None:
        begin = _COMMAND if script is None else (str(script),)
        said = ["watch", str(folder), "--ledger", str(ledger), "--json"]
        said += ["--workers", str(workers), *options]
        self.records: list[dict[str, Any]] = []
        self.notes: list[str] = []
        self.process = subprocess.Popen(
            [*before, sys.executable, *begin, *said],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, **(environment or {})},
        )
        self._readers = [
            threading.Thread(target=self._read_records, daemon=True),
            threading.Thread(target=self._read_notes, daemon=True),
        ]

    def __enter__(self) -> Self:
        for reader in self._readers:
            reader.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self._end()

    @property
    def files(self) -> list[str]:
        """The records' files, in the order in which they were printed."""
        return [record["file"] for record in self.records]

    @property
    def said(self) -> str:
        """All that it has said on stderr."""
        return "\n".join(self.notes)

    @property
    def is_running(self) -> bool:
        """Whether it hasn't ended."""
        return self.process.poll() is None

    def wait(self, holds: Callable[[], object], *, limit_s: float = PATIENCE_S) -> None:
        """Wait until something holds; fail when it doesn't in time, or the command ends before."""
        end = time.monotonic() + limit_s
        while not holds():
            assert self.is_running, f"the watch ended with {self.process.returncode}: {self.said}"
            assert time.monotonic() < end, f"what was waited for did not come: {self.said}"
            time.sleep(0.02)

    def wait_for(self, words: str, *, limit_s: float = PATIENCE_S) -> None:
        """Wait until it has said some words."""
        self.wait(lambda: words in self.said, limit_s=limit_s)

    def stop(self) -> int:
        """Ask it to end as a terminal that closes does, and return its exit code."""
        self.process.send_signal(signal.SIGTERM)
        return self.ended()

    def ended(self, *, limit_s: float = PATIENCE_S) -> int:
        """Wait until it ends by itself, and return its exit code."""
        code = self.process.wait(limit_s)
        self._end()
        return code

    def workers(self) -> list[int]:
        """Return the process numbers of its workers (Linux): what its fork server has begun."""
        servers = (
            pid for pid in _children(self.process.pid) if b"forkserver" in _command_line(pid)
        )
        return [worker for server in servers for worker in _children(server)]

    def processor_s(self) -> float:
        """Return the seconds of a processor that it has had, with its workers past and present."""
        workers = (sum(processor_s(pid)[:2]) for pid in self.workers())
        return sum(processor_s(self.process.pid)) + sum(workers)

    def megabytes(self) -> tuple[float, float]:
        """Return what the watch, and its heaviest worker, hold in memory (Linux; resident)."""
        return resident_mb(self.process.pid), max(map(resident_mb, self.workers()), default=0.0)

    def _end(self) -> None:
        self.process.wait(PATIENCE_S)
        for reader in self._readers:
            reader.join(PATIENCE_S)
        for stream in (self.process.stdout, self.process.stderr):
            if stream is not None:
                stream.close()

    def _read_records(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            with contextlib.suppress(json.JSONDecodeError):  # a kill may cut the last line in two
                self.records.append(json.loads(line))

    def _read_notes(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.notes.append(line.decode("utf-8", "replace").rstrip("\n"))


def resident_mb(pid: int) -> float:
    """Return the memory that a process holds, in units of 1024 squared bytes; 0 once it is gone."""
    return _memory_mb(pid, "VmRSS:")


def highest_mb(pid: int) -> float:
    """Return the most memory that a process has held, in units of 1024 squared bytes."""
    return _memory_mb(pid, "VmHWM:")


def processor_s(pid: int) -> tuple[float, ...]:
    """Return the processor's seconds of a process, and of those it began that have ended (Linux).

    Each as user and system (proc(5), stat); zeros once it is gone.
    """
    try:
        told = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    except (FileNotFoundError, ProcessLookupError):
        return (0.0,) * 4
    ticks = told.rpartition(") ")[2].split()[11:15]
    return tuple(int(tick) / os.sysconf("SC_CLK_TCK") for tick in ticks)


def _memory_mb(pid: int, named: str) -> float:
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    except (FileNotFoundError, ProcessLookupError):
        return 0.0
    for line in status.splitlines():
        if line.startswith(named):
            return int(line.split()[1]) / _KILOBYTE
    return 0.0


def _children(pid: int) -> list[int]:
    try:
        listed = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii")
    except (FileNotFoundError, ProcessLookupError):
        return []
    return [int(child) for child in listed.split()]


def _command_line(pid: int) -> bytes:
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes()
    except (FileNotFoundError, ProcessLookupError):
        return b""
