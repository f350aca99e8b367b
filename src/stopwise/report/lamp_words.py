"""What is said at each lamp: what to do there, else its state; and which lamps stay called."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from stopwise.findings import Turn
from stopwise.messages import feather_words, lamp_to_feather, turn_words
from stopwise.wording import fitted, lamp_name

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from stopwise.findings import Finding
    from stopwise.lamps.outputs import LampState
    from stopwise.plan.model import Light, Plan
    from stopwise.record import Record

NO_TURN_STOPS = 0.005
"""Stops under which a turn is none: it would be said as 0.00."""

GOOD_FRAMES = 3
"""Frames on plan in which a lamp must have fired before it is no longer called: one or two may be
luck."""


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
        The frame's record: a lamp whose light it shows stands where that says.
    powers
        Each lamp's power now, stops below full, where it isn't the plan's.
    """
    asked: dict[str, LampWords] = {}
    for finding in record.findings:
        for name, words in _asked(finding, record.answer.turn_for(finding)):
            asked.setdefault(name, words)
    for turn in record.turns:
        asked.setdefault(turn.light, LampWords(*turn_words(turn)))
    lamps = record.lamps or {}
    if any(finding.code == "none_fired" for finding in record.findings):
        asked, lamps = {}, {}  # the trigger is to be seen to, no lamp
    told = {}
    for light in plan.lights if plan else ():
        lamp = lamps.get(light.name)
        stands = (powers or {}).get(light.name, light.power) if lamp is None else lamp.setting
        state = None if lamp is None else lamp.state
        told[light.name] = asked.get(light.name) or _told(light, state, power=stands)
    return told


def _asked(finding: Finding, turn: Turn | None) -> Iterator[tuple[str, LampWords]]:
    """Yield what a finding and the turn that mends it ask for, lamp by lamp."""
    if finding.state != "fails":
        return
    mended = replace(finding, turn=turn)
    hot = lamp_to_feather(mended)
    if hot is not None:
        yield hot, LampWords(feather_words(mended), "feather")
    elif turn is not None:
        yield turn.light, LampWords(*turn_words(turn))
    elif finding.is_misfire and finding.code != "none_fired":
        likely = finding.code == "likely_out"
        said = "may be out" if likely else "did not fire"
        yield finding.of, LampWords(f"{said}: check it", said)


def _told(light: Light, state: LampState | None, *, power: float | None) -> LampWords:
    if state == "out":
        return LampWords("did not fire: check it", "did not fire")
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


def dial_words(
    light: Light | None, turn: float | None, power: float | None, *, at_limit: bool
) -> str:
    """Return the same in words: "down 0.7, to -2.7", "leave at -3.0, its end"."""
    asked = dialled_turn("", light, turn or 0.0, power)
    words = "leave" if asked is None else turn_words(asked)[0]
    if asked is None and light is not None and power is not None:
        words = f"leave at {light.power_shown(power)}"
    return f"{words}, its end" if at_limit else words


class HeldHeadline:
    """Keeps the lamps that were out in mind until three good frames, or until somebody says so."""

    def __init__(self) -> None:
        self._good: dict[str, int] = {}
        self._out: frozenset[str] = frozenset()

    def see(self, record: Record) -> None:
        """Take in the next frame; one without a picture, or without a flash, tells of no lamp."""
        is_dark = any(one.code == "none_fired" for one in record.findings)
        if is_dark or record.verdict == "unreadable":
            return
        self._out = lamps_out(record)
        is_good = record.verdict == "on plan"
        good = {
            name: frames + (is_good and name not in self._out)
            for name, frames in self._good.items()
        }
        self._good = {name: frames for name, frames in good.items() if frames < GOOD_FRAMES}
        self._good |= dict.fromkeys(self._out, 0)

    def fixed(self) -> None:
        """Call none of them any more: somebody has seen to it."""
        self._good.clear()

    @property
    def lamp(self) -> str | None:
        """The lamp that has been called for longest, or None."""
        return next(iter(self._good), None)

    @property
    def is_out(self) -> bool:
        """Whether that lamp is out as far as anybody knows: it was in the last frame that told."""
        return self.lamp in self._out

    def lines(self) -> tuple[str, str] | None:
        """Return the headline that stays, or None where nothing is held."""
        lamp = self.lamp
        if lamp is None:
            return None
        good = self._good[lamp]
        if self.is_out:
            say = fitted("{} did not fire.".format, lamp_name(lamp))
            return say, "Stop. Check it, shoot again."
        since = f"{good} good since"
        return fitted(lambda name: f"{name} was out, {since}.", lamp_name(lamp)), "Check the lamp."


def lamps_out(record: Record) -> frozenset[str]:
    """Return the lamps that a frame says did not fire."""
    out = {name for name, lamp in (record.lamps or {}).items() if lamp.state == "out"}
    called = {one.of for one in record.findings if one.is_misfire and one.code != "none_fired"}
    return frozenset(out | called)
