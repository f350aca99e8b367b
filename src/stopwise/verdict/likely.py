"""Without solos: a lamp that likely did not fire, as the patches say that fell from their run."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING

from stopwise.findings import Finding, verdict_of
from stopwise.lamps.blame import likely_out
from stopwise.lamps.outputs import RUN_FRAMES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.plan.now import PlanNow
    from stopwise.record import Record


def with_likely_out(record: Record, earlier: Sequence[Record], now: PlanNow) -> Record:
    """Return a frame's record with one finding on the lamp that likely did not fire.

    Parameters
    ----------
    record
        The frame's record.
    earlier
        Records of the take's frames so far, oldest first: three at least.
    now
        What holds now: which lamps light each patch.

    Returns
    -------
    Record
        The record as it is where solos are known, or where no single lamp explains what fell. Else
        that lamp's finding comes first, and what its patches would say is left out.
    """
    lit_by: Mapping[str, tuple[str, ...]] = {
        patch.name: patch.lit_by for patch in now.patches if patch.lit_by
    }
    lamp = None if record.lamps else likely_out(_drops(record, earlier), lit_by)
    if lamp is None:
        return record
    led = {patch for patch, lamps in lit_by.items() if lamp in lamps}
    kept = [
        one
        for one in record.findings
        if one.state == "holds" or not led.intersection(one.detail.patches)
    ]
    found = Finding("lamp", lamp, "likely_out", "fails", cause="lamp")
    return record.with_verdict(verdict_of([found, *kept]))


def _drops(record: Record, earlier: Sequence[Record]) -> dict[str, float]:
    """Return the stops by which each seen patch differs from its median in the run."""
    found = {}
    for name, patch in record.patches.items():
        before = [
            level
            for one in earlier
            if name in one.patches and (level := one.patches[name].log2_y) is not None
        ]
        if patch.log2_y is not None and len(before) >= RUN_FRAMES:
            found[name] = patch.log2_y - median(before)
    return found
