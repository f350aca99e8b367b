"""Whether a frame can play the part that it was awaited for, in words; it crosses processes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Answer:
    """Whether a frame can play a part.

    Attributes
    ----------
    part
        The part it was held against.
    say, do
        Why it can't, and what to do; "" where it can.
    warnings
        What else is to be said of it.
    spoilt
        Lamps whose own solos this frame shows to be wrong, with the reason.
    """

    part: str
    say: str = ""
    do: str = ""
    warnings: tuple[str, ...] = ()
    spoilt: tuple[tuple[str, str], ...] = ()

    @property
    def fits(self) -> bool:
        """Whether it can."""
        return not self.say
