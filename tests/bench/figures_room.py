"""Hold rooms to move against sitters who move: `python tests/bench/figures_room.py --count 100`."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for folder in (ROOT / "tests", ROOT / "sample_frames"):
    sys.path.insert(0, str(folder))

from support.spot_rooms import rooms  # noqa: E402


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--first", type=int, default=100)
    asked = parser.parse_args()
    sides, off = 0, []
    for seed in range(asked.first, asked.first + asked.count):
        for found, true in rooms(seed):
            sides += 1
            if found is not None:
                off.append(abs(found - (true or 1.0)))
        worst = max(off, default=0.0)
        within = sum(one <= 0.01 for one in off)
        told = f"{len(off)} of {sides} sides told, {within} within 1 % of the width"
        print(f"{seed}: {told}, worst {worst:.3f}", flush=True)


if __name__ == "__main__":
    main()
