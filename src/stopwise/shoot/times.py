"""How long after another a frame was taken."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from stopwise.record import Record

_LONGEST_S = 3600.0
_SURE_S = 2.0
"""Whole seconds from which the times in the files say enough."""

Moment = tuple["Record", float]
"""A frame's record, and when it was judged, seconds of a steady clock."""


def since_last(before: Moment, now: Moment) -> float | None:
    """Return the seconds between two frames.

    Returns
    -------
    float or None
        From the times in the files where they hold fractions of a second. Whole seconds say little
        of a short wait: there it is the time between the two verdicts, as far as the files' times
        allow it. None where it can't be told, or is an hour or more.
    """
    judged = now[1] - before[1]
    taken = _taken(before[0]), _taken(now[0])
    since: float | None = judged
    if taken[0] is not None and taken[1] is not None:
        since = (taken[1] - taken[0]).total_seconds()
        if not (taken[0].microsecond or taken[1].microsecond):
            since = _whole(since, judged)
    return since if since is not None and 0.0 < since < _LONGEST_S else None


def _whole(seconds: float, judged: float) -> float | None:
    if abs(judged - seconds) < 1.0:
        return judged
    return seconds if seconds >= _SURE_S else None


def _taken(record: Record) -> datetime | None:
    said = None if record.exposure is None else record.exposure.taken
    try:
        return datetime.fromisoformat(said) if said else None
    except ValueError:
        return None
