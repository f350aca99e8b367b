"""How names and numbers stand in sentences, safe to print and short enough for a headline."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from stopwise.stops import say_shutter

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

HEADLINE_WIDTH = 38
"""Most characters that a line of the headline holds: type of 4.7 % of a screen's width."""

CUT = "…"
"""Stands where a name was shortened."""

_SHORTEST = 3
"""Characters that a shortened name keeps at least, the sign of the cut among them."""

_SMALL = 0.095
"""Under this a tenth would read 0.0 or 0.1 by rounding alone, so hundredths are shown."""


def title(name: str) -> str:
    """Return a patch's or lamp's name as it starts a sentence."""
    return name[:1].upper() + name[1:]


_ALONE = frozenset(("key", "fill", "kicker", "rim", "edge"))
"""Roles that name a lamp by themselves: one says "key down", but "hair lamp down"."""

LAMP_WORDS = frozenset(("lamp", "light", "flash", "head", "strobe"))
"""Words that may be said of any lamp and so name none."""


def lamp_name(name: str) -> str:
    """Return how a lamp is spoken of: "key", "hair lamp", "paper right lamp"."""
    words = shown(name).lower().split()
    known = bool(words) and (words[-1] in _ALONE or not LAMP_WORDS.isdisjoint(words))
    return shown(name) if known else f"{shown(name)} lamp"


def listed(names: Sequence[str]) -> str:
    """Return names one after the other: "key, fill and hair"."""
    return " and ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))


def stops_text(stops: float) -> str:
    """Return the size of a difference in tenths of a stop, in hundredths where it is small."""
    size = abs(stops)
    return f"{size:.1f}" if size >= _SMALL else f"{size:.2f}"


def share_text(fraction: float) -> str:
    """Return a share of an area as a percentage that keeps two figures when it is small."""
    percent = 100.0 * fraction
    return f"{percent:.0f} %" if percent >= 9.5 else f"{percent:.2g} %"


def signed(stops: float) -> str:
    """Return a difference in tenths of a stop with its sign, "0.0" where it rounds to nothing."""
    text = f"{stops:+.1f}"
    return "0.0" if text in ("+0.0", "-0.0") else text


def tenths(value: float) -> str:
    """Return a value in tenths, never as minus nought."""
    return signed(value).removeprefix("+")


def left_text(stops: float) -> str:
    """Return a margin rounded down to a tenth, so that no more is promised than is there."""
    floor = math.floor(stops * 10.0 + 1e-6) / 10.0
    return f"{floor:.1f}" if floor > 0 else "under 0.1"


def over_or_under(difference: float) -> str:
    """Return which side of the target a difference lies on."""
    return "over" if difference > 0 else "under"


def f_text(f_number: float) -> str:
    """Return an f-number as a camera shows it, half stops too: f/11, f/9.5.

    A meter's reading in tenths over a mark is :func:`stopwise.stops.say_f_number`.
    """
    return f"f/{f_number:.2g}" if f_number < 10 else f"f/{f_number:.0f}"


def shutter_text(seconds: float) -> str:
    """Return a shutter time as it is engraved, short enough for a headline: 1/160, 2 s."""
    said = say_shutter(seconds)
    return said.removesuffix(" s") if said.startswith("1/") else said


def iso_text(iso: float) -> str:
    """Return an ISO speed as it is spoken: ISO 100."""
    return f"ISO {iso:.0f}"


def place_text(point: tuple[float, float]) -> str:
    """Return a place of the picture as a person points at it, in percent from the left and top."""
    x, y = point
    return f"{100 * x:.0f} % from the left, {100 * y:.0f} % down"


def shown(text: str) -> str:
    """Return outside text with everything that could steer a screen spelled out.

    Control characters, line breaks, direction marks, stray surrogates and whatever else can't be
    printed become escapes such as backslash x1b; all else stays.
    """
    return "".join(
        sign
        if sign.isprintable()
        else sign.encode("unicode_escape", "backslashreplace").decode("ascii")
        for sign in text
    )


def fitted(build: Callable[..., str], *names: str, limit: int = HEADLINE_WIDTH) -> str:
    """Return a sentence about `names`, the longest of them shortened until it fits.

    Parameters
    ----------
    build
        Makes the sentence from as many names.
    names
        As the plan has them; they may hold anything.
    limit
        Most characters.

    Returns
    -------
    str
        At most `limit` characters, one line, its first letter a capital.
    """
    parts = [shown(name) for name in names]
    sentence = title(build(*parts))
    while len(sentence) > limit and any(len(part) > _SHORTEST for part in parts):
        longest = max(range(len(parts)), key=lambda index: len(parts[index]))
        parts[longest] = shortened(parts[longest], len(parts[longest]) - 1)
        sentence = title(build(*parts))
    return shortened(sentence, limit)


def shortened(text: str, limit: int) -> str:
    """Return `text` in at most `limit` characters, cut behind a word where one ends near there."""
    if len(text) <= limit:
        return text
    kept = text.removesuffix(CUT)[: limit - 1]
    space = kept.rfind(" ")
    if space >= len(kept) - 4 and space > _SHORTEST:
        kept = kept[:space]
    return kept.rstrip(" ,.") + CUT


UNCHANGED = 0.05
"""Stops under which a change rounds to nothing."""


def moved_text(stops: float, uncertainty: float | None = None) -> str:
    """Return how something changed: "up 0.4", "unchanged" where that is all that is sure."""
    if abs(stops) < max(UNCHANGED, uncertainty or 0.0):
        return "unchanged"
    return f"{up_or_down(stops)} {stops_text(stops)}"


def where_text(box: tuple[float, float, float, float]) -> str:
    """Return where a box lies, in words: "top left", "in the centre", "bottom right"."""
    x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    across = "left" if x < 1 / 3 else "right" if x > 2 / 3 else ""
    down = "top" if y < 1 / 3 else "bottom" if y > 2 / 3 else ""
    return " ".join(part for part in (down, across) if part) or "in the centre"


def up_or_down(stops: float) -> str:
    """Return which way something went."""
    return "up" if stops > 0 else "down"


def percent_text(fraction: float) -> str:
    """Return a share in whole percent: a spot's move is no surer than that."""
    return f"{max(round(100.0 * fraction), 1)} %"


FIGURES = {
    "zone": "zone",
    "left_right": "left against right",
    "falloff": "falloff",
    "uneven": "evenness",
    "blotch": "blotches",
    "tint": "tint",
}
"""How figures of the backdrop are spoken of."""

PAPER_FIGURES = {
    "zone": "paper",
    "left_right": "paper sides",
    "falloff": "paper falloff",
    "uneven": "paper evenness",
    "blotch": "paper blotch",
    "tint": "paper tint",
}
"""The same as the names of what is off."""
