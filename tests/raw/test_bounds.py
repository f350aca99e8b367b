"""Whatever a file says of itself, it is refused soon and in little memory."""

from __future__ import annotations

import struct
import time
import tracemalloc
from typing import TYPE_CHECKING

import pytest
import tifffile

from lightmodel.dng import DngExif, DngSpec, write_dng
from stopwise.errors import Unreadable
from stopwise.raw import declared_end, decode
from support.made_raws import levels_for

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

MOST_S, MOST_PEAK_BYTES = 5.0, 64 << 20
"""Far above what any of these files takes (a tenth of a second, and twice the file's bytes) and far
below what each took before there were bounds: an endless loop, 1.8 GB, 8.8 GB."""

DOUBLE, LONG, SHORT, BYTE = 12, 4, 3, 1


def box(kind: bytes, content: bytes) -> bytes:
    """Return a box of ISO/IEC 14496-12: size, kind, content."""
    return struct.pack(">I4s", 8 + len(content), kind) + content


def nested_boxes(path: Path) -> None:
    inner = b""
    for _ in range(3000):
        inner = box(b"trak", inner)
    path.write_bytes(box(b"ftyp", b"made" + bytes(8)) + box(b"moov", inner) + box(b"mdat", b"x"))


def directory(entries: list[tuple[int, int, int, bytes]], following: int = 0) -> bytes:
    """Return a directory of little-endian TIFF; values that are longer than 4 bytes are offsets."""
    body = b"".join(
        struct.pack("<HHI", *entry[:3]) + entry[3].ljust(4, b"\0") for entry in sorted(entries)
    )
    return struct.pack("<H", len(entries)) + body + struct.pack("<I", following)


def long(value: int) -> bytes:
    return struct.pack("<I", value)


def endless_size(path: Path) -> None:
    """Write an uncompressed DNG whose width, height and bits are doubles of 1e308."""
    at = 2000
    entries = [(code, DOUBLE, 1, long(at)) for code in (256, 257, 258)]
    entries += [
        (259, SHORT, 1, long(1)),
        (262, SHORT, 1, long(32803)),
        (273, LONG, 1, long(100)),
        (279, LONG, 1, long(100)),
        (50706, BYTE, 4, bytes([1, 4, 0, 0])),
    ]
    head = b"II*\0" + long(8) + directory(entries)
    path.write_bytes(head.ljust(at, b"x") + struct.pack("<d", 1e308))


def shared_pointers(path: Path) -> None:
    """Write 98 directories, each with the same array of 262 144 pointers to sub-directories."""
    many, at, size = 1 << 18, 4096, 18
    chain = b"".join(
        directory([(330, LONG, many, long(at))], 8 + (number + 1) * size if number < 97 else 0)
        for number in range(98)
    )
    head = b"II*\0" + long(8) + chain
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


HOSTILE = [nested_boxes, endless_size, shared_pointers, shared_tile, many_masked_areas]


@pytest.mark.parametrize("make", HOSTILE)
def test_a_hostile_file_is_unreadable_soon_and_in_little_memory(
    tmp_path: Path, make: Callable[[Path], None]
) -> None:
    path = tmp_path / "a.dng"
    make(path)
    tracemalloc.start()
    begun = time.perf_counter()

    declared_end(path)
    with pytest.raises(Unreadable, match="damaged"):
        decode(path)

    took, (_, peak) = time.perf_counter() - begun, tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert took < MOST_S
    assert peak < MOST_PEAK_BYTES


def test_filters_and_blacks_of_long_repeats_are_refused(tmp_path: Path) -> None:
    """Both patterns are brought to their least common measure, which may be their product."""
    path = tmp_path / "a.dng"
    spec = DngSpec(pattern=("RG", "GB") * 2050, compression="none", bits=16, exif=None)
    write_dng(path, levels_for("rggb lossless", (64, 96)), spec=spec)

    with pytest.raises(Unreadable, match="a filter pattern of 4100 x 2"):
        decode(path)


def test_an_index_that_no_logarithm_bears_is_none(tmp_path: Path) -> None:
    path = tmp_path / "a.dng"
    write_dng(path, levels_for("rggb lossless"), spec=DngSpec(exif=DngExif(iso=200)))
    data = path.read_bytes()
    iso = struct.pack("<HHIHH", 34855, SHORT, 1, 200, 0)
    assert data.count(iso) == 1
    place = struct.pack("<HHII", 34855, DOUBLE, 1, len(data))
    path.write_bytes(data.replace(iso, place) + struct.pack("<d", 5e-324))

    assert (decode(path).exposure.iso or 1.0) >= 1.0
