"""Files made to hurt whoever reads them: each once ended or blinded a watch, or took gigabytes."""

from __future__ import annotations

import os
import struct
from typing import TYPE_CHECKING

import tifffile

from lightmodel.dng import DngExif, DngSpec, write_dng
from support.made_raws import levels_for, write_kind

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

DOUBLE, LONG, SHORT, BYTE = 12, 4, 3, 1
YEAR_2300_S = 10_413_792_000
"""Seconds since 1970; nanoseconds of it don't fit into 63 bits."""


def _box(kind: bytes, content: bytes) -> bytes:
    """Return a box of ISO/IEC 14496-12: size, kind, content."""
    return struct.pack(">I4s", 8 + len(content), kind) + content


def nested_boxes(path: Path) -> None:
    """Write 3000 boxes, each in the one before."""
    inner = b""
    for _ in range(3000):
        inner = _box(b"trak", inner)
    path.write_bytes(_box(b"ftyp", b"made" + bytes(8)) + _box(b"moov", inner) + _box(b"mdat", b"x"))


def _directory(entries: list[tuple[int, int, int, bytes]], following: int = 0) -> bytes:
    """Return a directory of little-endian TIFF; values that are longer than 4 bytes are offsets."""
    body = b"".join(
        struct.pack("<HHI", *entry[:3]) + entry[3].ljust(4, b"\0") for entry in sorted(entries)
    )
    return struct.pack("<H", len(entries)) + body + struct.pack("<I", following)


def _long(value: int) -> bytes:
    return struct.pack("<I", value)


def endless_size(path: Path, value: float = 1e308) -> None:
    """Write an uncompressed DNG whose width, height and bits are doubles of 1e308."""
    at = 2000
    entries = [(code, DOUBLE, 1, _long(at)) for code in (256, 257, 258)]
    entries += [
        (259, SHORT, 1, _long(1)),
        (262, SHORT, 1, _long(32803)),
        (273, LONG, 1, _long(100)),
        (279, LONG, 1, _long(100)),
        (50706, BYTE, 4, bytes([1, 4, 0, 0])),
    ]
    head = b"II*\0" + _long(8) + _directory(entries)
    path.write_bytes(head.ljust(at, b"x") + struct.pack("<d", value))


def infinite_size(path: Path) -> None:
    """Write the same with sizes that are infinite."""
    endless_size(path, float("inf"))


def size_of_no_number(path: Path) -> None:
    """Write the same with sizes that are no numbers."""
    endless_size(path, float("nan"))


def shared_pointers(path: Path) -> None:
    """Write 98 directories, each with the same array of 262 144 pointers to sub-directories."""
    many, at, size = 1 << 18, 4096, 18
    chain = b"".join(
        _directory([(330, LONG, many, _long(at))], 8 + (number + 1) * size if number < 97 else 0)
        for number in range(98)
    )
    head = b"II*\0" + _long(8) + chain
    path.write_bytes(head.ljust(at, b"x") + struct.pack(f"<{many}I", *range(1, 1 + many)))


def shared_tile(path: Path) -> None:
    """Write 60 000 tiles, each of them the whole coded picture of 1 MB."""
    write_dng(path, levels_for("rggb lossless", (512, 512)), spec=DngSpec(exif=None))
    data = bytearray(path.read_bytes().ljust(1 << 20, b"x"))
    with tifffile.TiffFile(path) as file:
        page = file.pages.first
        entries = [page.tags[code] for code in (324, 325)]
        values = (page.dataoffsets[0], len(data) - page.dataoffsets[0])
    for entry, value in zip(entries, values, strict=True):
        struct.pack_into("<HII", data, entry.offset + 2, LONG, 60_000, len(data))
        data += struct.pack("<I", value) * 60_000
    path.write_bytes(data)


def many_masked_areas(path: Path) -> None:
    """Write 20 000 masked areas, each of them the whole picture."""
    area = (0, 0, 512, 512)
    spec = DngSpec(exif=None, masked_areas=(area,) * 20_000)
    write_dng(path, levels_for("rggb lossless", (512, 512)), spec=spec)


def endless_frame(path: Path) -> None:
    """Write a small lossless picture whose JPEG claims 65 535 x 65 535 photosites (T.81, B.2.2)."""
    write_dng(path, levels_for("rggb lossless", (64, 96)), spec=DngSpec(exif=None))
    data = bytearray(path.read_bytes())
    struct.pack_into(">HH", data, data.index(b"\xff\xc3") + 5, 65535, 65535)
    path.write_bytes(data)


def tiny_index(path: Path) -> None:
    """Write a whole file whose ISO is the least double above 0, 5e-324."""
    write_dng(path, levels_for("rggb lossless"), spec=DngSpec(exif=DngExif(iso=200)))
    data = path.read_bytes()
    iso = struct.pack("<HHIHH", 34855, SHORT, 1, 200, 0)
    assert data.count(iso) == 1
    place = struct.pack("<HHII", 34855, DOUBLE, 1, len(data))
    path.write_bytes(data.replace(iso, place) + struct.pack("<d", 5e-324))


def of_the_year_2300(path: Path) -> None:
    """Write a whole file that changed in the year 2300, or as late as the file system can say."""
    write_kind(path, "gbrg uncompressed")
    os.utime(path, (YEAR_2300_S, YEAR_2300_S))


DAMAGED: tuple[Callable[[Path], None], ...] = (
    *(nested_boxes, endless_size, shared_pointers, shared_tile, many_masked_areas, endless_frame),
)
"""What `decode` must call damaged."""

UNREADABLE = (*DAMAGED, infinite_size, size_of_no_number)
WHOLE: tuple[Callable[[Path], None], ...] = (tiny_index, of_the_year_2300)
"""What is judged as any other."""
