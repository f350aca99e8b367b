"""Count the lamps room's figures over made shoots, as docs/lamps.md prints them.

`python tests/bench/figures_lamps.py` takes over an hour on two cores; `dial`, `lamps` or `spots`
runs one figure alone, `--count N` so many shoots, `--jobs N` in so many processes.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
for folder in (ROOT / "tests", ROOT / "sample_frames"):
    sys.path.insert(0, str(folder))

from support.lamp_figures import Dialled, Read, dialled_shoot, read_shoot  # noqa: E402 - own path
from support.spot_figures import SpotRead, read_spots  # noqa: E402 - own path

if TYPE_CHECKING:
    from collections.abc import Sequence


def show_dial(found: Sequence[Dialled], *, verbose: bool) -> None:
    """Dialled settings against the best on the grid, predicted zones against frames then made."""
    within = sum(one.is_within_a_step for one in found)
    print(f"dialled within one step of the best: {within} of {len(found)}")
    for name in found[0].turns:
        off = [one.steps_off[name] for one in found]
        print(
            f"    {name}: worst {max(off):.0f} steps, {np.mean(np.array(off) < 1.5):.1%} within 1"
        )
    zones = np.array([abs(off) for one in found for off in one.off.values()])
    worst = {n: max(abs(one.off[n]) for one in found if n in one.off) for n in found[0].off}
    print(
        f"predicted zones: {np.mean(zones <= 0.1):.2%} of {zones.size} within 0.1 stop, 99 of 100 "
        f"within {np.percentile(zones, 99):.3f}, worst {zones.max():.3f}"
    )
    print("    worst by patch:", ", ".join(f"{n} {off:.3f}" for n, off in worst.items()))
    for one in found if verbose else ():
        if not one.is_within_a_step or max(map(abs, one.off.values())) > 0.1:
            print("   ", one)


def show_lamps(found: Sequence[Read], *, verbose: bool) -> None:
    """Print outputs against their truth, lamps that are out, and false calls."""
    for kind in dict.fromkeys(one.kind for one in found):
        own = [one for one in found if one.kind == kind]
        good = [one for one in own if one.out is None]
        off = np.array(
            [abs(o) for one in good for n in one.readings if (o := one.off(n)) is not None]
        )
        limit = 0.1 if kind.startswith("still") else 0.4
        lamps = len(good) * len(good[0].readings)
        print(
            f"{kind}: {len(good)} good frames, {sum(bool(one.false_calls) for one in good)} with a "
            f"false call; seen {off.size} of {lamps}, {np.sum(off <= limit)} within {limit}, "
            f"99 of 100 within {np.percentile(off, 99):.3f}, worst {off.max():.3f}"
        )
        out = [one for one in own if one.out is not None]
        if out:
            named = [one for one in out if one.readings[one.out].state == "out"]
            false = sum(bool(one.false_calls) for one in out)
            print(f"    out: {len(named)} of {len(out)} named; a false call beside it in {false}")
            missed = [one.out for one in out if one not in named]
            for name in dict.fromkeys(missed):
                print(f"        {name}: {missed.count(name)} missed")
        for one in own if verbose else ():
            _show_wrong(one, limit)


def _show_wrong(one: Read, limit: float) -> None:
    wrong = [n for n in one.readings if (off := one.off(n)) is not None and abs(off) > limit]
    missed = one.out is not None and one.readings[one.out].state != "out"
    if one.false_calls or (wrong and one.out is None) or missed:
        told = {
            n: (r.stops and round(r.stops, 2), r.uncertainty and round(r.uncertainty, 2), r.state)
            for n, r in one.readings.items()
        }
        print("   ", one.seed, one.out, [round(w, 3) for w in one.where], told)


def show_spots(found: Sequence[SpotRead], *, verbose: bool) -> None:
    """Print what each kind of frame was read as, and how far output and move lie from the truth."""
    for kind in dict.fromkeys(one.kind for one in found):
        own = [one for one in found if one.kind == kind]
        states = [one.spot.state for one in own]
        told = ", ".join(f"{states.count(state)} {state}" for state in dict.fromkeys(states))
        out = [
            one.spot.output_stops - one.stops for one in own if one.spot.output_stops is not None
        ]
        worst = f"; output off by {max(map(abs, out)):.3f} at most" if out else ""
        false = sum(one.lamp.state in ("out", "weak", "strong") for one in own)
        print(f"{kind}: {len(own)} frames: {told}{worst}; lamp falsely off in {false}")
    gone = [one for one in found if one.spot.state == "sitter out of the spot"]
    print("    the cheek's true loss where the sitter was called out of the spot:")
    print("   ", ", ".join(f"{one.lost:+.2f}" for one in sorted(gone, key=lambda one: one.lost)))
    lost = [one for one in found if one.kind in ("moved", "both") and one.lost < -1.0]
    print(f"    called in {sum(one in gone for one in lost)} of {len(lost)} that lost over a stop")
    for one in found if verbose else ():
        print("   ", one)


def _spots(seed: int) -> list[SpotRead]:
    try:
        return list(read_spots(seed))
    except ValueError as error:
        print(error)
        return []


def _listed(seed: int) -> list[Read]:
    return list(read_shoot(seed))


def main() -> None:
    """Run the figures that were asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("name", nargs="?", choices=("dial", "lamps", "spots"))
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--verbose", action="store_true")
    said = parser.parse_args()
    seeds = range(said.start, said.start + said.count)
    with ProcessPoolExecutor(said.jobs, mp_context=get_context("spawn")) as pool:
        if said.name in (None, "spots"):
            spots = [one for many in pool.map(_spots, seeds) for one in many]
            show_spots(spots, verbose=said.verbose)
        if said.name in (None, "lamps"):
            found = [one for many in pool.map(_listed, seeds) for one in many]
            show_lamps(found, verbose=said.verbose)
        if said.name in (None, "dial"):
            show_dial(list(pool.map(dialled_shoot, seeds)), verbose=said.verbose)


if __name__ == "__main__":
    main()
