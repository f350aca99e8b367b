"""A lamp that was out stays called until somebody says so or it has fired three times again."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stopwise.report.frame_calls import ALL_LAMPS
from stopwise.report.words import fitted, lamp_name

if TYPE_CHECKING:
    from collections.abc import Mapping

GOOD_FRAMES = 3
"""Frames in which a lamp must have fired before it is no longer called."""


class HeldCalls:
    """Keeps the lamps that were out in mind from frame to frame."""

    def __init__(self) -> None:
        self._good: dict[str, int] = {}

    def see(self, record: Mapping[str, Any]) -> None:
        """Take in the next frame; one that can't be read tells nothing."""
        if record["verdict"] == "unreadable":
            return
        out = lamps_out(record)
        for name in list(self._good):
            if name not in out and not out & ALL_LAMPS:
                self._good[name] += 1
                if self._good[name] >= GOOD_FRAMES:
                    del self._good[name]
        self._good |= dict.fromkeys(out - ALL_LAMPS, 0)

    def acknowledge(self) -> None:
        """Call none of them any more: somebody has seen to it."""
        self._good.clear()

    @property
    def lamp(self) -> str | None:
        """The lamp that has been called for longest, or None."""
        return next(iter(self._good), None)

    def lines(self) -> tuple[str, str] | None:
        """Return the call that stays, or None where nothing is held."""
        lamp = self.lamp
        if lamp is None:
            return None
        good = self._good[lamp]
        if not good:
            return fitted(
                "{} did not fire.".format, lamp_name(lamp)
            ), "Stop. Check it, shoot again."
        since = f"{good} good since"
        return fitted(lambda name: f"{name} was out, {since}.", lamp_name(lamp)), "Check the lamp."


def lamps_out(record: Mapping[str, Any]) -> frozenset[str]:
    """Return the lamps that a frame says did not fire."""
    lamps = record.get("lamps") or {}
    out = {name for name, lamp in lamps.items() if lamp.get("state") == "out"}
    for finding in record.get("findings") or ():
        if finding["check"] == "lamp" and finding["state"] == "fails":
            known = lamps.get(finding["of"], {}).get("state")
            if known is None and finding["measured"] is None:
                out.add(finding["of"])
    return frozenset(out)
