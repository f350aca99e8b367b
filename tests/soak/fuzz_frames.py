"""Spoiled files through the real watch or `check`: `fuzz_frames.py --way watch --files 50000`.

The watch must never end, and no bad file delay a good frame's verdict by more than 10 s, take more
than 1.5 GiB, show a traceback, or be changed itself; `check` must give a record for each file. Sums
are kept in the folder `--state` for each way and seed, beside the files that broke a promise: a run
that was ended goes on where it was. Ends with 1 where a promise was broken.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_frames"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from soak.fuzzing import run
from soak.tally import Tally

if TYPE_CHECKING:
    from collections.abc import Sequence


def tell(tallies: Sequence[Tally]) -> int:
    """Print the sums and return the exit code."""
    rows: dict[str, Counter[str]] = {}
    reasons: Counter[str] = Counter()
    for tally in tallies:
        reasons.update(tally.reasons)
        for how, row in tally.verdicts.items():
            rows.setdefault(how, Counter()).update(row)
    for how, row in sorted(rows.items()):
        print(f"{how:>20}: {dict(row.most_common())}")
    print("unreadable for:", dict(reasons.most_common()))
    for tally in tallies:
        own, worker = tally.megabytes
        print(
            f"{tally.way}, seed {tally.seed}: {tally.done} files in {tally.seconds:.0f} s; "
            f"longest wait {tally.longest_s:.1f} s, for a whole frame {tally.longest_whole_s:.1f} s"
            f" with {tally.its_processor_s:.1f} s of a processor; most memory {own:.0f} MB, "
            f"worker {worker:.0f} MB; {tally.replaced} workers replaced; "
            f"on plan wrongly {len(tally.wrong)}, by another header {len(tally.by_header)}; "
            f"faults {len(tally.faults)}"
        )
        for number, what in tally.faults:
            print(f"  file {number}: {what.strip().splitlines()[-1]}")
    print(f"{sum(tally.done for tally in tallies)} files in all")
    return 1 if any(tally.faults or tally.wrong for tally in tallies) else 0


def main() -> int:
    """Run with what the command line says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--way", choices=("watch", "check"), default="watch")
    parser.add_argument("--files", type=int, default=20_000, help="in all, of this way and seed")
    parser.add_argument("--seed", type=int, default=8)
    parser.add_argument("--minutes", type=float, default=float("inf"), help="at most, now")
    parser.add_argument("--shrink", type=int, default=6, help="cells that become one, each way")
    parser.add_argument("--state", type=Path, default=Path("fuzz-state"))
    parser.add_argument("--sums", action="store_true", help="only tell of all ways and seeds")
    chosen = parser.parse_args()
    if not chosen.sums:
        run(
            chosen.state,
            way=chosen.way,
            seed=chosen.seed,
            files=chosen.files,
            at_most_s=60.0 * chosen.minutes,
            shrink=chosen.shrink,
        )
    kept = (path.stem.rpartition("-") for path in sorted(chosen.state.glob("*-*.json")))
    return tell([Tally.load(chosen.state, way, int(seed)) for way, _, seed in kept])


if __name__ == "__main__":
    sys.exit(main())
