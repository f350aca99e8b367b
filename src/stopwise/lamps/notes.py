"""What is to be said of solos and the plan's other own frames: codes, fields, their sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from stopwise.wording import title

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

LampNoteCode = Literal[
    "no ambient",
    "settings",
    "other body",
    "unlit",
    "two lit",
    "overfed",
    "clipped",
    "ambient share",
    "meter",
    "no solo",
    "unread patch",
    "no spot",
    "none fired",
    "lit",
    "bright",
    "same",
    "sitter in plate",
]

REFUSED: frozenset[LampNoteCode] = frozenset(("other body", "unlit", "two lit", "overfed"))
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

    code: LampNoteCode
    lamp: str = ""
    names: tuple[str, ...] = ()
    stops: float | None = None
    share: float | None = None
    settings: tuple[float | None, float | None] = (None, None)
    is_doubted: bool = False

    @property
    def is_refused(self) -> bool:
        """Whether the solo can't be used."""
        return self.code in REFUSED and not self.is_doubted

    @property
    def say(self) -> str:
        """What it is."""
        return _SENTENCES[self.code](self)[0]

    @property
    def do(self) -> str:
        """What to do; "" for nothing."""
        do = _SENTENCES[self.code](self)[1]
        return f"If {self.lamp} wasn't turned since: {do}" if self.is_doubted else do

    @property
    def words(self) -> str:
        """Both, one after the other."""
        return f"{self.say} {self.do}".rstrip()


def _joined(names: tuple[str, ...]) -> str:
    """Return names as a list is spoken: "fill", "key, fill and hair"."""
    return names[-1] if len(names) < 2 else f"{', '.join(names[:-1])} and {names[-1]}"


def _settings(note: LampNote) -> tuple[str, str]:
    iso, f_number = note.settings
    if iso and f_number:
        taken = f"was taken at ISO {iso:g}, f/{f_number:g}: brought {note.stops:+.1f} stops."
        return f"The {note.lamp} solo {taken}", ""
    return f"The {note.lamp} solo was brought {note.stops:+.1f} stops.", ""


def _overfed(note: LampNote) -> tuple[str, str]:
    more = "more" if note.stops is None else f"{note.stops:.1f} stops more"
    return (
        (
            f"The {note.lamp} lamp gave {more} alone than with all lamps lit: "
            "the pack gave it the others' energy."
        ),
        f"Cap the other heads, don't switch them off, and shoot {note.lamp} again.",
    )


_SENTENCES: Mapping[LampNoteCode, Callable[[LampNote], tuple[str, str]]] = {
    "no ambient": lambda _: ("No ambient frame: each solo still holds the ambient.", ""),
    "settings": _settings,
    "other body": lambda note: (
        f"The {note.lamp} solo comes from another camera or size than the {note.names[0]} solo.",
        "Take all solos with one body, at one size.",
    ),
    "unlit": lambda note: (
        f"No lamp fired in the {note.lamp} solo.",
        f"Check the trigger, shoot {note.lamp} again.",
    ),
    "two lit": lambda note: (
        f"The {note.lamp} solo holds the light of {_joined(note.names)} too.",
        f"Cap {_joined(note.names)}, shoot {note.lamp} again.",
    ),
    "overfed": _overfed,
    "clipped": lambda note: (
        (
            f"The {note.lamp} solo is clipped in {', '.join(note.names)}: "
            "its light there is at least what it shows."
        ),
        f"Turn {note.lamp} down a stop and take its solo again.",
    ),
    "ambient share": lambda note: (
        f"Ambient light is {100.0 * (note.share or 0.0):.0f} % of {note.names[0]}.",
        "Dim the room and the modelling lamps, or shorten the shutter.",
    ),
    "meter": lambda note: (
        (
            f"Against {note.names[0]}, {note.lamp} gives about {note.stops:.1f} stops more on "
            f"{note.names[1]} than their meter readings say."
        ),
        (
            f"Meter {note.lamp} again with the dome in its hot centre: "
            "a spot smaller than the dome reads low."
        ),
    ),
    "no spot": lambda _: (
        "No spot with its edge is seen on a plain white card.",
        "Hold a matt white card at the face, wider than the spot, this lamp alone, nothing blown.",
    ),
    "none fired": lambda note: (
        "No lamp fired.",
        f"Check the trigger, shoot {note.lamp} again.",
    ),
    "lit": lambda note: (
        f"{title(_joined(note.names))} fired in it.",
        "Switch the trigger off, shoot again.",
    ),
    "bright": lambda _: (
        "It is as bright as a lit frame.",
        "Trigger off, modelling lamps off, shoot again.",
    ),
    "same": lambda note: (
        f"It shows {note.names[0]} alone.",
        f"Light {note.lamp} alone, shoot again.",
    ),
    "sitter in plate": lambda _: (
        "Somebody stands before the paper.",
        "Clear the set but for the paper and its lamps, shoot plate again.",
    ),
    "no solo": lambda note: (
        f"No solo of {note.lamp}: it isn't turned, and its light isn't in what is predicted.",
        "",
    ),
    "unread patch": lambda note: (
        f"The solos were read without patch {note.names[0]}: its targets are left out.",
        "",
    ),
}
