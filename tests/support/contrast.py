"""How far two colours stand off each other, after WCAG 2.2."""

from __future__ import annotations


def relative_luminance(colour: str) -> float:
    """Return the relative luminance of an sRGB colour, 0 to 1, after WCAG 2.2.

    Parameters
    ----------
    colour
        As #RRGGBB; decoded after IEC 61966-2-1.
    """
    red, green, blue = (_linear(int(colour[at : at + 2], 16) / 255.0) for at in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _linear(code: float) -> float:
    return code / 12.92 if code <= 0.04045 else float(((code + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two sRGB colours, 1 to 21, after WCAG 2.2."""
    low, high = sorted((relative_luminance(one), relative_luminance(other)))
    return (high + 0.05) / (low + 0.05)
