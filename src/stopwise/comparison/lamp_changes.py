"""What changed at each lamp between two sides, against what was said to be turned."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.comparison.finding import Difference
from stopwise.findings import Turn, state_of
from stopwise.wording import stops_text, title

if TYPE_CHECKING:
    from collections.abc import Mapping
    from typing import Literal

    from stopwise.comparison.sides import LampFigures, Side

    State = Literal["holds", "fails", "on the line", "not seen"]

LEAST_STOPS = 0.15
"""Stops that a lamp may differ from what was said: a still sitter reads within 0.1."""

STILL_STOPS = 0.1
"""Change of a lamp under which nothing is said to have happened to it."""

_ALONE = frozenset(("key", "fill", "kicker", "rim", "edge"))
_UNCHANGED = 0.05
_SURE = 2.0
"""Uncertainties that a lamp must be off before it counts."""


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
        return max(LEAST_STOPS, _SURE * (self.uncertainty or 0.0))

    @property
    def state(self) -> State:
        """Whether it did what was said; with nothing said, any change holds."""
        if self.went_out:
            return "fails"
        if self.stops is None:
            return "not seen"
        off = None if self.said is None else self.stops - self.said
        return "holds" if off is None else state_of(off, (-self.limit, self.limit), None)


def lamp_words(name: str) -> str:
    """Return how a lamp is spoken of, so that it isn't taken for a patch: "key", "hair lamp"."""
    alone = name.lower() in _ALONE or name.lower().endswith("lamp")
    return name if alone else f"{name} lamp"


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
        name: _change(one, after.lamps[name], None if turned is None else turned.get(name, 0.0))
        for name, one in before.lamps.items()
        if name in after.lamps
    }


def _change(before: LampFigures, after: LampFigures, said: float | None) -> LampChange:
    if after.state == "out":
        return LampChange(None, None, said, went_out=before.state not in ("out", "not seen"))
    if before.stops is None or after.stops is None or before.state == "out":
        return LampChange(None, None, said)
    if "not seen" in (before.state, after.state):
        return LampChange(None, None, said)
    doubt = math.hypot(before.uncertainty or 0.0, after.uncertainty or 0.0)
    return LampChange(after.stops - before.stops, doubt, said)


def lamp_finding(name: str, change: LampChange) -> Difference:
    """Return one lamp's finding.

    Parameters
    ----------
    name
        The lamp.
    change
        What changed at it.
    """
    say, do, turn = _words(name, change)
    return Difference(
        check="lamp",
        of=name,
        measured=change.stops,
        planned=change.said,
        within=(-change.limit, change.limit),
        unit="stops",
        state=change.state,
        say=say,
        do=do,
        cause="lamp" if change.state == "fails" else None,
        turn=turn,
        uncertainty=change.uncertainty,
    )


def _words(name: str, change: LampChange) -> tuple[str, str, Turn | None]:
    lamp = title(lamp_words(name))
    if change.went_out:
        return f"{lamp} did not fire.", "Check it, shoot again.", None
    if change.stops is None:
        return f"{lamp} not seen on both sides.", "", None
    moved = _moved(change.stops, change.uncertainty)
    if change.said is None or change.state != "fails":
        return f"{lamp} {moved}{_as_said(change)}.", "", None
    back = Turn(name, change.said - change.stops)
    if change.said == 0.0:
        do = f"Look at the {lamp_words(name)}'s power and stand."
        return f"{lamp} {moved}, and nobody turned it.", do, None
    if abs(change.stops) < STILL_STOPS:
        do = f"Turn {lamp_words(name)} {_moved(change.said)}, or say that it stays."
        return f"{lamp} still at the old power.", do, back
    more = " more" if back.stops * change.said > 0 else ""
    say = f"{lamp} {moved}, said was {_moved(change.said)}."
    return say, f"{lamp} {_moved(back.stops)}{more}.", back


def _moved(stops: float, uncertainty: float | None = None) -> str:
    if abs(stops) < max(_UNCHANGED, uncertainty or 0.0):
        return "unchanged"
    return f"{'up' if stops > 0 else 'down'} {stops_text(stops)}"


def _as_said(change: LampChange) -> str:
    if not change.said:
        return ""
    return ", as said" if change.state == "holds" else f", said was {_moved(change.said)}"
