"""Hold light that is tried to the frames made with it: `python tests/bench/figures_trying.py`.

`--model own` or `relief`, `--count N` trials from `--first`: each turns every lamp by up to 2
stops, the sitter still, flashes as set. `--also off`, `metres`, `gels` or `camera` (relief) changes
that too. Patches count where neither frame nor trial clips them, paper where next to nothing of
the frame clips: a frame reads no blown paper. What is clipped is said as a range besides.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections import defaultdict
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
for folder in (ROOT / "tests", ROOT / "sample_frames"):
    sys.path.insert(0, str(folder))

from stopwise.lamps.dial import Dials  # noqa: E402 - after the path to our own helpers
from stopwise.lamps.superposition import clipped_range, clipped_shares  # noqa: E402
from stopwise.lamps.trial import LightChanges, Trial  # noqa: E402
from stopwise.measurement import read  # noqa: E402
from stopwise.stops import exact_f_number  # noqa: E402
from support.played_shoots import STEP, OwnSet, ReliefSet, Shooting  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from stopwise.frame import Frame
    from stopwise.plan.model import Plan
    from support.relief_studio import Disc

TRIALS_A_SET = 4
MOST_STOPS = 2.0
BOUNDS = {"zone": 0.05, "paper": 0.05, "left right": 0.05, "ratio": 0.05, "clipped share": 0.002}
"""Stops, and share of the frame."""

GEL, GEL_STOPS = "made", (-0.3, -0.9, -2.1)
ON_SITTER = 3
"""Lamps that light the sitter, the first of the relief's: one of them is changed."""

CAMERA = {100.0: 5.6, 200.0: 11.0, 400.0: 8.0, 800.0: 11.0}
"""ISO and marked aperture; the solos have 200 and f/8."""


@dataclass(frozen=True)
class Change:
    """What is tried besides power, and the camera that shoots the set so, of stops by lamp."""

    trial: Trial
    shot: Callable[[Mapping[str, float]], Frame]


def metres(lamp: Disc) -> float:
    """Return how far a lamp stands from what it points at."""
    return round(math.dist(lamp.at, lamp.aim) / 100.0, 2)


def drawn_change(kind: str | None, shooting: Shooting, rng: np.random.Generator) -> Change:
    """Draw a change of a kind."""
    if kind is None:
        return Change(Trial(), shooting.made.shot)
    studio = shooting.made.studio
    lamp = studio.lamps[int(rng.integers(ON_SITTER))]
    if kind == "off":

        def without(stops: Mapping[str, float]) -> Frame:
            return studio.frame({name: by for name, by in stops.items() if name != lamp.name})

        return Change(Trial(off=(lamp.name,)), without)
    if kind == "gels":
        tint = tuple(part * 2.0**stops for part, stops in zip(lamp.tint, GEL_STOPS, strict=True))
        gelled = studio.with_lamp(replace(lamp, tint=tint))
        return Change(Trial(gels={lamp.name: GEL}), gelled.frame)
    if kind == "metres":
        there = round(metres(lamp) * 2.0 ** float(rng.uniform(-0.5, 0.5)), 2)
        aim, at = np.asarray(lamp.aim), np.asarray(lamp.at)
        place = tuple(aim + (at - aim) * there / metres(lamp))
        moved = studio.with_lamp(replace(lamp, at=place))
        return Change(Trial(metres={lamp.name: there}), moved.frame)
    iso = float(rng.choice(list(CAMERA)))
    f_number = CAMERA[iso]
    lift = math.log2(iso / 200.0) - 2.0 * math.log2(exact_f_number(f_number) / 8.0)
    shot = partial(studio.frame, iso=iso, f_number=f_number, lift=lift)
    return Change(Trial(camera={"iso": iso, "f_number": f_number}), shot)


def with_places(plan: Plan, lamps: tuple[Disc, ...]) -> Plan:
    """Return a plan that says how far its lamps stand."""
    far = {lamp.name: metres(lamp) for lamp in lamps}
    lights = [one.model_copy(update={"distance": far[one.name]}) for one in plan.lights]
    return plan.model_copy(update={"lights": lights})


def trial(
    shooting: Shooting, rng: np.random.Generator, kind: str | None
) -> dict[str, list[tuple[float, float]]]:
    """Return how far one trial lies off the frame that is made so, and two sigmas, by figure."""
    most = round(MOST_STOPS / STEP)
    turns = {}
    for name in shooting.made.names:
        power = shooting.plan.light(name).power
        turn = STEP * float(rng.integers(-most, most + 1))
        turns[name] = round(min(max(power + turn, -8.0), 0.0) - power, 4)
    change = drawn_change(kind, shooting, rng)
    lamps = shooting.lamps
    if kind is not None:
        plan = with_places(shooting.plan, shooting.made.studio.lamps)
        lamps = LightChanges(plan, lamps, {GEL: GEL_STOPS}).relit(change.trial)
    answer = Dials(lamps, shooting.now, trial=change.trial).tried(turns)
    stops = {
        name: shooting.plan.light(name).power - shooting.right[name] + turn
        for name, turn in turns.items()
    }
    made = read(change.shot(stops), shooting.plan).measurement
    off: dict[str, list[tuple[float, float]]] = defaultdict(list)
    clean = {}
    for name, tried in answer.predicted.patches.items():
        patch = made.patches[name]
        if patch.zone is not None and not patch.clipped and not tried.clipped:
            doubt = 2.0 * math.hypot(tried.uncertainty, patch.uncertainty)
            off["zone"].append((tried.zone - patch.zone, doubt))
            clean[name] = patch
    for stops_then, ratio in zip(answer.ratios, shooting.now.ratios, strict=True):
        if stops_then is not None and {ratio.lit, ratio.shadow} <= clean.keys():
            pair = [clean[ratio.lit], clean[ratio.shadow]]
            tried_too = [answer.predicted.patches[name] for name in (ratio.lit, ratio.shadow)]
            doubt = 2.0 * math.hypot(*(one.uncertainty for one in (*pair, *tried_too)))
            off["ratio"].append((stops_then - (pair[0].log2_y - pair[1].log2_y), doubt))
    share = float(np.mean(clipped_shares(answer.picture)))
    least, most_clipped = clipped_range(answer.picture)
    margin = BOUNDS["clipped share"]
    is_said = least - margin <= made.clipping.any <= most_clipped + margin
    off["clipped share"].append((share - made.clipping.any, math.inf if is_said else 0.0))
    if max(share, made.clipping.any) > margin:
        return off
    paper, read_paper = answer.predicted.backdrop, made.backdrop
    for figure, key in (("paper", "zone"), ("left right", "left_right")):
        then, measured = getattr(paper, key), getattr(read_paper, key)
        if then is not None and measured is not None:
            own = read_paper.uncertainty.get(key) or 0.0
            doubt = 2.0 * math.hypot(answer.predicted.paper_doubt(key), own)
            off[figure].append((then - measured, doubt))
    return off


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--model", choices=["own", "relief"], default="relief")
    parser.add_argument("--also", choices=["off", "metres", "gels", "camera"])
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    asked = parser.parse_args()
    if asked.also and asked.model == "own":
        parser.error("--also changes a set of the relief's.")
    off = defaultdict(list)
    for number in range(asked.count):
        seed = asked.first + number
        if number % TRIALS_A_SET == 0:
            made = OwnSet(seed) if asked.model == "own" else ReliefSet(seed)
            shooting = Shooting.begin(made, seed)
        rng = np.random.default_rng(70_000 + seed)
        for figure, found in trial(shooting, rng, asked.also).items():
            off[figure] += found
    print(f"{asked.model}, {asked.also or 'powers alone'}: {asked.count} trials from {asked.first}")
    for figure, bound in BOUNDS.items():
        if not off[figure]:
            continue
        by, doubt = np.abs(off[figure]).T
        near, said = by <= bound, by <= np.maximum(doubt, bound)
        print(
            f"    {figure}: {near.sum()} of {len(by)} within {bound:g}, {(said & ~near).sum()} "
            f"more within what is said, 99 % in {np.quantile(by, 0.99):.4f}, most {by.max():.4f}"
        )


if __name__ == "__main__":
    main()
