"""Measure what a ledger that another program holds locked does to a frame's first word and Ctrl-C.

python tests/soak/locked_ledger.py

Of each try: the seconds from landing to a verdict with nobody in the way, the same while
this process holds the ledger locked, and what Ctrl-C then takes.
"""

from __future__ import annotations

import argparse
import signal
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_frames"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from folder.test_faults import Set, locked


def one_try() -> tuple[float, float, float]:
    """Return the three times, seconds."""
    with tempfile.TemporaryDirectory() as base:
        made = Set(Path(base))
        for name in ("shoot", "faults"):
            (made.base / name).mkdir()
        with made.watching("--workers", "2") as watch:
            for number in (1, 2):  # each worker's first file takes longer
                made.land(f"F{number}.dng", seed=number)
                watch.wait(lambda number=number: len(watch.files) == number)
            began = time.monotonic()
            made.land("F3.dng", seed=3)
            watch.wait(lambda: "F3.dng" in watch.files)
            free_s = time.monotonic() - began
            with locked(made.place):
                began = time.monotonic()
                made.land("F4.dng", seed=4)
                watch.wait_for("(not kept yet: F4.dng, measured)")
                locked_s = time.monotonic() - began
                began = time.monotonic()
                watch.process.send_signal(signal.SIGINT)
                assert watch.ended() == 0
                return free_s, locked_s, time.monotonic() - began


def main() -> None:
    """Print the middle and the most of each time."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tries", type=int, default=20)
    chosen = parser.parse_args()
    times = zip(*(one_try() for _ in range(chosen.tries)), strict=True)
    for name, took in zip(("verdict", "verdict while locked", "Ctrl-C"), times, strict=True):
        print(f"{name}: median {statistics.median(took):.2f} s, most {max(took):.2f} s")


if __name__ == "__main__":
    main()
