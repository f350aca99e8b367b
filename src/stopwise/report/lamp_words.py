"""What is said at each lamp: what to do there, else its state; and which lamps stay called."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.findings import Turn
from stopwise.messages import turn_words
from stopwise.wording import fitted, lamp_name

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.lamps.outputs import LampState
    from stopwise.plan.model import Light, Plan
    from stopwise.record import Record

NO_TURN_STOPS = 0.005
"""Stops under which a turn is none: it would be said as 0.00."""

GOOD_FRAMES = 3
"""Frames in which a lamp must have fired before it is no longer called: one or two may be luck."""


@dataclass(frozen=True, slots=True)
class LampWords:
    """What is said at a lamp.

    Attributes
    ----------
    words
        "down 0.4, to -2.4", "did not fire: check it", "leave at -2.0".
    there
        As it stands at the lamp itself, where something is to be done: "down 0.4".
    """

    words: str
    there: str = ""

    @property
    def is_called(self) -> bool:
        """Whether something is to be done there."""
        return bool(self.there)


def told_at_lamps(
    plan: Plan | None, record: Record, *, powers: Mapping[str, float] | None = None
) -> dict[str, LampWords]:
    """Return what is said at each lamp of the plan after a frame, by the lamp's name.

    Parameters
    ----------
    plan
        The plan; None has no lamps.
    record
        The frame's record; of the turns that its findings ask of a lamp the worst one's is said.
    powers
        Each lamp's power now, stops below full, where it isn't the plan's.
    """
    turns: dict[str, Turn] = {}
    for finding in record.findings:
        if finding.state == "fails" and finding.turn is not None:
            turns.setdefault(finding.turn.light, finding.turn)
    states = {name: lamp.state for name, lamp in (record.lamps or {}).items()}
    return {
        light.name: _told(
            light,
            states.get(light.name),
            turns.get(light.name),
            power=(powers or {}).get(light.name, light.power),
        )
        for light in (plan.lights if plan else ())
    }


def _told(
    light: Light, state: LampState | None, turn: Turn | None, *, power: float | None
) -> LampWords:
    if state == "out":
        return LampWords("did not fire: check it", "did not fire")
    if turn is not None:
        return LampWords(*turn_words(turn))
    if state in ("weak", "strong"):
        return LampWords(f"{state}: check its power", state)
    if state == "not seen":
        return LampWords("not seen")
    return LampWords("leave" if power is None else f"leave at {light.power_shown(power)}")


def dialled_turn(name: str, light: Light | None, turn: float, power: float | None) -> Turn | None:
    """Return what dialling asks of one lamp; None where it stays as it is.

    Parameters
    ----------
    name, light
        The lamp, for the scale of its pack; None where the plan has it no more.
    turn, power
        As in :class:`stopwise.lamps.dial.Dialled`.
    """
    if abs(turn) < NO_TURN_STOPS:
        return None
    to = None if light is None or power is None else f"to {light.power_shown(power)}"
    return Turn(name, turn, to=power, shown=to)


def dial_words(light: Light | None, turn: float, power: float | None, *, at_limit: bool) -> str:
    """Return the same in words: "down 0.7, to -2.7", "leave at -3.0, its end"."""
    asked = dialled_turn("", light, turn, power)
    words = "leave" if asked is None else turn_words(asked)[0]
    if asked is None and light is not None and power is not None:
        words = f"leave at {light.power_shown(power)}"
    return f"{words}, its end" if at_limit else words


class HeldHeadline:
    """Keeps the lamps that were out in mind until they fired three times, or somebody says so."""

    def __init__(self) -> None:
        self._good: dict[str, int] = {}

    def see(self, record: Record) -> None:
        """Take in the next frame; one that can't be read tells nothing."""
        if record.verdict == "unreadable":
            return
        out = lamps_out(record)
        if not any(one.code == "none_fired" for one in record.findings):
            good = {name: frames + (name not in out) for name, frames in self._good.items()}
            self._good = {name: frames for name, frames in good.items() if frames < GOOD_FRAMES}
        self._good |= dict.fromkeys(out, 0)

    def fixed(self) -> None:
        """Call none of them any more: somebody has seen to it."""
        self._good.clear()

    @property
    def lamp(self) -> str | None:
        """The lamp that has been called for longest, or None."""
        return next(iter(self._good), None)

    def lines(self) -> tuple[str, str] | None:
        """Return the headline that stays, or None where nothing is held."""
        lamp = self.lamp
        if lamp is None:
            return None
        good = self._good[lamp]
        if not good:
            say = fitted("{} did not fire.".format, lamp_name(lamp))
            return say, "Stop. Check it, shoot again."
        since = f"{good} good since"
        return fitted(lambda name: f"{name} was out, {since}.", lamp_name(lamp)), "Check the lamp."


def lamps_out(record: Record) -> frozenset[str]:
    """Return the lamps that a frame says did not fire."""
    out = {name for name, lamp in (record.lamps or {}).items() if lamp.state == "out"}
    called = {one.of for one in record.findings if one.is_misfire and one.code != "none_fired"}
    return frozenset(out | called)
