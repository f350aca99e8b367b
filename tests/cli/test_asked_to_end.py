"""Ctrl-C and SIGTERM end the real `stopwise watch` with 0, also while it still begins."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from itertools import cycle
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from lightmodel.dng import DngSpec, write_dng
from support.made_raws import levels_for
from support.watching import PATIENCE_S

if TYPE_CHECKING:
    from collections.abc import Sequence

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")

COMMAND = "from stopwise.__main__ import main; main()"
USUAL = ("watching ", "are there already")
AT_IMPORT = """
import os, sys

class Asks:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r} and self in sys.meta_path:
            sys.meta_path.remove(self)
            open({marker!r}, "w").close()
            os.kill(os.getpid(), {number})

sys.meta_path.insert(0, Asks())
"""

AS_A_FIELD_IS_NAMED = """
import dataclasses, os

named = dataclasses.Field.__set_name__

def name_and_ask(field, owner, name):
    if owner.__module__.startswith("stopwise.") and not os.path.exists({marker!r}):
        open({marker!r}, "w").close()
        os.kill(os.getpid(), {number})
    named(field, owner, name)

dataclasses.Field.__set_name__ = name_and_ask
"""

AS_A_PROCESS_BEGINS = """
import os
from multiprocessing import util

begin = util.spawnv_passfds

def begin_and_ask(path, arguments, descriptors):
    process = begin(path, arguments, descriptors)
    if {which!r} in str(arguments) and not os.path.exists({marker!r}):
        open({marker!r}, "w").close()
        os.kill(os.getpid(), {number})
    return process

util.spawnv_passfds = begin_and_ask
"""


def in_turn(*moments: object) -> list[tuple[object, signal.Signals]]:
    """Return each moment with one of two signals: without a handler it fails by either."""
    return list(zip(moments, cycle((signal.SIGINT, signal.SIGTERM)), strict=False))


@pytest.fixture
def arguments(tmp_path: Path) -> list[str]:
    folder = tmp_path / "shoot"
    folder.mkdir()
    for number in range(3):
        levels = levels_for("gbrg uncompressed", (64, 96)) + number
        write_dng(folder / f"F{number}.dng", levels, spec=DngSpec(compression="none", bits=16))
    return ["watch", str(folder), "--ledger", str(tmp_path / "l.sqlite"), "--json"]


def begin(code: str, arguments: Sequence[str]) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", code, *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def ended_quietly(process: subprocess.Popen[str]) -> None:
    _, errors = process.communicate(timeout=PATIENCE_S)
    said = [line for line in errors.splitlines() if not any(words in line for words in USUAL)]
    assert (process.returncode, said) == (0, [])


@pytest.mark.parametrize(
    ("module", "number"),
    in_turn(
        "stopwise.cli",
        "click",
        "stopwise.cli.watch_command",
        "numpy",
        "sqlite3",
        "stopwise.folder.watcher",
        "multiprocessing.resource_tracker",
    ),
)
def test_a_signal_while_a_module_is_imported_ends_with_zero_and_not_a_word(
    tmp_path: Path, arguments: list[str], module: str, number: signal.Signals
) -> None:
    marker = tmp_path / "asked"
    code = AT_IMPORT.format(module=module, marker=str(marker), number=int(number)) + COMMAND
    process = begin(code, arguments)
    ended_quietly(process)
    assert marker.exists(), "it was never asked"


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_that_python_would_tell_as_a_failure_of_a_class_ends_without_a_word(
    tmp_path: Path, arguments: list[str], number: signal.Signals
) -> None:
    """What is raised while a class names its fields comes up as a RuntimeError before 3.12."""
    marker = tmp_path / "asked"
    code = AS_A_FIELD_IS_NAMED.format(marker=str(marker), number=int(number))
    process = begin(code + COMMAND, arguments)
    ended_quietly(process)
    assert marker.exists(), "it was never asked"


@pytest.mark.parametrize(("which", "number"), in_turn("resource_tracker", "forkserver"))
def test_a_signal_while_a_process_is_begun_ends_with_zero_and_not_a_word(
    tmp_path: Path, arguments: list[str], which: str, number: signal.Signals
) -> None:
    """A worker that isn't handed what it is to do would end with a traceback of Python's own."""
    marker = tmp_path / "asked"
    code = AS_A_PROCESS_BEGINS.format(which=which, marker=str(marker), number=int(number))
    process = begin(code + COMMAND, arguments)
    ended_quietly(process)
    assert marker.exists(), "it was never asked"


@pytest.mark.parametrize(("moment_s", "number"), in_turn(0.05, 0.1, 0.2, 0.3, 0.5, 0.8, 1.2, 2.0))
def test_a_signal_at_any_moment_ends_with_zero_and_not_a_word(
    arguments: list[str], moment_s: float, number: signal.Signals
) -> None:
    """Counted from the start of the process, or from when Python has begun with our code."""
    began = time.monotonic()
    process = begin(COMMAND, arguments)
    while not catches(process.pid, signal.SIGTERM):
        assert time.monotonic() < began + PATIENCE_S
        time.sleep(0.001)
    time.sleep(max(began + moment_s - time.monotonic(), 0.0))
    os.killpg(process.pid, number)  # as a terminal does: to the workers too
    ended_quietly(process)


def catches(pid: int, number: signal.Signals) -> bool:
    """Tell whether a process has a handler of its own for a signal (proc(5), SigCgt)."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("SigCgt:"):
            return bool(int(line.split()[1], 16) >> (number - 1) & 1)
    return False


def test_a_hang_up_that_is_ignored_stays_so(arguments: list[str]) -> None:
    code = "import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN)\n" + COMMAND
    process = begin(code, arguments)
    assert process.stdout is not None
    process.stdout.readline()  # it watches: a record is there
    process.send_signal(signal.SIGHUP)
    time.sleep(0.3)
    assert process.poll() is None
    process.terminate()
    ended_quietly(process)


def test_what_is_to_be_done_at_the_end_is_and_nothing_is_taken_apart_after() -> None:
    """Taking all modules apart cost a fifth of a second of the processor after Ctrl-C."""
    left_open = """
import atexit, os, sys
from stopwise import __main__, cli

class TakenApart:
    def __del__(self):
        os.write(2, b"taken apart")

def run(whole=cli.run):
    atexit.register(lambda: print("at the end"))
    return whole()

held, cli.run, sys.argv = TakenApart(), run, ["stopwise", "stops", "ratio", "1:0"]
__main__.main()
"""
    ended = subprocess.run(
        [sys.executable, "-c", left_open], capture_output=True, text=True, check=False
    )
    assert (ended.returncode, ended.stdout) == (2, "at the end\n")
    assert ended.stderr.startswith("stopwise: That has no answer")
    assert "taken apart" not in ended.stderr
