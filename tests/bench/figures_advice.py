"""Play shoots through, each frame's turns done as told: `python tests/bench/figures_advice.py`.

`--model own` or `relief`, `--count N` shoots from `--first`, four draws of dials on each set.
`--sitter moved` has him stand up to 2 % of the picture's width off his mark in each frame,
`--sitter turned` turn his head by up to 8 degrees; `--without-solos` begins with none, and has
nobody shoot any, or those that frames ask for. A row is printed for each shoot that didn't arrive
at once, so that a run that is broken off has told what it found.
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


def show(found: dict[tuple[str, bool], list[Played]], *, is_still: bool) -> None:
    """Print how many came on plan with which frame, and how far the worst went out."""
    for (how, said), shoots in found.items():
        total = len(shoots)
        if is_still:
            next_, after = (sum(one.on_plan_by(n) for one in shoots) for n in (1, 2))
            late = sum(one.on_plan_by(one.off + 1) for one in shoots)
            ever = sum(one.on_plan_by(99) for one in shoots)
            came = f"next {next_}, the one after {after}, within lamps off + 1: {late}, ever {ever}"
        else:
            first = [sum(one.arrived_by(n) for one in shoots) for n in (1, 2, 3, 5)]
            came = "targets met with frame 2, 3, 4, 6: " + ", ".join(map(str, first))
        met = sum(one.worst.count(0.0) for one in shoots)
        needless = sum(one.needless for one in shoots)
        far = max(one.farthest for one in shoots)
        farther = sum(one.farthest > 0.1 for one in shoots)
        print(
            f"{how}{', announced' if said else ''}: {came} of {total}; farther by over 0.1: "
            f"{farther}, most {far:.2f}; swings: {sum(one.swings for one in shoots)}; turned away "
            f"from right with all targets met: {needless} of {met} frames"
        )


def show_without_solos(found: dict[bool, list[Played]]) -> None:
    """Print how many came on plan or said what is missing, and how many came where it was shot."""
    ignored, obeyed = found[False], found[True]
    arrived = [one.on_plan_by(5) for one in ignored]
    told = [one.says_what_lacks for one in ignored]
    solos = [len(one.asked) for one in obeyed]
    print(
        f"no solo shot: on plan within 6 frames {sum(arrived)}, says what is missing "
        f"{sum(map(bool.__gt__, told, arrived))} of {len(ignored)}; swings "
        f"{sum(one.swings for one in ignored)}; shot as asked: on plan with frame 3, 4, 6: "
        f"{', '.join(str(sum(one.on_plan_by(n) for one in obeyed)) for n in (2, 3, 5))}; swings "
        f"{sum(one.swings for one in obeyed)}; solos asked for {sum(solos)}",
        flush=True,
    )


def play_without_solos(first: int, count: int, model: str) -> None:
    """Play shoots that begin with no solo, with those shot that are asked for, and without."""
    found: dict[bool, list[Played]] = defaultdict(list)
    for seed in range(first, first + count):
        made = OwnSet(seed) if model == "own" else ReliefSet(seed)
        for shoots in (False, True):
            shooting = Shooting.begin(made, seed, has_solos=False)
            played = play(shooting, "by", is_announced=False, shoots_solos=shoots)
            found[shoots].append(played)
            if not (played.on_plan_by(5) or (played.says_what_lacks and not shoots)):
                print(seed, shoots, played, flush=True)
        show_without_solos(found)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--model", choices=["own", "relief"], default="relief")
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--sitter", choices=["still", "moved", "turned"], default="still")
    parser.add_argument("--without-solos", action="store_true")
    asked = parser.parse_args()
    is_still = asked.sitter == "still"
    modes = MODES if is_still else MODES[:2]
    if asked.without_solos:
        play_without_solos(asked.first, asked.count, asked.model)
        return
    found: dict[tuple[str, bool], list[Played]] = defaultdict(list)
    for seed in range(asked.first, asked.first + asked.count, DRAWS):
        made = OwnSet(seed) if asked.model == "own" else ReliefSet(seed)
        for draw in range(DRAWS):
            shooting = Shooting.begin(made, seed + draw)
            for how, said in modes:
                played = play(shooting, how, is_announced=said, sitter=asked.sitter)
                found[how, said].append(played)
                late = not (played.on_plan_by(1) if is_still else played.arrived_by(3))
                if (late and how != "headline") or played.farthest > 0.1 or played.needless:
                    print(seed + draw, how, said, played, flush=True)
        print("---", seed)
        show(found, is_still=is_still)
        sys.stdout.flush()


if __name__ == "__main__":
    main()
