"""Measure how long Ctrl-C takes with a hostile plan in the place of a watched one.

python tests/soak/hostile_plans.py
"""

from __future__ import annotations

import os
import signal
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from folder.test_hostile_plans import GOOD, HOSTILE
from support.commanding import WatchCommand

_AFTER_S = (0.1, 0.4, 0.7, 1.5)
"""Seconds after the plan was put there: before, while and after it is read."""


def seconds_to_end(text: str | None, after_s: float) -> float:
    """Put a plan in a watched one's place, None for a pipe, and return what Ctrl-C then takes."""
    with tempfile.TemporaryDirectory() as base:
        folder, plan, other = Path(base, "shoot"), Path(base, "plan.toml"), Path(base, "other")
        folder.mkdir()
        plan.write_text(GOOD, encoding="utf-8")
        watch = WatchCommand(folder, ":memory:", options=("--plan", str(plan)), workers=2)
        with watch:
            watch.wait_for("watching ")
            if text is None:
                os.mkfifo(other)
            else:
                other.write_text(text, encoding="utf-8")
            other.replace(plan)
            time.sleep(after_s)
            began = time.monotonic()
            watch.process.send_signal(signal.SIGINT)
            assert watch.process.wait(60) == 0
            return time.monotonic() - began


def main() -> None:
    """Print what each plan took, and the middle and most of all."""
    for name, texts in (("hostile", HOSTILE.values()), ("good", [GOOD])):
        took = [seconds_to_end(text, after) for text in texts for after in _AFTER_S]
        middle, most = statistics.median(took), max(took)
        print(f"{name}: {len(took)} tries, median {middle:.2f} s, most {most:.2f} s")


if __name__ == "__main__":
    main()
