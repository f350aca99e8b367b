"""Turns: a lamp's turn in its own steps and range, and where its dial stands then."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from stopwise.findings import Turn

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from stopwise.findings import Finding
    from stopwise.lamps.joint_turns import Remedy
    from stopwise.plan.model import Light, Plan

_HIGHLIGHTS = ("clip", "headroom")
"""Checks of a patch's brightest part: too much light of a lamp shows there as in its zone."""


def turn_of(light: Light, stops: float, setting: float | None) -> Turn | None:
    """Return a turn as a lamp's pack can do it; None where it is less than half a step.

    Parameters
    ----------
    light
        The lamp.
    stops
        What would be right, negative for down.
    setting
        Where its dial stands now, stops below full; None where nobody knows.
    """
    steps = round(round(stops / light.step) * light.step, 4)
    if not steps:
        return None
    if setting is None:
        return Turn(light.name, steps)
    (low, high), to = light.range, setting + steps
    if low - light.step / 2 <= to <= high + light.step / 2:
        return _stands(light, steps, round(to, 4))
    end = low if to < low else high
    turn = _stands(light, round(end - setting, 4), end)
    return replace(turn, limit="least" if to < low else "full", short_by=round(to - end, 4))


def turn_of_remedy(light: Light, remedy: Remedy, setting: float | None) -> Turn:
    """Return a lamp's part of a joint answer; `setting` as in :func:`turn_of`."""
    turn = Turn(light.name, remedy.stops)
    if setting is not None:
        turn = _stands(light, remedy.stops, round(setting + remedy.stops, 4))
    if not remedy.end:
        return turn
    return replace(turn, limit="full" if remedy.end > 0 else "least", short_by=remedy.short_by)


def _stands(light: Light, stops: float, to: float) -> Turn:
    return Turn(light.name, stops, to=to + 0.0, shown=f"to {light.power_shown(to)}")


def with_what_they_mend(
    findings: Iterable[Finding], turns: Sequence[Turn], plan: Plan
) -> tuple[list[Finding], list[Turn]]:
    """Return the findings, and the turns with what they explain; one that explains nothing stays.

    Each turn says which other lamps the same dial turns.

    A patch that is blown or nearly so is laid to the lamp that makes its zone too high, where that
    is turned down.
    """
    down = {turn.light for turn in turns if turn.needed < 0.0}
    over = {
        one.of: one.explained_by
        for one in findings
        if one.check == "patch" and one.state == "fails" and one.explained_by in down
    }
    told = [
        replace(one, cause="lamp", explained_by=over[one.of])
        if one.check in _HIGHLIGHTS
        and one.state == "fails"
        and one.explained_by is None
        and one.advice is None
        and one.of in over
        else one
        for one in findings
    ]
    mended = {
        turn.light: tuple(
            dict.fromkeys(
                one.of for one in told if one.state == "fails" and one.explained_by == turn.light
            )
        )
        for turn in turns
    }
    asked = set(mended)

    def others(turn: Turn) -> tuple[str, ...]:
        pack = plan.turned_with(turn.light)
        return tuple(one for one in pack if one != turn.light and one in asked)

    return told, [
        replace(turn, explains=mended[turn.light], together=others(turn)) for turn in turns
    ]
