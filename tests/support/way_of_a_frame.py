"""Which of our files one `check` runs through: `python tests/support/way_of_a_frame.py`.

The command is run once in a process of its own, on a sample frame with its plan, once all modules
are imported. Calls of our functions are counted by `sys.setprofile` in every thread; a change of
room is a call into another room than the one that the same thread called before.
"""

from __future__ import annotations

import contextlib
import io
import json
import pkgutil
import subprocess
import sys
import threading
from collections import Counter
from importlib import import_module
from pathlib import Path

ROOT = Path(__file__).parents[2]
FRAME = ROOT / "sample_frames" / "F0009.dng"
PLAN = ROOT / "sample_frames" / "plan.toml"


class Way:
    """The calls of one command, as they came.

    Attributes
    ----------
    calls
        Calls of our functions by file, a path below the package.
    changes
        Calls into a room by that room, where the call before went into another.
    """

    def __init__(self, home: Path) -> None:
        self.calls: Counter[str] = Counter()
        self.changes: Counter[str] = Counter()
        self._home = f"{home}/"
        self._before = threading.local()  # an ended thread's number is given to another

    def note(self, frame, event, _argument) -> None:
        """Count one event of the interpreter."""
        name = frame.f_code.co_filename
        if event != "call" or not name.startswith(self._home):
            return
        file = name.removeprefix(self._home)
        room = file.split("/")[0].removesuffix(".py")
        self.calls[file] += 1
        self.changes[room] += room != getattr(self._before, "room", room)
        self._before.room = room


def walked() -> dict:
    """Return what one check in this process came to: exit code, calls by file, changes by room."""
    import stopwise
    from stopwise.cli import run

    for module in pkgutil.walk_packages(stopwise.__path__, "stopwise."):
        if not module.name.endswith("__main__"):
            import_module(module.name)
    way = Way(Path(stopwise.__file__).parent)
    with contextlib.redirect_stdout(io.StringIO()):
        threading.setprofile(way.note)
        sys.setprofile(way.note)
        try:
            code = run(["check", str(FRAME), "--plan", str(PLAN)])
        finally:
            sys.setprofile(None)
            threading.setprofile(None)
    return {"exit": code, "calls": way.calls, "changes": way.changes}


def way_of_a_frame() -> dict:
    """Return the same of a fresh process, in which nothing is kept from earlier checks."""
    done = subprocess.run(
        [sys.executable, __file__, "--json"], check=True, capture_output=True, text=True
    )
    return json.loads(done.stdout)


if __name__ == "__main__":
    found = walked()
    if "--json" in sys.argv:
        print(json.dumps(found))
    else:
        for file, count in sorted(found["calls"].items()):
            print(f"{count:7d}  {file}")
        print(f"{len(found['calls'])} files, {sum(found['changes'].values())} changes of room")
        print(", ".join(f"{room} {count}" for room, count in found["changes"].items()))
