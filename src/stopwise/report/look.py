"""The look: colours, and marks that differ by shape as well as colour, for slip, text and page."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

OKABE_ITO: Mapping[str, str] = MappingProxyType(
    {
        "black": "#000000",
        "orange": "#E69F00",
        "sky blue": "#56B4E9",
        "bluish green": "#009E73",
        "yellow": "#F0E442",
        "blue": "#0072B2",
        "vermillion": "#D55E00",
        "reddish purple": "#CC79A7",
    }
)
"""Colours that people with every kind of colour vision tell apart (Okabe and Ito, Color Universal
Design, 2002, revised 2008)."""


@dataclass(frozen=True, slots=True)
class Theme:
    """Colours by the part they play, as #RRGGBB.

    Attributes
    ----------
    ground, raised
        Behind everything, and behind a group of things.
    text, quiet
        What must be read, and what may be.
    rule
        Lines that carry meaning: scales, frames of marks. 3:1 at least.
    hair
        Lines that only part things; they carry nothing.
    share
        Bars of zone shares.
    holds, fails, edge, unseen
        States of a finding.
    target
        What the plan asks for.
    """

    ground: str
    raised: str
    text: str
    quiet: str
    rule: str
    hair: str
    share: str
    holds: str
    fails: str
    edge: str
    unseen: str
    target: str


DARK = Theme(
    ground="#14161A",
    raised="#1A1D22",
    text="#F2F0EA",
    quiet="#A8ADB6",
    rule="#868D98",
    hair="#343941",
    share="#6E7580",
    holds=OKABE_ITO["bluish green"],
    fails=OKABE_ITO["vermillion"],
    edge=OKABE_ITO["yellow"],
    unseen=OKABE_ITO["reddish purple"],
    target=OKABE_ITO["sky blue"],
)
"""The theme of slips, and the page's first."""

LIGHT = Theme(
    ground="#FAF9F6",
    raised="#EFEDE8",
    text="#17191D",
    quiet="#565C66",
    rule="#6A717C",
    hair="#D5D2CB",
    share="#7C828C",
    holds="#007A59",
    fails="#AE4B00",
    edge="#7A6A00",
    unseen="#A04A7A",
    target="#0069A5",
)
"""The page's theme for a bright room: the same hues, dark enough to stand on white."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A state's sign.

    Attributes
    ----------
    glyph
        For a screen that shows Unicode.
    plain
        For one that doesn't.
    shape
        Name of the outline that slip and page draw: disc, half disc, diamond, ring, square, cross.
    role
        Which of a theme's colours it has.
    """

    glyph: str
    plain: str
    shape: str
    role: str


STATE_MARKS: Mapping[str, Mark] = MappingProxyType(
    {
        "holds": Mark("●", "o", "disc", "holds"),
        "fails": Mark("◆", "X", "diamond", "fails"),
        "on the line": Mark("◐", "~", "half disc", "edge"),
        "not seen": Mark("○", "?", "ring", "unseen"),
    }
)
"""The mark of each state of a finding."""

VERDICT_MARKS: Mapping[str, Mark] = MappingProxyType(
    {
        "on plan": STATE_MARKS["holds"],
        "off plan": STATE_MARKS["fails"],
        "can't tell": STATE_MARKS["not seen"],
        "measured": Mark("□", "=", "square", "text"),
        "unreadable": Mark("×", "!", "cross", "fails"),
    }
)
"""The mark of each verdict."""


def colour_of(mark: Mark, theme: Theme) -> str:
    """Return the colour that a mark has in a theme."""
    colour: str = getattr(theme, mark.role)
    return colour
