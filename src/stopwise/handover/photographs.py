"""Photographs of the set, taken by telephone: upright, small, and without the place they hold."""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING

from stopwise.errors import PathMissing, WrongUse

if TYPE_CHECKING:
    from pathlib import Path

    from PIL.Image import Image

_EDGE = 1600
"""Pixels along the longer side: 200 an inch over the width of a page."""

_QUALITY = 82
"""Of the JPEG: no trace of it is seen at that size (chosen by eye)."""

_HEIC = frozenset({".heic", ".heif"})


def photograph(path: Path) -> bytes:
    """Return a picture of the set as a JPEG that holds nothing but its pixels, turned upright.

    Parameters
    ----------
    path
        A JPEG or PNG; HEIC where the extra ``heic`` is installed.

    Raises
    ------
    PathMissing
        If it isn't there.
    WrongUse
        If it is no picture that can be read.
    """
    from PIL import Image, ImageOps

    if not path.is_file():
        msg = f"{path} isn't there. Name a picture of the set."
        raise PathMissing(msg)
    if path.suffix.lower() in _HEIC:
        _learn_heic(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(path) as opened:
                opened.draft("RGB", (2 * _EDGE, 2 * _EDGE))
                picture = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, ValueError, SyntaxError, Warning, Image.DecompressionBombError) as error:
        msg = f"{path} can't be read as a picture. Give a JPEG or PNG."
        raise WrongUse(msg) from error
    picture.thumbnail((_EDGE, _EDGE))
    return _plain(picture)


def _plain(picture: Image) -> bytes:
    """Return a picture's pixels alone as a JPEG: what else its file held stays behind."""
    from PIL import Image

    bare = Image.new("RGB", picture.size)
    bare.paste(picture)
    told = io.BytesIO()
    bare.save(told, "JPEG", quality=_QUALITY)
    return told.getvalue()


def _learn_heic(path: Path) -> None:
    try:
        from pillow_heif import register_heif_opener
    except ImportError:
        msg = (
            f"{path} is HEIC, which needs an extra: pip install 'stopwise[heic]'. Or save it as "
            "JPEG first."
        )
        raise WrongUse(msg) from None
    register_heif_opener()
