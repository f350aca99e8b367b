"""What a failed finding says on the call line, and which finding is called first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.report.frame_calls import ALL_LAMPS, FRAME_CALLS
from stopwise.report.patch_calls import PATCH_CALLS

if TYPE_CHECKING:
    from stopwise.report.scene import Call, Finding, Scene

_CALLS = {**PATCH_CALLS, **FRAME_CALLS}

_CHECKS_FIRST = ("lamp", "shutter", "setting", "exposure", "ambient")
"""Checks that are called before others, as they spoil all that follows."""


def call_of(finding: Finding, scene: Scene) -> Call:
    """Return the two lines of one failed finding."""
    return _CALLS[finding["check"]](finding, scene)


def urgency(finding: Finding) -> tuple[int, int]:
    """Return a sort key: no lamp fired, lamps, shutter, settings, what a turn mends, all else."""
    check = finding["check"]
    rank = _CHECKS_FIRST.index(check) if check in _CHECKS_FIRST else len(_CHECKS_FIRST)
    is_first = finding["of"] in ALL_LAMPS if check == "lamp" else bool(finding.get("turn"))
    return rank, 0 if is_first else 1
