"""Hold powers that are tried to the frames made with them: `python tests/bench/figures_trying.py`.

`--model own` or `relief`, `--count N` trials from `--first`: each turns every lamp by up to 2
stops, the sitter still, flashes as set. Patches count where neither frame nor trial clips them.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections import defaultdict
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
for folder in (ROOT / "tests", ROOT / "sample_frames"):
    sys.path.insert(0, str(folder))

from stopwise.lamps.dial import Dials  # noqa: E402 - after the path to our own helpers
from stopwise.lamps.superposition import clipped_shares  # noqa: E402
from stopwise.measurement import read  # noqa: E402
from support.played_shoots import STEP, OwnSet, ReliefSet, Shooting  # noqa: E402

TRIALS_A_SET = 4
MOST_STOPS = 2.0
BOUNDS = {"zone": 0.05, "zone beyond two sigmas": 0.0, "ratio": 0.05, "clipped share": 0.002}
"""Stops, stops, and share of the frame."""


def trial(shooting: Shooting, rng: np.random.Generator) -> dict[str, list[float]]:
    """Return how far one trial lies off the frame that is then made, by figure."""
    most = round(MOST_STOPS / STEP)
    turns = {}
    for name in shooting.made.names:
        power = shooting.plan.light(name).power
        turn = STEP * float(rng.integers(-most, most + 1))
        turns[name] = round(min(max(power + turn, -8.0), 0.0) - power, 4)
    answer = Dials(shooting.lamps, shooting.now).tried(turns)
    stops = {
        name: shooting.plan.light(name).power - shooting.right[name] + turn
        for name, turn in turns.items()
    }
    made = read(shooting.made.shot(stops), shooting.plan).measurement
    off = defaultdict(list)
    clean = {}
    for name, tried in answer.predicted.patches.items():
        patch = made.patches[name]
        if patch.zone is not None and not patch.clipped and not tried.clipped:
            off["zone"].append(tried.zone - patch.zone)
            doubt = 2.0 * math.hypot(tried.uncertainty, patch.uncertainty)
            off["zone beyond two sigmas"].append(max(abs(off["zone"][-1]) - doubt, 0.0))
            clean[name] = patch
    for stops_then, ratio in zip(answer.ratios, shooting.now.ratios, strict=True):
        if stops_then is not None and {ratio.lit, ratio.shadow} <= clean.keys():
            measured = clean[ratio.lit].log2_y - clean[ratio.shadow].log2_y
            off["ratio"].append(stops_then - measured)
    share = float(np.mean(clipped_shares(answer.picture)))
    off["clipped share"].append(share - made.clipping.any)
    return off


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--model", choices=["own", "relief"], default="relief")
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    off = defaultdict(list)
    for number in range(asked.count):
        seed = asked.first + number
        if number % TRIALS_A_SET == 0:
            made = OwnSet(seed) if asked.model == "own" else ReliefSet(seed)
            shooting = Shooting.begin(made, seed)
        for figure, found in trial(shooting, np.random.default_rng(70_000 + seed)).items():
            off[figure] += found
    print(f"{asked.model}: {asked.count} trials from {asked.first}")
    for figure, bound in BOUNDS.items():
        found = np.abs(off[figure])
        if len(found):
            within = int((found <= bound).sum())
            print(
                f"    {figure}: {within} of {len(found)} within {bound:g}, 99 of 100 within "
                f"{np.quantile(found, 0.99):.4f}, most {found.max():.4f}"
            )


if __name__ == "__main__":
    main()
