"""A lamp that was out stays called until somebody says so or it has fired three times again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.wording import fitted, lamp_name

if TYPE_CHECKING:
    from stopwise.record import Record

GOOD_FRAMES = 3
"""Frames in which a lamp must have fired before it is no longer called."""


class HeldCalls:
    """Keeps the lamps that were out in mind from frame to frame."""

    def __init__(self) -> None:
        self._good: dict[str, int] = {}

    def see(self, record: Record) -> None:
        """Take in the next frame; one that can't be read tells nothing."""
        if record.verdict == "unreadable":
            return
        out = lamps_out(record)
        none_fired = any(one.code == "none_fired" for one in record.findings)
        for name in list(self._good):
            if name not in out and not none_fired:
                self._good[name] += 1
                if self._good[name] >= GOOD_FRAMES:
                    del self._good[name]
        self._good |= dict.fromkeys(out, 0)

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


def lamps_out(record: Record) -> frozenset[str]:
    """Return the lamps that a frame says did not fire."""
    out = {name for name, lamp in (record.lamps or {}).items() if lamp.state == "out"}
    called = {one.of for one in record.findings if one.is_misfire and one.code != "none_fired"}
    return frozenset(out | called)
