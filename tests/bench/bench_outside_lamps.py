"""Count what lamps, a turned head and dialled powers are told on portraits that we did not make.

`python tests/bench/bench_outside_lamps.py lamps --count 40` draws 40 sets of the proving half, 9
frames of 4 lamps each, solos up to `--misplaced 0.02` of the width off; `dial --count 40` dials as
many; `split --count 200` splits as many portraits. `--first SEED` begins elsewhere: seeds under
10,000 are of the half that limits were set on. A set takes about 10 s of one core.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

for folder in (Path(__file__).resolve().parents[1], Path(__file__).resolve().parents[2]):
    sys.path.insert(0, str(folder))

from stopwise.lamps.blame import know  # noqa: E402 - after the path to our own helpers
from stopwise.lamps.dial import Dials  # noqa: E402
from stopwise.lamps.seen import Announced, see_lamps  # noqa: E402
from stopwise.measurement import Known, measure, read  # noqa: E402
from stopwise.plan.now import plan_now  # noqa: E402
from stopwise.verdict import verdict_on  # noqa: E402
from support.outside import FIRST_PROVING, lit_portrait  # noqa: E402
from support.outside_sets import LAMPS, MARK, Pose, off_the_mark, outside_set  # noqa: E402

FRAMES = {"still": 3, "moved": 2, "turned": 2, "out": 2}
"""Frames of each kind a set."""

FLASH_STOPS = 0.02
"""What a flash varies by (common practice)."""


@dataclass(frozen=True)
class Row:
    """One lamp in one frame: what it truly gave (None: out), and what was told of it."""

    frame: tuple[int, int]
    kind: str
    lamp: str
    true: float | None
    stops: float | None
    uncertainty: float | None
    state: str
    fails: bool
    blamed: bool

    @property
    def is_answered(self) -> bool:
        """Whether a fired lamp has a figure."""
        return self.state not in ("not seen", "out") and self.stops is not None


def lamp_rows(seed: int, *, misplaced: float) -> list[Row]:
    """Return the readings of a set's frames; nobody announces a turn."""
    made, rng = outside_set(seed), np.random.default_rng([seed, 11])
    own = made.shot(rng, misplaced=misplaced)
    now = plan_now(made.plan)
    knowledge = know(own.lamps, now)
    found, at = [], 0
    for kind, count in FRAMES.items():
        for _ in range(count):
            at += 1
            steady = kind in ("turned", "out")
            gave = {n: float(rng.normal(0.0, FLASH_STOPS) if steady else rng.uniform(-1.2, 1.2))
                    for n in LAMPS}  # fmt: skip
            pose = {
                "still": MARK,
                "moved": off_the_mark(rng, 0.06),
                "turned": Pose(turned=float(rng.choice([-1, 1]) * rng.uniform(5.0, 20.0))),
                "out": off_the_mark(rng, 0.01),
            }[kind]
            out = str(rng.choice(LAMPS)) if kind == "out" else None
            lit = {n: stops for n, stops in gave.items() if n != out}
            frame = made.frame(lit, pose, draw=20 + at)
            reading = read(frame, made.plan, known=Known(reference=own.reference))
            said = Announced(turned={} if steady else None)
            seen = see_lamps(reading.grid, own.lamps, knowledge, reading.measurement, said, {})
            assert seen is not None
            verdict = verdict_on(reading.measurement, now, lamps=seen)
            failing = [one for one in verdict.findings if one.state == "fails"]
            blamed = any(one.cause == "lamp" for one in failing) or bool(verdict.turns)
            found += [
                Row((seed, at), kind, n, lit.get(n), one.stops, one.uncertainty, one.state,
                    bool(failing), blamed)
                for n, one in seen.readings.items()
            ]  # fmt: skip
    return found


def show_lamps(rows: list[Row]) -> None:
    """Print the table: right, not seen, wrong."""
    for kind in FRAMES:
        lit = [one for one in rows if one.kind == kind and one.true is not None]
        for lamp in (*LAMPS, "all"):
            asked = [one for one in lit if lamp in (one.lamp, "all")]
            told = [one for one in asked if one.is_answered]
            off = np.array([abs(one.stops - one.true) for one in told])
            sigma = np.array([one.uncertainty for one in told])
            wrong = int(np.sum((off > 0.1) & (off > 2.0 * sigma)))
            print(
                f"{kind:7}{lamp:6} {len(asked):5} readings, answered {len(told) / len(asked):6.1%},"
                f" wrong {wrong} ({wrong / max(len(told), 1):.2%}), within one sigma "
                f"{np.mean(off <= sigma):.0%}, median sigma {np.median(sigma):.3f}, falsely out "
                f"{sum(one.state == 'out' for one in asked)}"
            )
    turned = {one.frame: one for one in rows if one.kind == "turned"}.values()
    print(f"turned heads: {len(turned)} frames, {sum(one.fails for one in turned)} fail, a lamp "
          f"blamed or turned in {sum(one.blamed for one in turned)}")  # fmt: skip
    out = [one for one in rows if one.kind == "out" and one.true is None]
    print(f"lamps out: {sum(one.state == 'out' for one in out)} of {len(out)} named; missed: "
          f"{[one.lamp for one in out if one.state != 'out']}")  # fmt: skip


def dial_rows(seed: int, *, misplaced: float) -> list[tuple[float, float, bool, bool]]:
    """Return off, uncertainty, whether unmet and whether unsure of each patch of a dialled set."""
    made, rng = outside_set(seed), np.random.default_rng([seed, 12])
    plan = made.planned({name: float(rng.uniform(-1.0, 1.0)) for name in LAMPS})
    own = made.shot(rng, misplaced=misplaced, plan=plan)
    answer = Dials(own.lamps, plan_now(plan)).solved()
    turns = {n: lamp.turn + float(rng.normal(0.0, FLASH_STOPS)) for n, lamp in answer.lamps.items()}
    measured = measure(made.frame(turns, draw=50), plan).patches
    unmet, unsure = ({one.of for one in found} for found in (answer.unmet, answer.unsure))
    return [
        (patch.zone - zone, patch.uncertainty, name in unmet, name in unsure)
        for name, patch in answer.predicted.patches.items()
        if (zone := measured[name].zone) is not None
    ]


def show_dial(sets: list[list[tuple[float, float, bool, bool]]]) -> None:
    """Print what was promised and what held."""
    rows = [row for one in sets for row in one]
    off, sigma = np.array([abs(row[0]) for row in rows]), np.array([row[1] for row in rows])
    promised = np.array([not row[2] and not row[3] for row in rows])
    held = sum(all(abs(row[0]) <= 0.15 for row in one if not row[3]) for one in sets)
    print(
        f"{len(sets)} sets, {len(rows)} targets: promised {promised.sum()}, of these held within "
        f"0.15 stop {np.sum(off[promised] <= 0.15)}; sets of which all that is promised holds "
        f"{held}; unsure {sum(row[3] for row in rows)}, unmet {sum(row[2] for row in rows)}; "
        f"within one sigma {np.mean(off <= sigma):.0%}, worst {off.max():.2f}"
    )


def split_row(seed: int) -> tuple[float, float | None, str | None]:
    """Return the true stops of a lit portrait, what the split tells, and why it doesn't."""
    portrait = lit_portrait(seed)
    told = measure(portrait.frame).ratios[0]
    return portrait.stops, told.stops, told.why


def show_split(rows: list[tuple[float, float | None, str | None]]) -> None:
    """Print how many are answered, and how many of them wrong by more than 0.3 stop."""
    off = np.array([told - true for true, told, _ in rows if told is not None])
    reasons = [why for _, told, why in rows if told is None]
    print(f"{len(rows)} portraits: answered {off.size}, wrong by over 0.3 stop "
          f"{np.sum(np.abs(off) > 0.3)}; not seen: "
          f"{ {why: reasons.count(why) for why in dict.fromkeys(reasons)} }")  # fmt: skip
    if off.size:
        print("    off:", np.round(np.sort(off), 2).tolist())


def main() -> None:
    """Draw what was asked for and print its table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("figure", choices=("lamps", "dial", "split"))
    options.add_argument("--count", type=int, default=40)
    options.add_argument("--first", type=int, default=FIRST_PROVING)
    options.add_argument("--misplaced", type=float, default=0.02)
    options.add_argument("--jobs", type=int, default=2)
    chosen = options.parse_args()
    seeds = range(chosen.first, chosen.first + chosen.count)
    print(f"{chosen.figure}: seeds {seeds.start} to {seeds.stop - 1}, solos up to "
          f"{100 * chosen.misplaced:g} % of the width off")  # fmt: skip
    with ProcessPoolExecutor(chosen.jobs) as pool:
        if chosen.figure == "lamps":
            found = pool.map(partial(lamp_rows, misplaced=chosen.misplaced), seeds)
            show_lamps([row for rows in found for row in rows])
        elif chosen.figure == "dial":
            show_dial(list(pool.map(partial(dial_rows, misplaced=chosen.misplaced), seeds)))
        else:
            show_split(list(pool.map(split_row, seeds, chunksize=4)))


if __name__ == "__main__":
    main()
