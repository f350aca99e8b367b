"""Keys that had other names before: read, said once, and written new by the next edit."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.plan.places import find_places

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.plan.places import Places

_ANY = re.compile(r'apart|sheet|"of 10"|\'of 10\'')


@dataclass(frozen=True, slots=True)
class OldKey:
    """A key of before that a plan still uses: its line, from 1, as it stands, and its new name."""

    line: int
    old: str
    new: str


def renewed(text: str) -> tuple[str, tuple[OldKey, ...]]:
    """Write the keys of before by their names of now, each on the line where it stands.

    Parameters
    ----------
    text
        A plan's text, valid TOML.

    Returns
    -------
    tuple
        The text, and each key that was renamed, once for each name. Where old and new stand side
        by side so that the new text is none, the old one comes back, for the model to refuse.
    """
    if not _ANY.search(text):
        return text, ()
    edits = sorted(_edits(text, find_places(text)), key=lambda edit: edit[0])
    new = text
    for start, end, word, *_ in reversed(edits):
        new = f"{new[:start]}{word}{new[end:]}"
    try:
        tomllib.loads(new)
    except tomllib.TOMLDecodeError:
        return text, ()
    keys: dict[str, OldKey] = {}
    for start, _, _, old, now in edits:
        keys.setdefault(old, OldKey(text.count("\n", 0, start) + 1, old, now))
    return new, tuple(keys.values())


def _edits(text: str, places: Places) -> Iterator[tuple[int, int, str, str, str]]:
    """Yield start, end and new word of each place, and how the old and the new key are called."""
    for path, was, now, old, new in (
        (("apart",), "apart", "separation", "[[apart]]", "[[separation]]"),
        (("frames", "sheet"), "sheet", "white_card", "[frames.sheet]", "[frames.white_card]"),
    ):
        word = re.compile(rf"(?<![\w-]){was}(?![\w-])")
        depth = len(path)
        for one in places.statements:
            inside = one.table[:depth] == path
            if one.path[:depth] == path and (one.is_header or not inside):
                found = word.search(text, one.start, one.end)
                if found:
                    yield found.start(), found.end(), now, old, new
        if path[:-1] and (place := places.by_path.get(path)) and not _stated(places, path):
            inline = re.compile(rf"(?<![\w-])({was})[\"']?\s*=\s*$").search(text[: place.start])
            if inline:
                yield inline.start(1), inline.end(1), now, old, new
    for at, place in places.by_path.items():
        is_scale = at[:1] == ("light",) and at[-1] == "scale"
        if is_scale and text[place.start : place.end].strip("\"'") == "of 10":
            yield place.start, place.end, '"figure"', 'scale = "of 10"', 'scale = "figure"'


def _stated(places: Places, path: tuple[str, ...]) -> bool:
    """Tell whether a table stands as statements of its own, and not in braces."""
    return any(one.path[: len(path)] == path for one in places.statements)
