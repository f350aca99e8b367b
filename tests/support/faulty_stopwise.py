"""The `stopwise` command over disks and a system that fail: a file in a folder turns a fault on.

`STOPWISE_TEST_FAULTS` names the folder. `ledger-full` and `ledger-fails` are what SQLite says of a
full disk (ENOSPC) and a failing one (EIO), `frames-fail` is EIO on every frame that is opened to be
read, which worker processes do: they read this file too. `watch-opens` is the same in the own
process of the watch. While `plan-hangs` is on no look at a plan's file comes back, and while
`frames-hang` no opening of a frame whose name begins with H, nor while `frames-spin`, which costs
all the time of a processor. `look-breaks` is a mistake of our own
where a folder is looked through.
"""

from __future__ import annotations

import builtins
import errno
import io
import multiprocessing
import os
import sqlite3
import threading
import time
from pathlib import Path
from typing import Any

FAULTS = Path(os.environ["STOPWISE_TEST_FAULTS"])
_CODES = {"ledger-full": sqlite3.SQLITE_FULL, "ledger-fails": sqlite3.SQLITE_IOERR}
_WORDS = {"ledger-full": "database or disk is full", "ledger-fails": "disk I/O error"}
_connect, _open, _os_open, _stat = sqlite3.connect, io.open, os.open, os.stat
_scandir = os.scandir


def is_on(fault: str) -> bool:
    """Tell whether a fault is to happen now."""
    return (FAULTS / fault).exists()


class Disk(sqlite3.Connection):
    """A connection to a ledger on a disk that fails when it is to."""

    def execute(self, statement: str, *values: Any) -> sqlite3.Cursor:
        """Run a statement, unless it writes and the disk fails."""
        for fault, code in _CODES.items():
            if statement.startswith(("INSERT", "UPDATE", "DELETE", "COMMIT")) and is_on(fault):
                error = sqlite3.OperationalError(_WORDS[fault])
                error.sqlite_errorcode = code
                raise error
        return super().execute(statement, *values)


def connect(place: Any, *arguments: Any, **options: Any) -> sqlite3.Connection:
    """Open a ledger on the disk that fails; what lies in memory is on none."""
    factory = sqlite3.Connection if place == ":memory:" else Disk
    return _connect(place, *arguments, **{**options, "factory": factory})


def fail(path: Any) -> None:
    """Fail as a broken medium does where a frame is opened, or hang."""
    while os.path.basename(str(path)).startswith("H") and is_on("frames-hang"):  # noqa: PTH119
        time.sleep(0.02)
    while os.path.basename(str(path)).startswith("H") and is_on("frames-spin"):  # noqa: PTH119
        pass
    in_watch = multiprocessing.parent_process() is None
    if str(path).endswith(".dng") and (is_on("frames-fail") or (in_watch and is_on("watch-opens"))):
        raise OSError(errno.EIO, os.strerror(errno.EIO), str(path))


def open_file(file: Any, *arguments: Any, **options: Any) -> Any:
    """Open a file, unless its medium fails."""
    fail(file)
    return _open(file, *arguments, **options)


def open_descriptor(path: Any, *arguments: Any, **options: Any) -> int:
    """Open a file by its name for `os.open`, unless its medium fails."""
    fail(path)
    return _os_open(path, *arguments, **options)


def look_at(path: Any, *arguments: Any, **options: Any) -> os.stat_result:
    """Look at what a path holds, once its medium answers."""
    while str(path).endswith("plan.toml") and is_on("plan-hangs"):
        time.sleep(0.02)
    return _stat(path, *arguments, **options)


def scan(*arguments: Any) -> Any:
    """Look through a folder, unless the watch's own looking is broken."""
    if is_on("look-breaks") and threading.current_thread().name == "stopwise-scan":
        msg = "made to fail"
        raise ValueError(msg)
    return _scandir(*arguments)


sqlite3.connect = connect
io.open = builtins.open = open_file
os.open = open_descriptor
os.stat = look_at
os.scandir = scan

if __name__ == "__main__":
    from stopwise.__main__ import main
    from stopwise.ledger.database import Database

    FOR_EVER_S = 1e6  # no lock is given up: whoever goes on or ends was not held up by it
    Database.atomic.__wrapped__.__kwdefaults__["wait_s"] = FOR_EVER_S  # type: ignore[attr-defined]
    Database._patiently.__defaults__ = (FOR_EVER_S,)
    main()
