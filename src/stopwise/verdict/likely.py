"""Without solos: a lamp that likely did not fire, as the patches say that fell from their run."""

from __future__ import annotations

from statistics import median
from typing import TYPE_CHECKING, Any

from stopwise.lamps.cause import likely_out
from stopwise.lamps.outputs import RUN_FRAMES
from stopwise.verdict.common import unlit_finding
from stopwise.wording import lamp_name, title

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.plan.now import PlanNow
    from stopwise.verdict.findings import Finding

Record = dict[str, Any]


def with_likely_out(
    record: Mapping[str, Any], earlier: Sequence[Mapping[str, Any]], targets: PlanNow
) -> Record:
    """Return a frame's record with one finding on the lamp that likely did not fire.

    Parameters
    ----------
    record
        The frame's record.
    earlier
        Records of the take's frames so far, oldest first: three at least.
    targets
        What holds now: which lamps light each patch.

    Returns
    -------
    dict
        The record as it is where solos are known, or where no single lamp explains what fell. Else
        that lamp's finding comes first, and what its patches would say is left out.
    """
    lit_by = {patch.name: patch.lit_by for patch in targets.patches if patch.lit_by}
    lamp = None if record.get("lamps") else likely_out(_drops(record, earlier), lit_by)
    if lamp is None:
        return dict(record)
    led = {patch for patch, lamps in lit_by.items() if lamp in lamps}
    kept = [
        finding
        for finding in record["findings"]
        if finding["state"] == "holds" or not _is_about(finding["of"], led)
    ]
    return {
        **record,
        "verdict": "off plan",
        "reason": None,
        "findings": [_finding(lamp).to_json(), *kept],
    }


def _drops(record: Mapping[str, Any], earlier: Sequence[Mapping[str, Any]]) -> dict[str, float]:
    """Return the stops by which each seen patch differs from its median in the run."""
    found = {}
    for name, patch in (record.get("patches") or {}).items():
        before = [
            seen
            for one in earlier
            if (seen := _level((one.get("patches") or {}).get(name))) is not None
        ]
        now = _level(patch)
        if now is not None and len(before) >= RUN_FRAMES:
            found[name] = now - median(before)
    return found


def _level(patch: Mapping[str, Any] | None) -> float | None:
    return None if patch is None else patch.get("log2_y")


def _is_about(of: str, patches: set[str]) -> bool:
    return any(side in patches for side in (of, *of.split(" to ")))


def _finding(lamp: str) -> Finding:
    say = f"{title(lamp_name(lamp))} likely did not fire."
    return unlit_finding(lamp, say, "Check it, shoot again.")
