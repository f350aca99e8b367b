"""Land spoiled files before the real watch: `python tests/soak/fuzz_frames.py --files 20000`.

It must never stop, stay as small as it was, and call no spoiled file on plan where its whole parent
was off plan. What breaks a promise is printed, kept in the folder `--keep`, and ends with 1.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_frames"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np

from soak.fuzzing import Fuzz
from soak.mutating import MUTATIONS

if TYPE_CHECKING:
    from soak.fuzzing import Outcome


def tell(outcome: Outcome) -> int:
    """Print the figures and return the exit code."""
    print("whole parents:", dict(Counter(outcome.parents.values())))
    for how in MUTATIONS:
        row = {v: n for (name, v), n in sorted(outcome.verdicts.items()) if name == how.__name__}
        print(f"{how.__name__:>14}: {row}")
    print("unreadable for:", dict(outcome.reasons.most_common()))
    print(f"judged {outcome.judged}, workers used {len(outcome.workers)}")
    watch, worker = outcome.growth()
    peak = np.array(outcome.megabytes).max(axis=0)
    print(f"memory grew: watch {watch:+.1f} MB, worker {worker:+.1f} MB; most: {peak.round()}")
    print(f"on plan with other pixels, parent not on plan: {outcome.wrong}")
    print(f"on plan with a parent's pixels and another header: {len(outcome.by_header)}")
    for spoiled in outcome.by_header:
        print("   ", spoiled)
    print("the watch ended with", outcome.exit_code)
    return 1 if outcome.wrong or outcome.exit_code else 0


def main() -> int:
    """Run with what the command line says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=8)
    parser.add_argument("--shrink", type=int, default=4, help="cells that become one, each way")
    parser.add_argument("--keep", type=Path, default=Path("fuzz-kept"))
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as base:
        fuzz = Fuzz(Path(base), shrink=chosen.shrink, seed=chosen.seed, keep=chosen.keep)
        return tell(fuzz.run(chosen.files))


if __name__ == "__main__":
    sys.exit(main())
