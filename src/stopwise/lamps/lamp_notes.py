"""What is to be said of solos and the plan's other own frames: a code and its fields."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.codes import NOTES
from stopwise.wording import listed, title

if TYPE_CHECKING:
    from stopwise.codes import NoteCode

REFUSED: frozenset[NoteCode] = frozenset(
    ("other body", "unlit", "two lit", "overfed", "others changed", "gives more", "too faint")
)
"""What makes a solo useless; everything else is only said."""


@dataclass(frozen=True, slots=True)
class LampNote:
    """What is to be said of a lamp's solo, or of another of the plan's own frames.

    Attributes
    ----------
    code
        What it is about.
    lamp
        Whose solo, or the part; "" for the set.
    names
        Other lamps or patches that it is about, in the order of the sentence.
    stops
        By how much; None where it can't be told or doesn't apply.
    share
        A fraction, 0 to 1.
    settings
        ISO and f-number of the solo, as far as the file says.
    is_doubted
        Whether it refuses nothing, since the lamp may have been turned between the two frames.
    """

    code: NoteCode
    lamp: str = ""
    names: tuple[str, ...] = ()
    stops: float | None = None
    share: float = 0.0
    settings: tuple[float | None, float | None] = (None, None)
    is_doubted: bool = False

    @property
    def is_refused(self) -> bool:
        """Whether the solo can't be used."""
        return self.code in REFUSED and not self.is_doubted

    @property
    def words(self) -> str:
        """What it is and what to do, from the one table of sentences."""
        names = self.names or ("",)
        fields = {
            "lamp": self.lamp,
            "first": names[0],
            "last": names[-1],
            "listed": ", ".join(names),
            "all": listed(names),
            "All": title(listed(names)),
            "who": f"{listed(self.names)} gives" if self.names else "the other lamps give",
            "or_moved": f"; was {names[0]} moved or flagged, say: moved {names[0]}"
            if self.names
            else "",
            "stops": self.stops,
            "more": "more" if self.stops is None else f"{self.stops:.1f} stops more",
            "percent": 100.0 * self.share,
            "iso": self.settings[0],
            "f": self.settings[1],
        }
        say, do = (words.format(**fields) for words in NOTES[self.code])
        if self.is_doubted:
            do = f"If {self.lamp} wasn't turned since: {do}"
        return f"{say} {do}".rstrip()
