"""What changed in each patch between two sides, in stops, camera settings taken out."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.comparison.settings import SettingsChange
    from stopwise.comparison.sides import PatchFigures, Side


@dataclass(frozen=True, slots=True)
class PatchChange:
    """What changed in one patch, after less before.

    Attributes
    ----------
    stops
        Change of its light, settings taken out; None where one side doesn't see it.
    uncertainty
        Standard uncertainty of `stops`; None with it.
    expected
        What the turns that were said would have changed; None where it can't be told.
    red_green, blue_green
        Change of its colour, stops.
    follows
        Whether it goes with the sitter.
    """

    stops: float | None
    uncertainty: float | None
    expected: float | None = None
    red_green: float | None = None
    blue_green: float | None = None
    follows: bool = False

    @property
    def off_stops(self) -> float | None:
        """Change less what was expected of it, None where either isn't known."""
        if self.stops is None or self.expected is None:
            return None
        return self.stops - self.expected


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of the set besides the two sides.

    Attributes
    ----------
    shares
        patch -> lamp -> share of its light before, 0 to 1; "ambient" stands for the ambient.
    steady
        Lamps that burn all the time, "ambient" among them: the shutter dims their part.
    all_steady
        Whether every lamp burns, so that no shares are needed for the shutter.
    lit_by
        patch -> lamps that light it, as the plan says.
    turned
        Stops that lamps were said to be turned by; lamps not named stayed. None: nothing was said.
    """

    shares: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    steady: frozenset[str] = frozenset(("ambient",))
    all_steady: bool = False
    lit_by: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    turned: Mapping[str, float] | None = None


def patch_changes(
    before: Side, after: Side, settings: SettingsChange, known: Known
) -> dict[str, PatchChange]:
    """Return what changed in each patch of either side.

    Parameters
    ----------
    before, after
        The sides.
    settings
        What changed at the camera between them.
    known
        What is known of the set.
    """
    names = dict.fromkeys((*before.patches, *after.patches))
    return {
        name: _change(
            before.patches.get(name), after.patches.get(name), _Taken(name, settings, known)
        )
        for name in names
    }


@dataclass(frozen=True, slots=True)
class _Taken:
    """One patch's settings and turns, ready to be taken out."""

    name: str
    settings: SettingsChange
    known: Known

    @property
    def gain_stops(self) -> float:
        """What the settings do to this patch with no lamp touched."""
        if self.known.all_steady:
            return self.settings.steady_stops
        return self.settings.flash_stops + math.log2(self._sum({}))

    @property
    def expected(self) -> float | None:
        """What the turns that were said do to this patch, beyond the settings."""
        turned = self.known.turned
        if turned is None:
            return None
        if self.name in self.known.shares:
            return math.log2(self._sum(turned) / self._sum({}))
        lamps = self.known.lit_by.get(self.name, ())
        told = {turned.get(lamp, 0.0) for lamp in lamps}
        return told.pop() if len(told) == 1 else None

    def _sum(self, turned: Mapping[str, float]) -> float:
        """Return the patch's light over what it was before, ISO and aperture left out."""
        shares = self.known.shares.get(self.name)
        if not shares:
            return 1.0
        shutter = math.pow(2.0, self.settings.shutter_stops)
        return sum(
            share
            * math.pow(2.0, turned.get(lamp, 0.0))
            * (shutter if lamp in self.known.steady else 1.0)
            for lamp, share in shares.items()
        )


def _change(before: PatchFigures | None, after: PatchFigures | None, taken: _Taken) -> PatchChange:
    follows = any(one is not None and one.follows for one in (before, after))
    stops = _difference(before, after)
    if before is None or after is None or stops is None:
        return PatchChange(None, None, taken.expected, follows=follows)
    return PatchChange(
        stops=stops - taken.gain_stops,
        uncertainty=math.hypot(before.uncertainty, after.uncertainty),
        expected=taken.expected,
        red_green=_less(after.red_green, before.red_green),
        blue_green=_less(after.blue_green, before.blue_green),
        follows=follows,
    )


def _difference(before: PatchFigures | None, after: PatchFigures | None) -> float | None:
    """Return after less before of log2 Y, or of zones where one side has only those."""
    if before is None or after is None:
        return None
    logs = _less(after.log2_y, before.log2_y)
    return _less(after.zone, before.zone) if logs is None else logs


def _less(after: float | None, before: float | None) -> float | None:
    return None if after is None or before is None else after - before
