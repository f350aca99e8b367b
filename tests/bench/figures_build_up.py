"""Read lamps by solos out of the build-up: `python tests/bench/figures_build_up.py`.

In each shoot lamps come on one after the other, a frame each, off what is right by up to 0.6 stop,
at ISO 100, 200 or 400, the flash varying; every solo but the first is what a frame shows over the
one before. Three frames follow with all lamps turned by up to a stop, and each lamp's output is
held against the truth. `--model own` or `relief`, `--count N` from `--first`; `--sway 0.005` has
the sitter sway by that part of the picture's width from frame to frame, one sigma. `--turned-up`
ends each build-up with a frame in which a lamp that was lit before is turned up by 0.3 to 1 stop
and nobody says so, and counts in how many that frame says so and names it.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

ROOT = Path(__file__).resolve().parents[2]
for folder in (ROOT / "tests", ROOT / "sample_frames"):
    sys.path.insert(0, str(folder))

from support.built_up import BuildUp, OwnBuildUp, ReliefBuildUp, built_up  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence


def show_turned_up(makes: Callable[[int], BuildUp], seeds: Sequence[int], *, sway: float) -> None:
    """Print in how many build-ups a lamp that was turned up in silence is named in that frame."""
    named, others = 0, 0
    for seed in seeds:
        found = built_up(makes(seed), seed, sway=sway, is_turned_up=True)
        lamp = None if found.turned_up is None else found.turned_up[0]
        is_named = any(f"gives more ('{lamp}',)" in one for one in found.refused)
        named, others = named + is_named, others + (bool(found.refused) and not is_named)
        print(seed, found, flush=True)
    print(f"{len(seeds)} turned up: named in that frame {named}, something else said {others}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--model", choices=["own", "relief"], default="relief")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--sway", type=float, default=0.0)
    parser.add_argument("--turned-up", action="store_true")
    asked = parser.parse_args()
    seeds = range(asked.first, asked.first + asked.count)
    makes = OwnBuildUp if asked.model == "own" else ReliefBuildUp
    if asked.turned_up:
        show_turned_up(makes, seeds, sway=asked.sway)
        return
    held, read, unread, kept, worst = 0, 0, 0, 0, 0.0
    for seed in seeds:
        found = built_up(makes(seed), seed, sway=asked.sway)
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
