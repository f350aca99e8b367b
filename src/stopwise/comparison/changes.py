"""What changed in each patch and at each lamp between two sides, camera settings taken out."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from stopwise.findings import state_of
from stopwise.lamps.superposition import patch_shares

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.comparison.sides import SettingsChange, Side
    from stopwise.findings import State
    from stopwise.lamps.outputs import LampReading
    from stopwise.lamps.solos import LampSet
    from stopwise.plan.model import Plan

LEAST_LAMP_STOPS = 0.15
"""Stops that a lamp may differ from what was said: a still sitter reads within 0.1."""

STILL_STOPS = 0.1
"""Change of a lamp under which nothing is said to have happened to it."""

SURE = 2.0
"""Standard uncertainties that a change must be off before it counts."""

_OUT_STOPS = -60.0
"""Stops that stand for a lamp that is out: less than any noise."""


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


@dataclass(frozen=True, slots=True)
class LampChange:
    """What changed at one lamp, after less before.

    Attributes
    ----------
    stops, uncertainty
        None where one side doesn't see it or it is out.
    said
        Stops it was said to be turned by; None where nobody said anything.
    went_out
        Whether it fired before and doesn't now.
    """

    stops: float | None
    uncertainty: float | None
    said: float | None = None
    went_out: bool = False

    @property
    def limit(self) -> float:
        """Stops that it may be off what was said."""
        return max(LEAST_LAMP_STOPS, SURE * (self.uncertainty or 0.0))

    @property
    def state(self) -> State:
        """Whether it did what was said; with nothing said, any change holds."""
        if self.went_out:
            return "fails"
        if self.stops is None:
            return "not seen"
        off = None if self.said is None else self.stops - self.said
        return "holds" if off is None else state_of(off, (-self.limit, self.limit), None)


@dataclass(frozen=True, slots=True)
class KnownSet:
    """What is known of the set besides the two sides.

    Attributes
    ----------
    shares
        patch -> lamp -> share of its light before, 0 to 1; "ambient" stands for the ambient. None
        of a patch that a lamp without a solo may light.
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

    def light(self, patch: str, settings: SettingsChange, turned: Mapping[str, float]) -> float:
        """Return a patch's light over what it was before, linear, ISO and aperture left out."""
        shares = self.shares.get(patch)
        if not shares:
            return 1.0
        shutter = math.pow(2.0, settings.shutter_stops)
        return sum(
            share * math.pow(2.0, turned.get(lamp, 0.0)) * (shutter if lamp in self.steady else 1.0)
            for lamp, share in shares.items()
        )

    def expected(self, patch: str, settings: SettingsChange) -> float | None:
        """Return what the turns that were said do to a patch, stops; None where nobody can tell."""
        if self.turned is None:
            return None
        if patch in self.shares:
            lit, before = (self.light(patch, settings, turned) for turned in (self.turned, {}))
            return math.log2(lit / before)
        told = {self.turned.get(lamp, 0.0) for lamp in self.lit_by.get(patch, ())}
        return told.pop() if len(told) == 1 else None


def known_of(
    plan: Plan | None,
    lamps: LampSet | None,
    before: Side,
    *,
    turned: Mapping[str, float] | None = None,
) -> KnownSet:
    """Return what plan and solos say of a set, for a comparison that begins at `before`.

    Parameters
    ----------
    plan
        The plan; None knows nothing.
    lamps
        Each lamp's own light; None without solos.
    before
        The side whose shares are meant: each lamp at what it gave there.
    turned
        Stops that lamps were said to be turned by; None where nothing was said.
    """
    if plan is None:
        return KnownSet(turned=turned)
    patches = (*plan.patches, *(patch for look in plan.looks for patch in look.patches))
    steady = {light.name for light in plan.lights if light.kind == "continuous"}
    lit_by = {patch.name: patch.lit_by for patch in patches if patch.lit_by}
    shares: Mapping[str, Mapping[str, float]] = {}
    if lamps is not None:
        turns = {
            name: _OUT_STOPS if one.state == "out" else one.stops or 0.0
            for name, one in before.lamps.items()
        }
        read_at = {patch.name: patch.defaults.read_at for patch in patches}
        unknown = {light.name for light in plan.lights} - set(lamps.names)
        shares = {
            name: one
            for name, one in patch_shares(lamps, turns, read_at=read_at).items()
            if unknown.isdisjoint(lit_by.get(name, unknown))
        }
    return KnownSet(
        shares=shares,
        steady=frozenset((*steady, "ambient")),
        all_steady=bool(steady) and len(steady) == len(plan.lights),
        lit_by=lit_by,
        turned=turned,
    )


def patch_changes(
    before: Side, after: Side, settings: SettingsChange, known: KnownSet
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
    found = {}
    for name in dict.fromkeys((*before.patches, *after.patches)):
        one, other = before.patches.get(name), after.patches.get(name)
        expected = known.expected(name, settings)
        follows = any(patch is not None and patch.follows for patch in (one, other))
        found[name] = PatchChange(None, None, expected, follows=follows)
        if one is None or other is None:
            continue
        stops = _less(other.log2_y, one.log2_y)
        if stops is None:
            stops = _less(other.zone, one.zone)
        if stops is None:
            continue
        gain = settings.flash_stops + math.log2(known.light(name, settings, {}))
        found[name] = PatchChange(
            stops=stops - (settings.steady_stops if known.all_steady else gain),
            uncertainty=math.hypot(one.uncertainty, other.uncertainty),
            expected=expected,
            red_green=_less(other.red_green, one.red_green),
            blue_green=_less(other.blue_green, one.blue_green),
            follows=follows,
        )
    return found


def lamp_changes(
    before: Side, after: Side, turned: Mapping[str, float] | None
) -> dict[str, LampChange]:
    """Return what changed at each lamp that both sides read against their solos.

    Parameters
    ----------
    before, after
        The sides; lamps are only comparable where both stand on the same solos.
    turned
        Stops that lamps were said to be turned by; None where nothing was said.
    """
    return {
        name: _lamp(one, after.lamps[name], None if turned is None else turned.get(name, 0.0))
        for name, one in before.lamps.items()
        if name in after.lamps
    }


def _lamp(before: LampReading, after: LampReading, said: float | None) -> LampChange:
    if after.state == "out":
        return LampChange(None, None, said, went_out=before.state not in ("out", "not seen"))
    then, now = before.fired_stops, after.fired_stops
    if then is None or now is None:
        return LampChange(None, None, said)
    doubt = math.hypot(before.uncertainty or 0.0, after.uncertainty or 0.0)
    return LampChange(now - then, doubt, said)


def _less(after: float | None, before: float | None) -> float | None:
    return None if after is None or before is None else after - before
