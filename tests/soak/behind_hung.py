"""Measure how long a good frame waits behind files on which the decoder hangs.

python tests/soak/behind_hung.py

Each try has a watch of its own with two workers and the sample plan, whose own frames each worker
reads before its first file.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_frames"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from folder.test_faults import Set
from soak.parents import SAMPLES

_FIRST, _GOOD = "F0010.dng", "F0011.dng"


def seconds_behind(hanging: int, *, fault: str) -> float:
    """Land so many files that hang and a good frame at once; return its wait for its verdict."""
    with tempfile.TemporaryDirectory() as base:
        made = Set(Path(base))
        for name in ("shoot", "faults"):
            (made.base / name).mkdir()
        with made.watching("--plan", str(SAMPLES / "plan.toml"), "--workers", "2") as watch:
            _copy(_FIRST, made.folder)
            watch.wait(lambda: watch.files == [_FIRST], limit_s=600)
            with made.fault(fault):
                for number in range(hanging):
                    made.land(f"H{number}.dng", seed=number)
                began = time.monotonic()
                _copy(_GOOD, made.folder)
                watch.wait(lambda: _GOOD in watch.files, limit_s=600)
                return time.monotonic() - began


def _copy(name: str, folder: Path) -> None:
    part = folder / f".{name}"
    shutil.copyfile(SAMPLES / name, part)
    part.replace(folder / name)


def main() -> None:
    """Print the wait behind so many, try by try."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tries", type=int, default=3)
    parser.add_argument("--spin", action="store_true", help="compute for ever, not sleep")
    parser.add_argument("--behind", type=int, nargs="*", default=range(13))
    chosen = parser.parse_args()
    fault = "frames-spin" if chosen.spin else "frames-hang"
    for hanging in chosen.behind:
        waits = sorted(seconds_behind(hanging, fault=fault) for _ in range(chosen.tries))
        told = ", ".join(f"{wait:.1f}" for wait in waits)
        print(f"behind {hanging}: {told} s; load {os.getloadavg()[0]:.0f}", flush=True)


if __name__ == "__main__":
    main()
