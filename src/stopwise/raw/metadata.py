"""Camera, exposure and orientation: from the file's own tags first, then as the decoder says.

Tags of Exif (CIPA DC-008) hold rationals where the decoder keeps 32-bit floats. A value that can't
be true (ISO 0, the year 1970, an aperture of 0) is no value.
"""

from __future__ import annotations

import io
import logging
import math
import re
from datetime import datetime
from typing import TYPE_CHECKING

from stopwise.frame import Camera, Exposure

if TYPE_CHECKING:
    from stopwise.raw.decoder import Settings
    from stopwise.raw.tiff import Tiff

_MAKE, _MODEL, _LENS, _UNIQUE_MODEL = 271, 272, 42036, 50708
_SHUTTER, _F_NUMBER, _ISO = 33434, 33437, 34855
_TAKEN, _SUBSECOND = 36867, 37521
_ISO_FULL = 65535
"""The tag's greatest value; it means 'look elsewhere'."""

_ORIENTATION_OF_FLIP = {0: 1, 1: 2, 3: 3, 2: 4, 4: 5, 6: 6, 7: 7, 5: 8}
"""TIFF/EP orientation by the decoder's code: bit 0 mirrors, bit 1 flips, bit 2 swaps the axes."""

_FIRST_YEAR = 1971


def orientation_of_flip(flip: int) -> int:
    """Return TIFF/EP orientation (tag 274), 1 to 8, of the decoder's code."""
    return _ORIENTATION_OF_FLIP.get(flip, 1)


def camera_of(tiff: Tiff | None, data: bytes, settings: Settings) -> Camera:
    """Return make, model and lens.

    Parameters
    ----------
    tiff
        The file's directories, None where it isn't TIFF-like.
    data
        The whole file; read as Exif where there are no directories.
    settings
        What the decoder understood.
    """
    if tiff is not None:
        make, model = tiff.text(_MAKE), tiff.text(_MODEL) or tiff.text(_UNIQUE_MODEL)
        lens = tiff.text(_LENS)
    else:
        make, model, lens = _read_exif(data)
    return Camera(make, model, lens or _clean(settings.lens))


def exposure_of(tiff: Tiff | None, settings: Settings) -> Exposure:
    """Return the settings that the file names; what it doesn't say, or says impossibly, is None."""
    iso, f_number, shutter_s, taken = (None, None, None, None)
    if tiff is not None:
        iso = tiff.first_number(_ISO)
        f_number, shutter_s = tiff.first_number(_F_NUMBER), tiff.first_number(_SHUTTER)
        taken = _taken(tiff.text(_TAKEN), tiff.text(_SUBSECOND))
    return Exposure(
        iso=_above_zero(iso if iso != _ISO_FULL else None) or _above_zero(settings.iso),
        f_number=_above_zero(f_number) or _above_zero(settings.f_number),
        shutter_s=_above_zero(shutter_s) or _above_zero(settings.shutter_s),
        taken=taken or settings.taken,
    )


def _above_zero(value: float | None) -> float | None:
    return float(value) if value is not None and 0.0 < value < math.inf else None


def _taken(text: str | None, subsecond: str | None) -> str | None:
    """Return Exif's "YYYY:MM:DD HH:MM:SS" and its decimals as ISO 8601, without a zone."""
    try:
        moment = datetime.strptime(text or "", "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007 - local, as Exif has it
    except ValueError:
        return None
    if moment.year < _FIRST_YEAR:
        return None
    decimals = subsecond if subsecond and re.fullmatch(r"\d{1,9}", subsecond) else ""
    return moment.isoformat() + (f".{decimals}" if decimals else "")


def _clean(text: str) -> str | None:
    return " ".join(text.split()) or None


def _read_exif(data: bytes) -> tuple[str | None, str | None, str | None]:
    """Return make, model and lens of a container that isn't TIFF-like, where it holds Exif."""
    import exifread

    logging.getLogger("exifread").addHandler(logging.NullHandler())
    try:
        tags = exifread.process_file(io.BytesIO(data), details=False)
    except Exception:  # noqa: BLE001 - a parser of hostile bytes: what it can't read isn't there
        return None, None, None
    names = ("Image Make", "Image Model", "EXIF LensModel")
    make, model, lens = (_clean(str(tags.get(name, ""))) for name in names)
    return make, model, lens
