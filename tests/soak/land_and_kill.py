"""Kill the real watch while raw files land: `python tests/soak/land_and_kill.py --frames 100000`.

`--frames 0 --a-round 10000` is the soak: one life of the watch, with what it holds of memory.

Every frame must be kept exactly once, in landing order, with the verdict that it has where nobody
kills the watch. Rounds that were run are kept in a file (`--kept`), so that a run that is cut off
is taken up again, and are summed over all runs and seeds. It ends with 1 where a promise is broken.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_frames"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from soak.landing import Outcome, Pictures, counted, one_round, states_from

BROKEN = (
    *("lost", "doubled", "out of order", "other verdicts"),
    *("ledgers not sound", "folders changed"),
)


def summed(rounds: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the figures of all rounds together."""
    total = {name: sum(one[name] for one in rounds) for name in ("landed", "kept", *BROKEN)}
    for name in ("kills", "verdicts"):
        total[name] = dict(sum((Counter(one[name]) for one in rounds), Counter()))
    return {**total, "hours": round(sum(one["took_s"] for one in rounds) / 3600, 2)}


def rounds_of(kept: Path) -> list[dict[str, Any]]:
    """Return the rounds that were run so far."""
    if not kept.exists():
        return []
    return [json.loads(line) for line in kept.read_text(encoding="utf-8").splitlines()]


def run_rounds(chosen: argparse.Namespace, pictures: Pictures) -> None:
    """Run the rounds of a seed that haven't been run, each kept as soon as it ends.

    Before them comes round 0, in which nobody kills the watch: it gives the verdicts.
    """
    had = {one["round"] for one in rounds_of(chosen.kept) if one["seed"] == chosen.seed}
    undisturbed: dict[str, str] | None = None
    for turn in range(chosen.frames // chosen.a_round + 1):
        if turn in had and turn > 0:
            continue
        began = time.monotonic()
        states = states_from((turn - 1) * chosen.kills, chosen.kills) if turn else []
        outcome = _in_a_folder(chosen, pictures, states=states, turn=turn)
        undisturbed = undisturbed or outcome.verdicts
        if turn in had:
            continue
        took_s = round(time.monotonic() - began, 1)
        figures = {"seed": chosen.seed, "round": turn, **counted(outcome, undisturbed)}
        with chosen.kept.open("a", encoding="utf-8") as lines:
            lines.write(json.dumps({**figures, "took_s": took_s}) + "\n")
        print(f"{time.strftime('%H:%M:%S')} round {turn}: {figures}", flush=True)


def _in_a_folder(
    chosen: argparse.Namespace, pictures: Pictures, *, states: list[str], turn: int
) -> Outcome:
    with tempfile.TemporaryDirectory(dir=chosen.base) as base:
        return one_round(
            Path(base),
            pictures,
            count=chosen.a_round,
            states=states,
            turn=turn,
            seed=chosen.seed,
        )


def main() -> int:
    """Run with what the command line says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--frames",
        type=int,
        default=5000,
        help="of this seed, in all; 0: only one undisturbed round",
    )
    parser.add_argument("--a-round", type=int, default=500, help="frames of one folder")
    parser.add_argument("--kills", type=int, default=3, help="in each round")
    parser.add_argument("--seed", type=int, default=8)
    parser.add_argument("--kept", type=Path, default=Path("land_and_kill.jsonl"))
    parser.add_argument("--base", type=Path, help="where folders are made, as on a fast disk")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as base:
        run_rounds(chosen, Pictures(Path(base)))
    total = summed(rounds_of(chosen.kept))
    for name, figure in total.items():
        print(f"{name}: {figure}")
    return 1 if any(total[name] for name in BROKEN) else 0


if __name__ == "__main__":
    sys.exit(main())
