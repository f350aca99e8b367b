"""How names and numbers stand in a short line, safe to print wherever they come from."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from stopwise.wording import CALL_WIDTH, title
from stopwise.wording import lamp_name as spoken_lamp

if TYPE_CHECKING:
    from collections.abc import Callable

    from stopwise.plan.model import Light

CUT = "…"
"""Stands where a name was shortened."""

_SHORTEST = 3
"""Characters that a shortened name keeps at least, the sign of the cut among them."""


def shown(text: str) -> str:
    """Return outside text with everything that could steer a screen spelled out.

    Control characters, line breaks, direction marks, stray surrogates and whatever else can't be
    printed become escapes such as backslash x1b; all else stays.
    """
    return "".join(sign if sign.isprintable() else _spelled(sign) for sign in text)


def _spelled(sign: str) -> str:
    return sign.encode("unicode_escape", "backslashreplace").decode("ascii")


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


def in_steps(stops: float, light: Light | None) -> float:
    """Return a turn rounded to the steps that the lamp's pack has."""
    step = 0.1 if light is None else light.step
    return round(stops / step) * step


def power_text(power: float, light: Light) -> str:
    """Return a power, stops from full, as the lamp's pack shows it."""
    return light.power_shown(power)


def lamp_name(name: str) -> str:
    """Return how a lamp is spoken of, safe to print: "key", "hair lamp", "paper right lamp"."""
    return spoken_lamp(shown(name))


def fitted(build: Callable[..., str], *names: str, limit: int = CALL_WIDTH) -> str:
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
