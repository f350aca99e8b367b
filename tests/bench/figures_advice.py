"""Play shoots through, each frame's turns done as told: `python tests/bench/figures_advice.py`.

`--model own` or `relief`, `--count N` shoots from `--first`, four draws of dials on each set. A row
is printed for each shoot, so that a run that is broken off has told what it found.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
for folder in (ROOT / "tests", ROOT / "sample_frames"):
    sys.path.insert(0, str(folder))

from support.played_shoots import OwnSet, Played, ReliefSet, Shooting, play  # noqa: E402

MODES = (
    ("by", False),
    ("by", True),
    ("to", False),
    ("to", True),
    ("headline", False),
    ("headline", True),
)
DRAWS = 4


def show(found: dict[tuple[str, bool], list[Played]]) -> None:
    """Print how many came on plan with which frame, and how far the worst went out."""
    for (how, said), shoots in found.items():
        total = len(shoots)
        next_, after = (sum(one.on_plan_by(n) for one in shoots) for n in (1, 2))
        late = sum(one.on_plan_by(one.off + 1) for one in shoots)
        ever = sum(one.on_plan_by(99) for one in shoots)
        far = max(one.farthest for one in shoots)
        farther = sum(one.farthest > 0.1 for one in shoots)
        print(
            f"{how}{', announced' if said else ''}: next {next_}, the one after {after}, within "
            f"lamps off + 1: {late}, ever {ever} of {total}; farther by over 0.1: {farther}, "
            f"most {far:.2f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--model", choices=["own", "relief"], default="relief")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    found: dict[tuple[str, bool], list[Played]] = defaultdict(list)
    for seed in range(asked.first, asked.first + asked.count, DRAWS):
        made = OwnSet(seed) if asked.model == "own" else ReliefSet(seed)
        for draw in range(DRAWS):
            shooting = Shooting.begin(made, seed + draw)
            for how, said in MODES:
                played = play(shooting, how, is_announced=said)
                found[how, said].append(played)
                late = how != "headline" and not played.on_plan_by(1)
                if late or played.verdicts[-1] != "on plan" or played.farthest > 0.1:
                    print(seed + draw, how, said, played, flush=True)
        print("---", seed)
        show(found)
        sys.stdout.flush()


if __name__ == "__main__":
    main()
