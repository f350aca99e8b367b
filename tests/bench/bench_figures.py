"""Count the measuring room's figures over all their made cases, as docs/measuring.md prints them.

`python tests/bench/bench_figures.py` takes about half an hour; a name (zones, honest, clip, false,
follow, gone) runs one figure alone, and `--count N` runs so many cases of it.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

for folder in (Path(__file__).resolve().parents[1], Path(__file__).resolve().parents[2]):
    sys.path.insert(0, str(folder))

from support.figures import (  # noqa: E402 - after the path to our own helpers
    follow_cases,
    gone_scores,
    soft_clip_cases,
    unclipped_cases,
    zone_cases,
)

if TYPE_CHECKING:
    from collections.abc import Callable


def zones(count: int) -> None:
    """Zones against their truth, every kind of mosaic."""
    cases = list(zone_cases(count))
    for kind in dict.fromkeys(case.kind for case in cases):
        own = [case for case in cases if case.kind == kind]
        off = np.array([abs(case.off) for case in own])
        over = off - [case.uncertainty for case in own]
        print(
            f"    {kind}: {len(own)} boxes, 95 of 100 within {np.percentile(off, 95):.4f} stop, "
            f"worst {off.max():.4f}, worst over its uncertainty {over.max():.4f}"
        )


def honest(count: int) -> None:
    """How many zones lie within the uncertainty that they state."""
    for read_at in (50.0, 90.0):
        cases = list(zone_cases(count, read_at=read_at, seed=4))
        share = np.mean([abs(case.off) <= case.uncertainty for case in cases])
        print(f"    read at the {read_at:.0f}th percentile: {100 * share:.1f} % of {len(cases)}")


def clip(count: int) -> None:
    """Photosites counted as clipped against the true count, soft pile-ups."""
    cases = list(soft_clip_cases(count))
    found = [case for case in cases if case.levels.saturation_source == "observed"]
    off = np.array([abs(case.off) for case in found])
    print(f"    pile-up found in {len(found)} of {len(cases)}")
    print(
        f"    off by {100 * np.median(off):.2f} % (middle), {100 * np.percentile(off, 95):.2f} % "
        f"(95 of 100), {100 * off.max():.2f} % (worst); {np.sum(off > 0.02)} over 2 %"
    )
    for case in cases:
        if case not in found or abs(case.off) > 0.02:
            print(f"    {case.levels.saturation_source}: {case.told}, off {case.off:+.3f}")


def false(count: int) -> None:
    """Photosites called clipped in frames in which none is."""
    cases = list(unclipped_cases(count))
    wrong = [case for case in cases if case.counted - case.true > 1e-5 * case.photosites]
    total = sum(case.counted - case.true for case in cases)
    share = total / sum(case.photosites for case in cases)
    print(f"    {share:.1e} of all photosites; {len(wrong)} of {len(cases)} frames over 1e-5")
    for case in wrong:
        print(f"    {case.told}: {(case.counted - case.true) / case.photosites:.1e}")


def follow(count: int) -> None:
    """Where patches are found again after a move."""
    moves = list(follow_cases(count))
    print(f"    {len(moves)} moves, {np.mean([_all_near(m) for m in moves]):.1%} with all near")
    for patch in dict.fromkeys(case.patch for move in moves for case in move):
        own = [case for move in moves for case in move if case.patch == patch]
        near = np.mean([case.off <= 0.005 for case in own])
        seen = np.mean([case.seen for case in own])
        wrong = sum(case.seen and case.off > 0.02 for case in own)
        print(
            f"    {patch}: {len(own)} in the frame, {near:.1%} within 0.5 % of the width, "
            f"{seen:.1%} seen, {wrong} seen and off by over 2 %, "
            f"worst of those seen {max((c.off for c in own if c.seen), default=0.0):.2%}"
        )


def _all_near(move: tuple) -> bool:
    return all(case.off <= 0.005 for case in move)


def gone(count: int) -> None:
    """Scores in frames that the sitter has left."""
    scores = list(gone_scores(count))
    print(f"    {len(scores)} frames, greatest score {max(scores):.2f}; it takes 0.6 to be seen")


FIGURES: dict[str, tuple[Callable[[int], None], int]] = {
    "zones": (zones, 800),
    "honest": (honest, 1000),
    "clip": (clip, 200),
    "false": (false, 1000),
    "follow": (follow, 300),
    "gone": (gone, 100),
}


def main() -> None:
    """Run the figures that are named, or all."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("name", nargs="?", choices=FIGURES)
    options.add_argument("--count", type=int)
    chosen = options.parse_args()
    for name in [chosen.name] if chosen.name else FIGURES:
        count_up, cases = FIGURES[name]
        began = time.perf_counter()
        print(f"{name}: {(count_up.__doc__ or '').strip()}", flush=True)
        count_up(chosen.count or cases)
        print(f"    {time.perf_counter() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
