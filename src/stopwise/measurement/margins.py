"""Margins: the file's black against the photosites at the rim that no light reaches."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from stopwise.measurement.noise import masked_black, masked_error
from stopwise.stops import MID_GREY_OF_SATURATION, luminance_of_zone

if TYPE_CHECKING:
    from stopwise.frame import Frame, Masked
    from stopwise.measurement.measurement import Levels

MOST_ZONE_1_STOPS = 0.05
"""How far a wrong black may move Zone 1, stops: half a flash's 0.1 stop step (common practice)."""

_ERRORS = 3.0
_ROUNDED = 0.5
"""Levels: files often name black as a whole number."""


def with_margins(levels: Levels, frame: Frame) -> Levels:
    """Return levels with what the frame's masked margins say of black; black itself stays.

    Parameters
    ----------
    levels
        As found for this frame.
    frame
        Its masked photosites are read. Where its black differs from place to place, a margin
        has no black to be compared with, and nothing is said.

    Returns
    -------
    Levels
        `masked_black` is None where no colour has 256 masked photosites; `why` names `black_off`
        where a colour's mean differs from its black by more than :func:`black_limit`.

    Notes
    -----
    That masked photosites tell the level of zero light: DNG specification, MaskedAreas (from
    memory).
    """
    if frame.masked is None or frame.black_offset is not None:
        return levels
    means = tuple(masked_black(frame.masked, colour) for colour in range(len(levels.black)))
    if all(mean is None for mean in means):
        return levels
    off = any(
        mean is not None
        and abs(mean - levels.black[colour]) > black_limit(levels, frame.masked, colour)
        for colour, mean in enumerate(means)
    )
    return replace(levels, masked_black=means, why={"black": "black_off"} if off else {})


def black_limit(levels: Levels, masked: Masked, colour: int) -> float:
    """Return by how many raw levels a colour's margins may differ from its black.

    The greater of what would move Zone 1 of that colour by 0.05 stop, before white balance, with
    mid-grey at 0.127 of white (ISO 12232), and of three standard errors and half a level.
    """
    zone_1 = luminance_of_zone(1.0, mid_grey=MID_GREY_OF_SATURATION)
    span = levels.anchor[colour] - levels.black[colour]
    matters = (math.pow(2.0, MOST_ZONE_1_STOPS) - 1.0) * zone_1 * span
    return max(matters, _ERRORS * (masked_error(masked, colour) or 0.0) + _ROUNDED)
