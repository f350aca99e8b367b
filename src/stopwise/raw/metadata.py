"""Camera, exposure and orientation: from the file's own tags first, then as the decoder says.

Tags of Exif (CIPA DC-008) hold rationals where the decoder keeps 32-bit floats. A value that can't
be true (ISO 0, the year 1970, an aperture of 0) is no value.
"""

from __future__ import annotations

import re
from datetime import datetime
from itertools import islice
from typing import TYPE_CHECKING

from stopwise.frame import Camera, Exposure
from stopwise.raw import tags
from stopwise.raw.bounds import BeyondBoundsError, FileBytes
from stopwise.raw.directories import Directory, Tiff, read_tiff
from stopwise.raw.libraw import FIRST_YEAR

if TYPE_CHECKING:
    from stopwise.raw.libraw import Decoded

_ISO_FULL = 65535
"""The tag's greatest value; it means 'look elsewhere'."""

_ISO_RANGE, _F_RANGE, _SHUTTER_RANGE = (1.0, 1e8), (0.1, 1e3), (1e-7, 1e6)
"""Index, f-number and seconds beyond which no camera exposes: our own choice, a factor of ten and
more outside what is made. A figure that no logarithm or power bears never leaves this room."""

_ORIENTATION_OF_FLIP = {0: 1, 1: 2, 3: 3, 2: 4, 4: 5, 6: 6, 7: 7, 5: 8}
"""TIFF/EP orientation by the decoder's code: bit 0 mirrors, bit 1 flips, bit 2 swaps the axes."""

_SEARCHED, _MOST_BLOCKS = 1 << 20, 8
"""First bytes of another container in which blocks of tags are looked for, and how many."""


def orientation_of_flip(flip: int) -> int:
    """Return TIFF/EP orientation (tag 274), 1 to 8, of the decoder's code."""
    return _ORIENTATION_OF_FLIP.get(flip, 1)


def embedded_tags(data: bytes) -> Tiff:
    """Return the directories of all blocks of tags within a container that isn't TIFF-like.

    Other containers keep their Exif as small TIFF files of their own, in a preview, a box or a
    block; what can't be read isn't there.
    """
    directories: list[Directory] = []
    starts = re.finditer(rb"\A(?:II|MM)|II\*\0|MM\0\*", data[:_SEARCHED])
    for start in (match.start() for match in islice(starts, _MOST_BLOCKS)):
        block = FileBytes(
            len(data) - start,
            lambda at, length, start=start: data[start + at : start + at + length],  # type: ignore[misc]
        )
        try:
            directories += read_tiff(block).directories
        except BeyondBoundsError:
            continue
    return Tiff(tuple(directories))


def camera_of(blocks: Tiff, decoded: Decoded) -> Camera:
    """Return make, model and lens.

    Parameters
    ----------
    blocks
        The file's directories, or those of the blocks in it.
    decoded
        What the decoder understood of the lens.
    """
    return Camera(
        make=blocks.text(tags.MAKE),
        model=blocks.text(tags.MODEL) or blocks.text(tags.UNIQUE_MODEL),
        lens=blocks.text(tags.LENS) or " ".join(decoded.lens.split()) or None,
    )


def exposure_of(blocks: Tiff, decoded: Decoded) -> Exposure:
    """Return the settings that the file names; what it doesn't say, or says impossibly, is None."""
    said, iso = decoded.exposure, blocks.number(tags.ISO)
    return Exposure(
        iso=_likely(_ISO_RANGE, None if iso == _ISO_FULL else iso, said.iso),
        f_number=_likely(_F_RANGE, blocks.number(tags.F_NUMBER), said.f_number),
        shutter_s=_likely(_SHUTTER_RANGE, blocks.number(tags.SHUTTER), said.shutter_s),
        taken=_taken(blocks.text(tags.TAKEN), blocks.text(tags.SUBSECOND)) or said.taken,
    )


def _likely(
    within: tuple[float, float], told: float | None, understood: float | None
) -> float | None:
    """Return what a tag tells, or what the decoder understood where that is nothing, if it can be.

    Of a tag that tells what can't be, the decoder has understood no more than we have.
    """
    least, most = within
    value = told or understood
    return float(value) if value is not None and least <= value <= most else None


def _taken(text: str | None, subsecond: str | None) -> str | None:
    """Return Exif's "YYYY:MM:DD HH:MM:SS" and its decimals as ISO 8601, without a zone."""
    try:
        moment = datetime.strptime(text or "", "%Y:%m:%d %H:%M:%S")  # noqa: DTZ007 - local, as Exif has it
    except ValueError:
        return None
    if moment.year < FIRST_YEAR:
        return None
    decimals = f".{subsecond}" if subsecond and re.fullmatch(r"\d{1,9}", subsecond) else ""
    return moment.isoformat() + decimals
