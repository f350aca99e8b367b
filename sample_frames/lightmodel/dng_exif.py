"""Write the Exif directory of a made raw file (Exif, CIPA DC-008), which tifffile leaves out."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import tifffile

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

PLACE_HELD = 34664
"""Tag that keeps the place of the Exif pointer, 34665, which tifffile doesn't write."""

_EXIF_IFD = 34665
_ASCII, _SHORT, _LONG, _RATIONAL, _SRATIONAL = 2, 3, 4, 5, 10

Entry = tuple[int, int, int, bytes]
"""Code, type, count and the bytes of the value."""


@dataclass(frozen=True, kw_only=True)
class DngExif:
    """What the file says about the exposure; None leaves a tag out.

    Attributes
    ----------
    iso, f_number, shutter_s
        Numbers, or strings and Fractions where the rational's form matters ("28/5", "1/160").
    taken
        Local time; its microseconds become the subsecond tag where they aren't 0.
    lens
        Name of the lens.
    apex
        Write aperture and shutter as APEX values too (ApertureValue, ShutterSpeedValue).
    """

    iso: int | None = 100
    f_number: Fraction | float | str | None = 11
    shutter_s: Fraction | float | str | None = "1/160"
    taken: datetime | None = None
    lens: str | None = None
    apex: bool = False


def as_fraction(value: Fraction | float | str) -> tuple[int, int]:
    """Return numerator and denominator, as a TIFF rational holds them."""
    exact = Fraction(value).limit_denominator(1_000_000)
    return exact.numerator, exact.denominator


def _exif_entries(exif: DngExif) -> list[Entry]:
    """Return (code, type, count, bytes of the value) in the order of the codes."""
    entries = []
    if exif.shutter_s is not None:
        entries.append((33434, _RATIONAL, 1, struct.pack("<2I", *as_fraction(exif.shutter_s))))
    if exif.f_number is not None:
        entries.append((33437, _RATIONAL, 1, struct.pack("<2I", *as_fraction(exif.f_number))))
    if exif.iso is not None:
        entries.append((34855, _SHORT, 1, struct.pack("<H", exif.iso)))
    if exif.taken is not None:
        entries.append(_text(36867, exif.taken.strftime("%Y:%m:%d %H:%M:%S")))
    if exif.apex:
        entries += _apex_entries(exif)
    if exif.taken is not None and exif.taken.microsecond:
        entries.append(_text(37521, f"{exif.taken.microsecond:06d}".rstrip("0")))
    if exif.lens is not None:
        entries.append(_text(42036, exif.lens))
    return entries


def _apex_entries(exif: DngExif) -> list[Entry]:
    """Return shutter and aperture as Tv = -log2 t and Av = 2 log2 N (Exif, APEX annex)."""
    entries = []
    if exif.shutter_s is not None:
        tv = as_fraction(-math.log2(Fraction(exif.shutter_s)))
        entries.append((37377, _SRATIONAL, 1, struct.pack("<2i", *tv)))
    if exif.f_number is not None:
        av = as_fraction(2.0 * math.log2(Fraction(exif.f_number)))
        entries.append((37378, _RATIONAL, 1, struct.pack("<2I", *av)))
    return entries


def _text(code: int, text: str) -> Entry:
    data = text.encode() + b"\0"
    return code, _ASCII, len(data), data


def append_exif(path: Path, exif: DngExif) -> None:
    """Write the Exif directory at the end and point the tag that kept its place to it."""
    with tifffile.TiffFile(path) as file:
        place = file.pages.first.tags[PLACE_HELD].offset
    with path.open("r+b") as stream:
        start = stream.seek(0, 2)
        start += start % 2
        stream.seek(start)
        stream.write(_directory(_exif_entries(exif), start))
        stream.seek(place)
        stream.write(struct.pack("<HHII", _EXIF_IFD, _LONG, 1, start))


def _directory(entries: list[Entry], start: int) -> bytes:
    """Return a TIFF directory that begins at `start`, with its values behind it."""
    head, tail = struct.pack("<H", len(entries)), b""
    values_start = start + 2 + 12 * len(entries) + 4
    for code, kind, count, value in entries:
        place = value.ljust(4, b"\0")
        if len(value) > 4:
            place = struct.pack("<I", values_start + len(tail))
            tail += value + b"\0" * (len(value) % 2)
        head += struct.pack("<HHI", code, kind, count) + place
    return head + b"\0\0\0\0" + tail
