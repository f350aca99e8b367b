"""The flash's tail over a day's frames: what a slower frame that was asked for has shown."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from stopwise.nominal import slower_full_mark
from stopwise.verdict.frame import ask_slower
from stopwise.wording import shutter_text

if TYPE_CHECKING:
    from collections.abc import Mapping

_SAME_STOPS = 1.0 / 6.0
_MOST = 0.5
"""Share of left against right that a slower shutter must take away to be shown as the cause."""

Finding = dict[str, Any]


class Tail:
    """Takes a slower frame for what it was asked for, and remembers what it showed."""

    def __init__(self) -> None:
        self._asked: float | None = None
        self._uneven: float | None = None
        self._is_shown = False

    def settled(self, record: Mapping[str, Any]) -> tuple[dict[str, Any], str]:
        """Return a readable frame's record with what its slower neighbour told, and what to tell.

        Parameters
        ----------
        record
            The frame's record, judged by itself.

        Returns
        -------
        dict, str
            At the time that was asked for the shutter's setting holds. Where the paper came even
            there, uneven paper at a faster time is the shutter's. "" for nothing to tell.
        """
        taken = (record.get("exposure") or {}).get("shutter_s")
        sides = _sides(record)
        if not taken or sides is None:
            return dict(record), ""
        if self._asked is not None and abs(math.log2(taken / self._asked)) < _SAME_STOPS:
            return self._slower(record, sides)
        if sides["state"] != "fails":
            return dict(record), ""
        if self._is_shown and self._asked is not None and taken < self._asked:
            return _replaced(record, [self._blamed(one) for one in record["findings"]]), ""
        if sides["cause"] == "shutter" or sides["do"] == ask_slower(taken):
            self._asked, self._uneven = slower_full_mark(taken), sides["measured"]
        return dict(record), ""

    def _slower(self, record: Mapping[str, Any], sides: Finding) -> tuple[dict[str, Any], str]:
        words, before = "", self._uneven
        if sides["state"] != "fails" and not self._is_shown and before is not None:
            self._is_shown = abs(sides["measured"] or 0.0) <= _MOST * abs(before)
            if self._is_shown:
                words = self._words(before, sides["measured"])
        findings = [self._as_asked(one) for one in record["findings"]]
        return _replaced(record, findings), words

    def _words(self, before: float, after: float) -> str:
        at = shutter_text(self._asked or 1.0)
        return (
            f"It was the shutter: paper left against right reads {abs(after):.2f} at {at}, after "
            f"{abs(before):.2f}. Stay at {at}, leave the paper lamps."
        )

    def _as_asked(self, finding: Finding) -> Finding:
        if (finding["check"], finding["of"], finding["state"]) != ("setting", "shutter", "fails"):
            return finding
        say = f"Shutter at {shutter_text(self._asked or 1.0)}, as asked."
        return {**finding, "state": "holds", "say": say, "do": "", "cause": None}

    def _blamed(self, finding: Finding) -> Finding:
        of = (finding["check"], finding["of"])
        if finding["state"] != "fails" or of not in _OF_THE_TAIL:
            return finding
        do = f"Shutter to {shutter_text(self._asked or 1.0)}, leave the paper lamps."
        return {**finding, "cause": "shutter", "turn": None, "do": do}


_OF_THE_TAIL = (("backdrop", "backdrop left_right"), ("shutter", "slope"))


def _sides(record: Mapping[str, Any]) -> Finding | None:
    """Return the finding on the paper's left against its right, where the frame stands upright."""
    width, height = record.get("size") or (1, 0)
    if height <= width:
        return None
    found = [one for one in record.get("findings") or () if one["of"] == "backdrop left_right"]
    return found[0] if found and found[0]["measured"] is not None else None


def _replaced(record: Mapping[str, Any], findings: list[Finding]) -> dict[str, Any]:
    """Return a record with other findings, and the verdict that these come to."""
    whole = {**record, "findings": findings}
    if record["verdict"] != "off plan" or any(one["state"] == "fails" for one in findings):
        return whole
    if any(one["check"] == "patch" and one["state"] == "not seen" for one in findings):
        return {**whole, "verdict": "can't tell", "reason": "not every patch is seen"}
    return {**whole, "verdict": "on plan"}
