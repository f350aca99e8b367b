"""Cause: whether lamps explain what a frame measured, and which one to turn, or who else did it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.lamps.blaming import Case

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.lamps.knowledge import Blame, Circumstances, Failing, Knowledge
    from stopwise.lamps.outputs import LampReading

FELL_STOPS = -1.0
"""A patch that falls this far under its take's median has lost its lamp."""

HELD_STOPS = 0.25
"""A patch within this of its take's median has held."""


def explain(
    failing: Sequence[Failing],
    knowledge: Knowledge,
    readings: Mapping[str, LampReading],
    around: Circumstances,
) -> tuple[Blame, ...]:
    """Say for each failed finding what caused it.

    Parameters
    ----------
    failing
        Failed findings, in any order.
    knowledge
        What solos say of the targets.
    readings
        What each lamp gave in this frame.
    around
        What else is known of it.

    Returns
    -------
    tuple of Blame
        In the order of `failing`. A lamp is named only where the lamps' light as read explains the
        figure within 0.15 stop; a turn only where it mends the figure and breaks no other target.
    """
    case = Case(knowledge, readings, around)
    return tuple(case.blame(finding) for finding in failing)


def likely_out(drops: Mapping[str, float], lit_by: Mapping[str, Sequence[str]]) -> str | None:
    """Return the one lamp that likely did not fire, told without solos.

    Parameters
    ----------
    drops
        Stops that each seen patch reads under its take's own median, below 0 for darker.
    lit_by
        The lamps that light each patch, the leading one first.

    Returns
    -------
    str or None
        A lamp all of whose led patches fell by a stop or more while every patch that it doesn't
        light held within a quarter stop; None where no lamp or more than one fits.
    """
    suspects = []
    for lamp in dict.fromkeys(name for names in lit_by.values() for name in names[:1]):
        led = [drop for patch, drop in drops.items() if tuple(lit_by.get(patch, ()))[:1] == (lamp,)]
        others = [drop for patch, drop in drops.items() if lamp not in lit_by.get(patch, ())]
        if led and max(led) <= FELL_STOPS and others and _held(others):
            suspects.append(lamp)
    return suspects[0] if len(suspects) == 1 else None


def _held(drops: Sequence[float]) -> bool:
    return max(abs(drop) for drop in drops) <= HELD_STOPS
