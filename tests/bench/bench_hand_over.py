"""Time the set sheet and the hand-over of a shoot of 315 frames: the sample day fifteen times.

Run it in the project's folder: python tests/bench/bench_hand_over.py
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "sample_frames")]

from support.checked import check_samples  # noqa: E402 - after the path to our own helpers
from support.kept_day import keep_day  # noqa: E402


def main() -> None:
    """Print seconds by the clock and of the processor, and megabytes, of each."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        ledger = keep_day(folder / "day.sqlite", check_samples()["records"], times=15)
        for command, made in (
            (("sheet", "--out"), folder / "sheet.html"),
            (("sheet", "--out"), folder / "sheet.pdf"),
            (("hand-over",), folder / "handed"),
        ):
            began, before = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
            words = [*command, str(made), "--ledger", str(ledger)]
            subprocess.run(
                [sys.executable, "-m", "stopwise", *words], check=True, capture_output=True
            )
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            files = [one for one in (made, *made.rglob("*")) if one.is_file()]
            print(
                f"{made.name}: {time.monotonic() - began:.1f} s, of a processor "
                f"{after.ru_utime - before.ru_utime:.1f} s, "
                f"{sum(one.stat().st_size for one in files) / 1e6:.1f} MB"
            )


if __name__ == "__main__":
    main()
