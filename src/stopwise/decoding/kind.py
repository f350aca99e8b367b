"""Refuse what the decoder opens though it isn't a full raw picture of a camera."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.conditions import condition
from stopwise.decoding.whole import (
    COMPRESSION,
    JPEG,
    LINEAR_RAW,
    PHOTOMETRIC,
    SUBFILE,
    TILE_WIDTH,
    WIDTH,
    raw_directories,
)
from stopwise.errors import Unreadable

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.decoding.decoder import Decoded
    from stopwise.decoding.tiff import Tiff

_LOSSY_JPEG = 34892
_MAKER_NOTE = 37500
_THREE_PLANES = 3


def refuse_kind(tiff: Tiff | None, decoded: Decoded, path: Path) -> None:
    """Raise for a plain grey TIFF, and for pictures that a camera reduced or processed.

    Raises
    ------
    Unreadable
        With the condition `not_raw` or `reduced`.
    """
    if tiff is None:
        return
    raws = raw_directories(tiff)
    if not raws and not tiff.is_dng and not _has_maker_note(tiff):
        raise Unreadable(path, condition("not_raw"))
    if tiff.is_dng:
        if raws and _is_reduced(tiff):
            raise Unreadable(path, condition("reduced"))
    elif decoded.pattern is None and decoded.mosaic.shape[2] == _THREE_PLANES:
        # a maker's own TIFF with three planes is a small raw in luminance and colour difference
        raise Unreadable(path, condition("reduced"))


def sheared(tiff: Tiff) -> bool:
    """Whether the decoder would shear the picture: coded tiles that are wider than it.

    It wraps the rows of such a lone column of tiles at the picture's width, without an error.
    """
    for directory in raw_directories(tiff)[:1]:
        width, tile = tiff.number(directory, WIDTH), tiff.number(directory, TILE_WIDTH)
        if tiff.number(directory, COMPRESSION) == JPEG and width and tile and tile > width:
            return True
    return False


def _has_maker_note(tiff: Tiff) -> bool:
    return any(_MAKER_NOTE in directory for directory in tiff.directories)


def _is_reduced(tiff: Tiff) -> bool:
    """Whether a DNG's best raw picture is a reduced one, or lossy JPEG of planes (a proxy)."""
    best = raw_directories(tiff)[0]
    if int(tiff.number(best, SUBFILE) or 0) & 1:
        return True
    lossy = tiff.number(best, COMPRESSION) == _LOSSY_JPEG
    return lossy and tiff.number(best, PHOTOMETRIC) == LINEAR_RAW
