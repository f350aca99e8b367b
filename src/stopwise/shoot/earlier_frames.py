"""What a frame's record owes to those before it: turns that two agree on, a slower frame, waits."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

from stopwise.findings import verdict_of
from stopwise.stops import slower_full_mark
from stopwise.wording import shutter_text

if TYPE_CHECKING:
    from collections.abc import Collection

    from stopwise.findings import Finding
    from stopwise.record import Record


AGREE_STOPS = 0.2
"""Stops within which two frames ask the same turn of a lamp."""

_BEFORE = 2
"""Frames before this one that a turn may agree with: two of the last three."""


class Advice:
    """Holds a lamp's turn back until a second frame asks for it."""

    def __init__(self) -> None:
        self._asked: deque[dict[str, float]] = deque(maxlen=_BEFORE)

    def begin(self, turned: Collection[str]) -> None:
        """Begin a take: what the frame before it asked stays asked of lamps that weren't turned."""
        before = self._asked[-1] if self._asked else {}
        self._asked.clear()
        self._asked.append({lamp: by for lamp, by in before.items() if lamp not in turned})

    def settled(self, record: Record, *, in_take: bool) -> Record:
        """Return a readable frame's record with the turns that two of three frames agree on.

        Parameters
        ----------
        record
            The frame's record.
        in_take
            False while building up: then every turn is given at once.
        """
        asked = {turn.light: turn.needed for turn in record.turns}
        if in_take:
            agreed = {name for name, stops in asked.items() if self._has(name, stops)}
            record = record.without_turns(asked.keys() - agreed, advice="wait")
        self._asked.append(asked)
        return record

    def _has(self, lamp: str, stops: float) -> bool:
        return any(
            lamp in frame
            and frame[lamp] * stops > 0
            and abs(frame[lamp] - stops) <= max(AGREE_STOPS, abs(stops) / 2.0)
            for frame in self._asked
        )


_SAME_STOPS = 1.0 / 6.0
"""Stops within which two times are one mark: files round them."""

_MOST = 0.5
"""Share of left against right that a slower shutter must take away to be shown as the cause."""


class Tail:
    """Takes a slower frame for what it was asked for, and remembers what it showed."""

    def __init__(self) -> None:
        self._asked_s: float | None = None
        self._uneven: float | None = None
        self._is_shown = False

    def settled(self, record: Record) -> tuple[Record, str]:
        """Return a readable frame's record with what its slower neighbour told, and what to tell.

        Parameters
        ----------
        record
            The frame's record, judged by itself.

        Returns
        -------
        Record, str
            At the time that was asked for the shutter's setting holds. Where the paper came even
            there, uneven paper at a faster time is the shutter's. "" for nothing to tell.
        """
        taken_s = None if record.exposure is None else record.exposure.shutter_s
        sides = _sides(record)
        if not taken_s or sides is None:
            return record, ""
        asked_s = self._asked_s
        if asked_s is not None and abs(math.log2(taken_s / asked_s)) < _SAME_STOPS:
            return self._slower(record, sides, asked_s)
        if sides.state != "fails":
            return record, ""
        if self._is_shown and asked_s is not None and taken_s < asked_s:
            return _with(record, [_blamed(finding, asked_s) for finding in record.findings]), ""
        if sides.cause == "shutter" or sides.advice == "shoot_slower":
            self._asked_s, self._uneven = slower_full_mark(taken_s), sides.measured
        return record, ""

    def _slower(self, record: Record, sides: Finding, asked_s: float) -> tuple[Record, str]:
        words, before, after = "", self._uneven, abs(sides.measured or 0.0)
        if sides.state != "fails" and not self._is_shown and before is not None:
            self._is_shown = after <= _MOST * abs(before)
            if self._is_shown:
                at = shutter_text(asked_s)
                words = (
                    f"It was the shutter: paper left against right reads {after:.2f} at {at}, "
                    f"after {abs(before):.2f}. Stay at {at}, leave the paper lamps."
                )
        findings = [
            replace(finding, state="holds", code="as_asked", cause=None)
            if (finding.check, finding.of, finding.state) == ("setting", "shutter", "fails")
            else finding
            for finding in record.findings
        ]
        return _with(record, findings), words


def _blamed(finding: Finding, asked_s: float) -> Finding:
    if finding.state != "fails" or not (finding.figure == "left_right" or finding.code == "slope"):
        return finding
    detail = replace(finding.detail, shutter_s=asked_s)
    return replace(finding, cause="shutter", explained_by=None, advice="stay_slower", detail=detail)


def _sides(record: Record) -> Finding | None:
    """Return the finding on the paper's left against its right, where the frame stands upright."""
    width, height = record.size or (1, 0)
    if height <= width:
        return None
    found = [one for one in record.findings if one.figure == "left_right"]
    return found[0] if found and found[0].measured is not None else None


def _with(record: Record, findings: list[Finding]) -> Record:
    """Return a record with other findings, the verdict that these come to, and what still turns."""
    named = {one.explained_by for one in findings}
    turns = [turn for turn in record.turns if turn.light in named]
    return record.with_verdict(verdict_of(findings, turns))


_LONGEST_S = 3600.0
"""Seconds between two frames from which nothing is asked of the time between them."""

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
