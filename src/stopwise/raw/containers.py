"""How many bytes a raw file's own container promises, for the containers that aren't TIFF.

Layouts of ISO base media boxes are those of ISO/IEC 14496-12. The others are well known in public
and told apart by their first bytes; their headers, or a directory at their very end, say where the
pixels lie. A promise that can't be kept but has no number is "one byte more than there is".
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.raw.tiff import Source

_MOST_BOXES = 4096
_BOX_HEAD = 8
_TREE = {b"moov", b"trak", b"mdia", b"minf", b"stbl"}


def promised_by_container(source: Source) -> int | None:
    """Return the byte count that a container's headers promise, or None where they don't say.

    Parameters
    ----------
    source
        The file's bytes; few of them are read.
    """
    head = source.at(0, 32)
    if head[4:8] == b"ftyp":
        return _boxes_end(source)
    if head[8:16] == b"CCD-RAW ":
        return _header_offsets_end(source)
    if head[:4] == b"FOVb":
        return _section_directory_end(source)
    if head[6:14] == b"HEAPCCDR":
        return _heap_end(source, head)
    if head[:4] == b"\0MRM":
        return _block_header_end(source)
    return None


# --- boxes of ISO/IEC 14496-12 --------------------------------------------------------------------


def _boxes_end(source: Source) -> int | None:
    """Return where the last box ends, or a sample that the movie box points to lies."""
    end, pointed, media = 0, 0, False
    for kind, start, stop in _boxes(source, 0, source.size):
        end = max(end, stop)
        media = media or kind == b"mdat"
        if kind == b"moov":
            pointed = _samples_end(source, start, stop)
    if not media:
        end = max(end, source.size) + _BOX_HEAD
    return max(end, pointed)


def _boxes(source: Source, start: int, stop: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield each box's kind, where its content starts and where it stops, even past the end."""
    for _ in range(_MOST_BOXES):
        if start >= stop:
            return
        head = source.at(start, 16)
        if len(head) < _BOX_HEAD:
            yield b"", start, start + _BOX_HEAD
            return
        size, kind = struct.unpack(">I4s", head[:8])
        content = start + 8
        if size == 1:
            size, content = int.from_bytes(head[8:16].ljust(8, b"\0"), "big"), start + 16
        elif size == 0:
            size = stop - start
        if size < content - start:
            return
        yield kind, content, start + size
        start += size


def _samples_end(source: Source, start: int, stop: int) -> int:
    """Return the furthest end of a sample in the tracks of a movie box."""
    furthest = 0
    tables: dict[bytes, int] = {}
    for kind, begin, end in _boxes(source, start, stop):
        tables[kind] = begin + 4
        if kind in _TREE:
            furthest = max(furthest, _samples_end(source, begin, min(end, stop)))
    offsets = _table(source, tables.get(b"stco"), 4) or _table(source, tables.get(b"co64"), 8)
    sizes = _sample_sizes(source, tables.get(b"stsz"))
    if len(sizes) != len(offsets):
        sizes = [1] * len(offsets)
    return max([furthest, *(a + b for a, b in zip(offsets, sizes, strict=True))])


def _sample_sizes(source: Source, place: int | None) -> list[int]:
    if place is None:
        return []
    alike, count = struct.unpack(">II", source.at(place, 8).ljust(8, b"\0"))
    return [alike] * min(count, _MOST_BOXES) if alike else _table(source, place + 4, 4)


def _table(source: Source, place: int | None, width: int) -> list[int]:
    if place is None:
        return []
    count = min(int.from_bytes(source.at(place, 4), "big"), _MOST_BOXES)
    data = source.at(place + 4, count * width)
    return [
        int.from_bytes(data[at : at + width], "big")
        for at in range(0, len(data) - width + 1, width)
    ]


# --- headers that name offsets --------------------------------------------------------------------


def _header_offsets_end(source: Source) -> int:
    """Return the furthest end of preview, pixel header and pixels: offset and length from 84."""
    data = source.at(84, 24)
    if len(data) < 24:
        return 84 + 24
    numbers: tuple[int, ...] = struct.unpack(">6I", data)
    return max(offset + length for offset, length in zip(numbers[::2], numbers[1::2], strict=True))


def _block_header_end(source: Source) -> int:
    """Return the end of the photosites, 12 bits packed or 16, behind the sensor's own block."""
    data = source.at(0, 35)
    if len(data) < 35 or data[8:12] != b"\0PRD":
        return max(source.size, 35) + 1
    pixels_at = 8 + int.from_bytes(data[4:8], "big")
    rows, columns = int.from_bytes(data[24:26], "big"), int.from_bytes(data[26:28], "big")
    bits = 12 if data[34] == 89 else 16
    return pixels_at + rows * columns * bits // 8


# --- directories at the very end ------------------------------------------------------------------


def _section_directory_end(source: Source) -> int:
    """Return the furthest section; the last four bytes point to their directory."""
    start = int.from_bytes(source.at(source.size - 4, 4), "little")
    head = source.at(start, 12)
    if head[:4] != b"SECd" or len(head) < 12:
        return source.size + 1
    count = int.from_bytes(head[8:12], "little")
    if start + 12 + 12 * count + 4 != source.size:
        return source.size + 1
    table = struct.iter_unpack("<II4s", source.at(start + 12, 12 * count))
    return max(source.size, *(int(offset) + int(length) for offset, length, _ in table), 0)


def _heap_end(source: Source, head: bytes) -> int:
    """Return the size where the table holds that the last four bytes point to, within the heap."""
    order: Literal["little", "big"] = "little" if head[:2] == b"II" else "big"
    heap = int.from_bytes(head[2:6], order)
    table = heap + int.from_bytes(source.at(source.size - 4, 4), order)
    count = source.at(table, 2)
    needed = table + 2 + 10 * int.from_bytes(count, order) + 4
    return source.size if any(count) and needed <= source.size else source.size + 1
