"""Words, signs and fractions in what a person wrote, and the sentence for what can't be read."""

from __future__ import annotations

import math
import re

from stopwise.errors import WrongUse

Said = str | float
"""What a person gave: text, or a number of a TOML file."""

NUMBER = r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_SHOWN = 40

_SIGNS = {
    "½": " 1/2",
    "⅓": " 1/3",
    "⅔": " 2/3",
    "¼": " 1/4",
    "¾": " 3/4",
    "−": "-",
    "–": "-",
    "ƒ": "f",
    "″": '"',
    "′": "'",
    "’": "'",
    "”": '"',
    "°": " deg ",
    "·": "",
}
_WORDS = {
    r"\b(?:a|one) third\b": "1/3",
    r"\btwo thirds\b": "2/3",
    r"\b(?:a|one) half\b": "1/2",
    r"\b([0-9]) tenths?\b": r"\1/10",
    r"\s*\b(?:and|plus)\b\s*": " ",
}


def stops_in(text: str) -> float | None:
    """Return "+0.3", "1/3", "-1 1/3" as stops, None for anything else."""
    whole, fraction = rf"({NUMBER})", r"([0-9]+)\s*/\s*([0-9]+)"
    found = re.fullmatch(rf"([+-]?)\s*(?:{whole}|(?:{whole}\s+)?{fraction})", text.strip())
    if not found:
        return None
    part = divide(float(found[4]), float(found[5])) if found[4] else 0.0
    value = float(found[2] or found[3] or 0.0) + part
    return -value if found[1] == "-" else value


def plain(said: Said) -> str:
    """Return what was said in small letters, with one way of writing signs and words."""
    if isinstance(said, int | float):
        return f"{said!r}".lower().removesuffix(".0")
    text = said.strip().lower()
    for sign, plain in _SIGNS.items():
        text = text.replace(sign, plain)
    for words, plain in _WORDS.items():
        text = re.sub(words, plain, text)
    return text.strip()


def divide(upper: float, lower: float) -> float:
    """Return a quotient, infinity over nothing."""
    return upper / lower if lower else math.inf


def log2(value: float) -> float:
    """Return log2, minus infinity where there is none."""
    return math.log2(value) if value > 0.0 else -math.inf


def add(first: float, second: float | None) -> float | None:
    """Return a sum, None where the second part could not be read."""
    return None if second is None else first + second


def in_range(said: Said, value: float, span: tuple[float, float], right: str) -> float:
    """Return `value`, or refuse it with the sentence `right`."""
    least, most = span
    if least * (1.0 - 1e-9) - 1e-9 <= value <= most * (1.0 + 1e-9):
        return value
    msg = f"{show(said)} is out of range; {right}."
    raise WrongUse(msg)


def wrong(said: Said, what: str, right: str) -> WrongUse:
    """Return the refusal of something that is not `what`."""
    comma = isinstance(said, str) and re.search(r"[0-9],[0-9]", said)
    hint = " with a point for the decimal:" if comma else ""
    return WrongUse(f"{show(said)} is not {what}. Write{hint} {right}.")


def show(said: Said) -> str:
    """Return what was said, in quotes where it was text, short and printable."""
    text = repr(said) if isinstance(said, int | float) else f'"{said}"'
    text = text.encode("unicode_escape").decode() if not text.isprintable() else text
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}…"
