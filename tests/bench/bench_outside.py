"""Count what is told right, not seen and wrong on material that we did not make.

`python tests/bench/bench_outside.py` draws 600 blown and 600 clean frames of the proving half
(about 15 minutes on two cores); `--building` draws from the half that limits may be set on.
`--count N` takes so many of each, `--first SEED` begins elsewhere, `--list` names the wrong ones.
`--stated` holds stated uncertainties against the truth instead.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

for folder in (Path(__file__).resolve().parents[1], Path(__file__).resolve().parents[2]):
    sys.path.insert(0, str(folder))

from support.outside import (  # noqa: E402 - after the path to our own helpers
    FIRST_PROVING,
    Told,
    blown,
    clean,
    misread,
    stopped_anew,
    told_of,
)

ANSWERS = {
    "blown": ("near", "under", "over", "may be", "fine"),
    "clean": ("clean", "may be", "over"),
}
"""Answers of blown and of clean frames, the right ones first."""


def told(kind: str, seed: int) -> tuple[str, str, str]:
    """Return material, answer and a line on one frame; every sixth is of the real mosaic."""
    if seed % 6 == 5:
        exposed = stopped_anew(seed, blown=kind == "blown")
    else:
        exposed = blown(seed) if kind == "blown" else clean(seed)
    frame: Told = told_of(exposed)
    name = exposed.told.split(" ", 1)[1]
    material = "before paper" if "paper" in name else "real mosaic" if "real" in name else "whole"
    line = (
        f"{exposed.told}: {100 * exposed.any_clipped:.2f} % clipped, told "
        f"{100 * frame.any_clipped:.2f} %, may be {frame.may_be}, {exposed.sensor}"
    )
    return material, frame.answer, line


def print_stated(pool: ProcessPoolExecutor, seeds: range) -> None:
    """Print which share of figures lies within one and two of their stated uncertainties."""
    found = [one for many in pool.map(misread, seeds, chunksize=4) for one in many]
    print(f"stated uncertainties: seeds {seeds.start} to {seeds.stop - 1}")
    print(f"    {'':14}{'figures':>8}{'1 sigma':>8}{'2 sigma':>8}")
    for figure in sorted({one.figure for one in found}):
        errors = [abs(one.error) / one.stated for one in found if one.figure == figure]
        shares = (sum(error <= most for error in errors) / len(errors) for most in (1.0, 2.0))
        print(f"    {figure:14}{len(errors):8}" + "".join(f"{share:8.3f}" for share in shares))


def main() -> None:
    """Draw the frames and print the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--count", type=int, default=600)
    options.add_argument("--first", type=int)
    options.add_argument("--building", action="store_true")
    options.add_argument("--list", action="store_true")
    options.add_argument("--stated", action="store_true")
    options.add_argument("--jobs", type=int, default=2)
    chosen = options.parse_args()
    first = chosen.first
    if first is None:
        first = 0 if chosen.building else FIRST_PROVING
    with ProcessPoolExecutor(chosen.jobs) as pool:
        if chosen.stated:
            print_stated(pool, range(first, first + chosen.count))
            return
        for kind, answers in ANSWERS.items():
            seeds = range(first, first + chosen.count)
            rows = list(pool.map(partial(told, kind), seeds, chunksize=4))
            counted = Counter((material, answer) for material, answer, _ in rows)
            print(f"{kind}: {len(rows)} frames, seeds {seeds.start} to {seeds.stop - 1}")
            print(f"    {'':14}" + "".join(f"{answer:>8}" for answer in answers))
            for material in sorted({material for material, _, _ in rows}):
                cells = (counted[material, answer] for answer in answers)
                print(f"    {material:14}" + "".join(f"{cell:8}" for cell in cells))
            total = Counter(answer for _, answer, _ in rows)
            print(f"    {'all':14}" + "".join(f"{total[answer]:8}" for answer in answers))
            if chosen.list:
                for _, answer, line in rows:
                    if answer not in answers[:1]:
                        print(f"    {answer}: {line}")


if __name__ == "__main__":
    main()
