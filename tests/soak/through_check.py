"""Give spoiled files to `stopwise check`, a folder of them to each process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NamedTuple, Self

from soak.corpus import state_of, write
from support.commanding import processor_s

if TYPE_CHECKING:
    from collections.abc import Iterable

    from soak.corpus import Spoiled
    from soak.tally import Holding

_WITHOUT_PLAN_EVERY, _TOLD_EVERY = 3, 5


class _Wait(NamedTuple):
    """From one line to the next: seconds, what `check` had of a processor meanwhile, which line."""

    seconds: float
    processor_s: float
    line: int


@dataclass(frozen=True, slots=True)
class _Checked:
    """What one call gave: its lines, what it said, its exit code, its longest wait, and memory."""

    lines: list[bytes]
    said: str
    code: int
    longest: _Wait
    megabytes: float

    @property
    def records(self) -> dict[str, dict[str, Any]]:
        """The records by file; a figure that is no number is an error."""
        found = (json.loads(line, parse_constant=_refuse) for line in self.lines)
        return {record["file"]: record for record in found}


class ThroughCheck:
    """Each batch is a folder and a process; each third has no plan, each fifth is told in words.

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
        self._base, self._plan_path, self._holding = base, plan_path, holding
        self._given = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing is left running."""

    def give(self, files: Iterable[Spoiled]) -> None:
        """Check files as one batch."""
        holding, files = self._holding, list(files)
        self._given += 1
        has_plan = self._given % _WITHOUT_PLAN_EVERY != 0
        options = ["--plan", str(self._plan_path)] if has_plan else []
        with tempfile.TemporaryDirectory(dir=self._base) as name:
            folder = Path(name)
            before = {one.name: write(folder, one) for one in files}
            checked = _check(folder, [*options, "--json"])
            records, longest = checked.records, checked.longest
            behind = list(records)[longest.line] if records else ""
            for one in files:
                record = records.pop(str(folder / one.name), None)
                if record is None:
                    holding.fault(one, f"no record, exit {checked.code}: {checked.said}")
                else:
                    holding.take(one, record, has_plan=has_plan)
                if state_of(folder / one.name) != before[one.name]:
                    holding.fault(one, "the file was changed")
            for other in records:
                holding.fault(None, f"a record of {other!r}")
            for left in {path.name for path in folder.iterdir()} - set(before):
                holding.fault(None, f"{left!r} came to lie in the folder")
            if self._given % _TOLD_EVERY == 0:
                self._tell(_check(folder, options), files)
        behind_it = next((one for one in files if str(folder / one.name) == behind), None)
        holding.timed(None, longest.seconds, longest.processor_s, behind=behind_it)
        holding.weighed(checked.megabytes, 0.0)
        self._tell(checked, files)

    def _tell(self, checked: _Checked, files: list[Spoiled]) -> None:
        if checked.code not in {0, 1, 3}:
            numbers = f"{files[0].number} to {files[-1].number}"
            self._holding.fault(None, f"exit {checked.code}, {numbers}: {checked.said}")
        self._holding.said(checked.said)
        self._holding.said(b"".join(checked.lines).decode("utf-8", "replace"))


def _check(folder: Path, options: list[str]) -> _Checked:
    command = [sys.executable, "-X", "faulthandler", "-c"]
    command += ["from stopwise.__main__ import main; main()", "check", str(folder), *options]
    with tempfile.TemporaryFile("w+b") as errors:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=errors)
        assert process.stdout is not None
        lines, longest = _timed(process.stdout, process.pid)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        process.stdout.close()
        errors.seek(0)
        said = errors.read().decode("utf-8", "replace")
    return _Checked(lines, said, process.returncode, longest, usage.ru_maxrss / 1024)


def _timed(stream: IO[bytes], pid: int) -> tuple[list[bytes], _Wait]:
    """Return all lines of a process, and the longest wait between one and the next."""
    lines: list[bytes] = []
    longest, last_s, had_s = _Wait(0.0, 0.0, 0), None, 0.0
    for line in stream:
        now_s, has_s = time.monotonic(), sum(processor_s(pid))
        if last_s is not None:
            longest = max(longest, _Wait(now_s - last_s, has_s - had_s, len(lines)))
        lines.append(line)
        last_s, had_s = now_s, has_s
    return lines, longest


def _refuse(name: str) -> float:
    msg = f"{name} in a record"
    raise ValueError(msg)
