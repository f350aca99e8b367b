"""Flags on the frames of a run: what happened to patches, put down to lamps, sitter or camera."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from stopwise.comparison.lamp_changes import lamp_words
from stopwise.wording import stops_text, title

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping, Sequence

    from stopwise.comparison.steps import Event
    from stopwise.findings import Cause

    Events = Mapping[str, Sequence[Event]]

_ALIKE = 0.15
_FEWEST = 3


@dataclass(frozen=True, slots=True)
class Flag:
    """What happened in a run, on the frame that caused it.

    Attributes
    ----------
    of
        The lamp, the patch, or "frame" where everything changed at once.
    what
        "lamp", "patch" or "frame".
    event
        What happened, from which frame.
    cause
        Lamp, sitter, camera or unknown.
    say, do
        A sentence each.
    """

    of: str
    what: str
    event: Event
    cause: Cause
    say: str
    do: str

    def to_json(self, files: Sequence[str]) -> dict[str, Any]:
        """Return the flag as plain JSON, with the file that it stands on."""
        return {
            "file": files[self.event.at],
            "of": self.of,
            "what": self.what,
            "kind": self.event.kind,
            "stops": self.event.stops,
            "cause": self.cause,
            "say": self.say,
            "do": self.do,
        }


def flags_of(lamps: Events, patches: Events, *, follows: Collection[str]) -> tuple[Flag, ...]:
    """Return the flags of a run, oldest first.

    Parameters
    ----------
    lamps, patches
        What happened to each; a lamp's events come from its outputs against its solo.
    follows
        Patches that go with the sitter.

    Returns
    -------
    tuple of Flag
        What a lamp did is said once, at the lamp. A patch that changed while all lamps were steady
        is put down to the sitter, if it goes with him. All patches together, with no solos, is one
        flag.
    """
    found = [_lamp_flag(name, event) for name, events in lamps.items() for event in events]
    taken = {(event.at, event.stops > 0) for events in lamps.values() for event in events}
    found += _common(patches) if not lamps else []
    together = {flag.event.at for flag in found if flag.what == "frame"}
    for name, events in patches.items():
        for event in events:
            if (event.at, event.stops > 0) in taken or event.at in together:
                continue
            found.append(_patch_flag(name, event, has_lamps=bool(lamps), moves=name in follows))
    return tuple(sorted(found, key=lambda flag: (flag.event.at, flag.what)))


def _common(patches: Events) -> list[Flag]:
    """Return one flag for each frame at which at least three patches, and all, went alike."""
    return list(_commons(patches))


def _commons(patches: Events) -> Iterator[Flag]:
    if len(patches) < _FEWEST:
        return
    for event in next(iter(patches.values())):
        alike = [
            any(one.at == event.at and abs(one.stops - event.stops) <= _ALIKE for one in events)
            for events in patches.values()
        ]
        if all(alike):
            say = f"Everything {_way(event)}{_span(event)}."
            yield Flag("frame", "frame", event, "unknown", say, "Look at the aperture and packs.")


def _lamp_flag(name: str, event: Event) -> Flag:
    lamp = lamp_words(name)
    do = {
        "out": "Leave this frame out."
        if event.stops > 0
        else "Leave this frame out, and wait longer for ready.",
        "step": f"If that was you, begin a take; else look at the {lamp}'s power and stand.",
        "drift": f"Let the {lamp} cool, or set its power again.",
    }[event.kind]
    say = f"{title(lamp)} {_way(event)}{_span(event)}."
    return Flag(name, "lamp", event, "lamp", say, do)


def _patch_flag(name: str, event: Event, *, has_lamps: bool, moves: bool) -> Flag:
    cause: Cause = "sitter" if has_lamps and moves else "unknown"
    steady = ", lamps steady" if has_lamps else ""
    do = "Sitter has turned. Leave the lamps." if cause == "sitter" else "Compare it with its take."
    say = f"{title(name)} {_way(event)}{_span(event)}{steady}."
    return Flag(name, "patch", event, cause, say, do)


def _way(event: Event) -> str:
    return f"{stops_text(event.stops)} {'up' if event.stops > 0 else 'down'}"


def _span(event: Event) -> str:
    return {"out": " in this frame", "step": " from here on", "drift": " little by little"}[
        event.kind
    ]
