"""Refuse what the decoder opens, or shears, though it isn't a full raw picture of a camera."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.conditions import condition
from stopwise.errors import Unreadable
from stopwise.raw.whole import (
    COMPRESSION,
    JPEG,
    LINEAR_RAW,
    PHOTOMETRIC,
    SAMPLE_FORMAT,
    SUBFILE,
    TILE_WIDTH,
    WIDTH,
    raw_directories,
    unwritten,
)

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.raw.decoder import Decoded
    from stopwise.raw.tiff import Directory, Tiff

_LOSSY_JPEG = 34892
_MAKER_NOTE = 37500
_FLOATING = 3
_THREE_PLANES = 3


def refuse_by_tags(tiff: Tiff, path: Path) -> None:
    """Raise, before decoding, for what the tags alone show.

    Raises
    ------
    Unreadable
        `cut_short` where a part was never written, `reduced` for a DNG whose best raw picture is a
        reduced one, `unsupported` where the decoder would shear or rescale it.
    """
    missing = unwritten(tiff)
    if missing is not None:
        raise Unreadable(path, condition("cut_short"), missing)
    for best in raw_directories(tiff)[:1]:
        if tiff.is_dng and _is_reduced(tiff, best):
            raise Unreadable(path, condition("reduced"))
        if tiff.number(best, SAMPLE_FORMAT) == _FLOATING:
            detail = "its levels are floating-point numbers"
            raise Unreadable(path, condition("unsupported"), detail)
        if _is_sheared(tiff, best):
            raise Unreadable(path, condition("unsupported"), "its tiles are wider than the picture")


def refuse_by_picture(tiff: Tiff, decoded: Decoded, path: Path) -> None:
    """Raise, after decoding, for a plain grey TIFF and for a maker's own small raw.

    Raises
    ------
    Unreadable
        `not_raw` or `reduced`.
    """
    if tiff.is_dng:
        return
    if not raw_directories(tiff) and not any(_MAKER_NOTE in d for d in tiff.directories):
        raise Unreadable(path, condition("not_raw"))
    if decoded.pattern is None and decoded.mosaic.shape[2] == _THREE_PLANES:
        # a maker's own TIFF with three planes is a small raw in luminance and colour difference
        raise Unreadable(path, condition("reduced"))


def _is_reduced(tiff: Tiff, best: Directory) -> bool:
    """Whether a DNG's best raw picture is marked reduced, or is a proxy: lossy JPEG of planes."""
    if int(tiff.number(best, SUBFILE) or 0) & 1:
        return True
    lossy = tiff.number(best, COMPRESSION) == _LOSSY_JPEG
    return lossy and tiff.number(best, PHOTOMETRIC) == LINEAR_RAW


def _is_sheared(tiff: Tiff, best: Directory) -> bool:
    """Whether coded tiles are wider than the picture.

    The decoder wraps the rows of such a lone column of tiles at the picture's width, without an
    error.
    """
    width, tile = tiff.number(best, WIDTH), tiff.number(best, TILE_WIDTH)
    return bool(tiff.number(best, COMPRESSION) == JPEG and width and tile and tile > width)
