"""Kill the real watch while raw files land: `python tests/soak/land_and_kill.py --frames 5000`.

Every frame must be kept exactly once, in landing order. It ends with 1 where one isn't.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_frames"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from soak.landing import run_with_kills

if TYPE_CHECKING:
    from soak.landing import Outcome


def tell(outcome: Outcome, took_s: float) -> int:
    """Print the figures and return the exit code."""
    verdicts = Counter(verdict for _, _, verdict in outcome.kept)
    print(f"{len(outcome.landed)} landed, {len(outcome.kept)} kept: {dict(verdicts)}")
    print(f"killed {outcome.kills[0]} times, {outcome.kills[1]} while files landed")
    print(f"killed at work, with records told: {outcome.worked}")
    print(f"records told by each life: {outcome.lives}")
    print(f"lost {outcome.lost}, doubled {outcome.doubled}")
    print(f"in landing order: {outcome.is_in_landing_order}")
    print(f"ledger sound: {outcome.is_sound}; files as they landed: {outcome.is_untouched}")
    print(f"took {took_s:.0f} s")
    is_good = outcome.is_in_landing_order and outcome.is_sound and outcome.is_untouched
    return 1 if outcome.lost or outcome.doubled or not is_good else 0


def main() -> int:
    """Run with what the command line says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=5000)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=8)
    chosen = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as base:
        outcome = run_with_kills(
            Path(base), count=chosen.frames, kills=chosen.kills, seed=chosen.seed
        )
    return tell(outcome, time.monotonic() - began)


if __name__ == "__main__":
    sys.exit(main())
