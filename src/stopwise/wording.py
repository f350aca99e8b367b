"""How names and numbers are spoken in plain sentences: lamps, tenths of a stop, settings."""

from __future__ import annotations

OWN_FRAME = "the plan's own frame"
"""Why a frame that plays a part in the plan (grey, ambient, plate, a solo) isn't judged by it."""

CALL_WIDTH = 38
"""Most characters that a line of the call holds."""

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
    words = name.lower().split()
    known = bool(words) and (words[-1] in _ALONE or not LAMP_WORDS.isdisjoint(words))
    return name if known else f"{name} lamp"


def stops_text(stops: float) -> str:
    """Return the size of a difference in tenths of a stop, in hundredths where it is small."""
    size = abs(stops)
    return f"{size:.1f}" if size >= _SMALL else f"{size:.2f}"


def share_text(fraction: float) -> str:
    """Return a share of an area as a percentage that keeps two figures when it is small."""
    percent = 100.0 * fraction
    return f"{percent:.0f} %" if percent >= 9.5 else f"{percent:.2g} %"


def over_or_under(difference: float) -> str:
    """Return which side of the target a difference lies on."""
    return "over" if difference > 0 else "under"


def more_or_less(difference: float) -> str:
    """Return "more" or "less" for a ratio's or separation's difference."""
    return "more" if difference > 0 else "less"


def f_text(f_number: float) -> str:
    """Return an f-number as it is marked: f/11, f/5.6."""
    return f"f/{f_number:.2g}" if f_number < 10 else f"f/{f_number:.0f}"


def shutter_text(seconds: float) -> str:
    """Return a shutter time as it is marked: 1/160, 2 s."""
    return f"1/{1 / seconds:.0f}" if seconds < 0.3 else f"{seconds:g} s"


def place_text(point: tuple[float, float]) -> str:
    """Return a place of the picture as a person points at it, in percent from the left and top."""
    x, y = point
    return f"{100 * x:.0f} % from the left, {100 * y:.0f} % down"
