"""Which checks of the plan a frame must fail, worked out from the model's own answers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lightmodel import targets as plan

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from lightmodel.frames import Settings
    from lightmodel.targets import Patch, Targets

CLOSE = 0.05
"""A figure nearer to its limit than this may fall either way once there is noise, stops."""

CLOSE_SHARE = 0.25
"""The same for shares of a frame or patch, as a part of the limit."""

_SHARES = {"clip", "blocked", "blown", "pinpoints"}

SETTING_WITHIN = 1.0 / 6.0


@dataclass(frozen=True, slots=True)
class Check:
    """One check: what was found, how far off the target, and how far it may be."""

    check: str
    of: str
    off: float
    least: float | None
    most: float | None

    @property
    def fails(self) -> bool:
        """Whether it lies outside what is allowed."""
        return self._margin < 0.0

    @property
    def close(self) -> bool:
        """Whether it lies so near to a limit that noise may push it across."""
        if self.check in _SHARES:
            return abs(self._margin) < CLOSE_SHARE * (self.most or 0.0)
        return abs(self._margin) < (CLOSE / 5.0 if self.of == "backdrop uneven" else CLOSE)

    @property
    def _margin(self) -> float:
        under = np.inf if self.least is None else self.off - self.least
        over = np.inf if self.most is None else self.most - self.off
        return float(min(under, over))

    def to_json(self) -> dict[str, Any]:
        """Return it as plain values."""
        within = [self.least, self.most]
        return {"check": self.check, "of": self.of, "off": round(self.off, 4), "within": within}


def checks(truth: Mapping[str, Any], targets: Targets, settings: Settings) -> list[Check]:
    """Return every check of the plan that a frame's truth answers, in the order of the plan.

    Shares of the frame or of a patch (clip, blocked, blown, pinpoints) are compared as they are.
    """
    found = list(_setting(settings))
    for patch in targets.patches:
        found += _patch(patch, truth["patches"][patch.name])
    found += _pairs(truth, targets)
    found += _backdrop(truth["backdrop"])
    clipping = truth["clipping"]
    found.append(Check("blown", "frame", clipping["largest_outside"], None, plan.BLOWN_AREA))
    total = clipping["pinpoint_fraction"]
    found.append(Check("pinpoints", "frame", total, None, plan.PINPOINTS_TOTAL))
    if truth["shutter"]["covered"]:
        found.append(Check("shutter", "frame", truth["shutter"]["covered"], None, 0.0))
    return found


def _setting(settings: Settings) -> Iterator[Check]:
    iso = float(np.log2(settings.iso / 100.0))
    aperture = float(2.0 * np.log2(11.0 / settings.f_number))
    shutter = float(np.log2(160.0 / settings.shutter))
    for of, stops in (("iso", iso), ("f_number", aperture), ("shutter", shutter)):
        yield Check("setting", of, stops, -SETTING_WITHIN, SETTING_WITHIN)


def _patch(patch: Patch, found: Mapping[str, float]) -> Iterator[Check]:
    allowed = patch.allowed
    yield Check("patch", patch.name, found["zone"] - patch.zone, -allowed.under, allowed.over)
    if allowed.headroom is not None:
        yield Check("headroom", patch.name, found["headroom"] - allowed.headroom, 0.0, None)
    yield Check("clip", patch.name, found["clipped"], None, allowed.may_clip)
    if allowed.blocked is not None:
        yield Check("blocked", patch.name, found["blocked"], None, allowed.blocked)


def _pairs(truth: Mapping[str, Any], targets: Targets) -> Iterator[Check]:
    off = truth["ratio_stops"] - targets.ratio_stops
    within = targets.ratio_within
    yield Check("ratio", f"{plan.LIT} to {plan.SHADOW}", off, -within, within)
    apart = truth["patches"][plan.HAIR]["zone"] - truth["backdrop"]["zone"]
    yield Check(
        "separation", f"{plan.HAIR} to backdrop", apart - plan.SEPARATION_AT_LEAST, 0.0, None
    )


def _backdrop(found: Mapping[str, float]) -> Iterator[Check]:
    target = plan.BACKDROP
    for key in ("zone", "left_right", "falloff"):
        within = getattr(target, f"{key}_within")
        off = found[key] - getattr(target, key)
        yield Check("backdrop", f"backdrop {key}", off, -within, within)
    yield Check("backdrop", "backdrop uneven", found["uneven"] - target.uneven, None, 0.0)
