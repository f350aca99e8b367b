"""Read lamps by solos out of the build-up: `python tests/bench/figures_build_up.py`.

In each shoot lamps come on one after the other, a frame each, off what is right by up to 0.6 stop,
at ISO 100, 200 or 400, the flash varying; every solo but the first is what a frame shows over the
one before. Three frames follow with all lamps turned by up to a stop, and each lamp's output is
held against the truth. `--model own` or `relief`, `--count N` from `--first`; `--sway 0.005` has
the sitter sway by that part of the picture's width from frame to frame, one sigma.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for folder in (ROOT / "tests", ROOT / "sample_frames"):
    sys.path.insert(0, str(folder))

from support.built_up import OwnBuildUp, ReliefBuildUp, built_up  # noqa: E402


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--model", choices=["own", "relief"], default="relief")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--sway", type=float, default=0.0)
    asked = parser.parse_args()
    held, read, unread, kept, worst = 0, 0, 0, 0, 0.0
    for seed in range(asked.first, asked.first + asked.count):
        made = OwnBuildUp(seed) if asked.model == "own" else ReliefBuildUp(seed)
        found = built_up(made, seed, sway=asked.sway)
        off = max(map(abs, found.off), default=0.0)
        kept += not found.refused
        held += off <= 0.1 and not found.refused
        read, unread, worst = read + len(found.off), unread + found.unread, max(worst, off)
        print(seed, found, flush=True)
    print(
        f"{asked.count} shoots: all solos kept in {kept}; every output that is read within 0.1 "
        f"stop in {held}; {read} read, {unread} not seen, worst {worst:.3f}"
    )


if __name__ == "__main__":
    main()
