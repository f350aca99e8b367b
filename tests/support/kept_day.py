"""The sample day as a ledger keeps it, in three takes, without a watch that has to run for it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stopwise.ledger import Ledger, Place, Stamp, content_hash
from stopwise.record import record_from_json
from stopwise.shoot.standing import Standing
from stopwise.shoot.watches import remember

if TYPE_CHECKING:
    from collections.abc import Mapping

SAMPLES = Path(__file__).parents[2] / "sample_frames"

BEGUN = {"F0012.dng": "hair -0.2", "F0015.dng": "key -0.3, fill +0.2"}
"""The first frame of each take, and what was said to be turned before it."""


def keep_day(
    place: Path,
    records: Mapping[str, Any],
    *,
    folder: Path = SAMPLES,
    plan: Path | None = None,
    times: int = 1,
) -> Path:
    """Keep the sample frames in a ledger as a watch of their folder would, and return its path.

    Parameters
    ----------
    place
        The ledger's file.
    records
        Each sample frame's record as JSON, by its file's name.
    folder
        Where they lie.
    plan
        The plan of the watch; the samples' own for None.
    times
        How often the frames land, each time as other files; the first time they are the samples.
    """
    from stopwise.plan import load_plan

    plan = plan or folder / "plan.toml"
    hashes = {name: content_hash(str(folder / name)) for name in records}
    with Ledger(place) as ledger:
        remember(ledger, str(folder), plan)
        standing = Standing(ledger, lambda _: None)
        loaded = load_plan(plan)
        for go in range(times):
            for name, row in records.items():
                if go == 0 and name in BEGUN:
                    ledger.orders.say("take", BEGUN[name])
                    standing.hear(loaded)
                record = replace(record_from_json(row), file=name, take=standing.take)
                sha256 = hashes[name] if go == 0 else f"{go:08d}{hashes[name][8:]}"
                path = name if go == 0 else f"{go}/{name}"
                stamp = Stamp.at(str(folder / name)) or Stamp(1, 1, 1)
                ledger.frames.keep(record, Place(str(folder), path, stamp), sha256=sha256)
    return place
