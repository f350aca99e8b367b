"""Is the file whole? What it promises of itself against what is there, before any decoding.

A lossy-compressed raw that is cut to a tenth decodes without an error, its missing rows filled with
what the decoder's buffer held last. Only the file's own promise shows that it is short. TIFF-like
files promise by their directories, others by boxes (ISO/IEC 14496-12), by offsets in a header or by
a directory at their very end; their layouts are well known in public, and told apart by their first
bytes. A promise that can't be kept but has no number is "one byte more than there is".
"""

from __future__ import annotations

import os
import struct
from pathlib import Path
from typing import Literal, NamedTuple

from stopwise.raw import bounds, tags
from stopwise.raw.bounds import BeyondBoundsError, FileBytes
from stopwise.raw.directories import Tiff, is_tiff, read_tiff

_HEAD = 32
"""First bytes that tell containers apart."""

_BOX_HEAD = 8
"""Bytes of a box's size and kind (ISO/IEC 14496-12, 4.2)."""

_TREE = {b"moov", b"trak", b"mdia", b"minf", b"stbl"}
"""Boxes that lead to tables of samples."""

_CODED_BY_STANDARD = {tags.JPEG, tags.DEFLATE, tags.LOSSY_JPEG, tags.JPEG_XL}
_TAIL, _PAGE = 64, 4096
"""Bytes at the end of a part that can't all be 0: a coder by a standard ends close, while makers'
own may pad to a page."""


class Promise(NamedTuple):
    """What a file says about itself.

    Attributes
    ----------
    end
        How many bytes it should have; None where its container doesn't say.
    tiff
        Its directories, where it is TIFF-like.
    """

    end: int | None
    tiff: Tiff | None = None


def declared_end(path: str | os.PathLike[str]) -> int | None:
    """Return how many bytes a file promises to have, reading only its directories.

    Parameters
    ----------
    path
        The file, opened for reading only.

    Returns
    -------
    int or None
        More than the file's size while it is still being written (or was cut); None where its
        container doesn't say, or says what no camera writes, so that only a size at rest can tell.

    Raises
    ------
    OSError
        If it can't be opened or read.
    """
    with Path(path).open("rb") as stream:  # this call's own, so that no other moves its position

        def read(offset: int, length: int) -> bytes:
            stream.seek(offset)
            return stream.read(length)

        try:
            return promise_of(FileBytes(os.fstat(stream.fileno()).st_size, read)).end
        except BeyondBoundsError:
            return None


def promise_of(file: FileBytes) -> Promise:
    """Return what a file's own headers and directories promise.

    Raises
    ------
    BeyondBoundsError
        If they say what no camera writes.
    """
    head = file.at(0, _HEAD)
    if len(head) >= _HEAD // 2 and not any(head[: _HEAD // 2]):
        return Promise(file.size + 1)  # the length was set, the bytes are still to come
    if not is_tiff(head):
        return Promise(_promised_by_container(file, head))
    tiff = read_tiff(file)
    end = _promised_by_tiff(tiff)
    if end > bounds.MOST_NUMBER:
        msg = "it promises more bytes than any disk has"
        raise BeyondBoundsError(msg)
    longest = max((sum(size for _, size in d.parts()) for d in tiff.directories), default=0)
    if end <= file.size < longest:  # each part would be decoded, however often it is named
        msg = "the parts of its picture hold more bytes than the file"
        raise BeyondBoundsError(msg)
    return Promise(end, tiff)


def unwritten(tiff: Tiff) -> str | None:
    """Say what part of the compressed picture was never written, in a file of full length.

    A copy that sets the length first leaves zeros where bytes are still to come. A lossless JPEG
    begins with its marker FF D8 (ITU-T T.81, table B.1), no coded picture ends in zeros, and each
    directory has an entry at least and none of the type 0 (TIFF 6.0, section 2).
    """
    if not tiff.directories:
        return "its first directory isn't written"
    for directory in tiff.directories:
        blank = directory.entries.get(0)
        if directory.role in {"main", "sub", "exif"} and (
            not directory.entries or (blank is not None and blank.kind == blank.count == 0)
        ):
            return "a directory that it points to isn't written"
    for directory in tiff.raws:
        compression = directory.whole(tags.COMPRESSION)
        if compression == tags.UNCOMPRESSED:
            continue
        tail = _TAIL if compression in _CODED_BY_STANDARD else _PAGE
        for number, (offset, length) in enumerate(directory.parts(), start=1):
            if compression == tags.JPEG and directory.file.at(offset, 2) != b"\xff\xd8":
                return f"part {number} of the picture doesn't begin as a JPEG does"
            if not any(directory.file.at(offset + max(length - tail, 0), min(tail, length))):
                return f"part {number} of the picture ends in zeros"
    return None


# --- directories of TIFF --------------------------------------------------------------------------


def _promised_by_tiff(tiff: Tiff) -> int:
    """Return where the last thing ends that the directories name."""
    ends = [8]
    for directory in tiff.directories:
        ends += directory.ends()
        if tiff.is_dng and directory.whole(tags.COMPRESSION) == tags.UNCOMPRESSED:
            parts = directory.parts()
            if len(parts) == 1:  # a single strip must hold the picture's own size
                row = (
                    directory.whole(tags.WIDTH)
                    * directory.whole(tags.SAMPLES, 1)
                    * directory.whole(tags.BITS)
                )
                ends.append(parts[0][0] + -(-row // 8) * directory.whole(tags.HEIGHT))
    return max(ends)


# --- other containers -----------------------------------------------------------------------------


def _promised_by_container(file: FileBytes, head: bytes) -> int | None:
    if head[4:8] == b"ftyp":
        return _boxes_end(file)
    if head[8:16] == b"CCD-RAW ":
        return _header_offsets_end(file)
    if head[:4] == b"FOVb":
        return _section_directory_end(file)
    if head[6:14] == b"HEAPCCDR":
        return _table_at_end(file, head)
    if head[:4] == b"\0MRM":
        return _block_header_end(file)
    return None


def _boxes_end(file: FileBytes) -> int:
    """Return where the last box ends, or a sample that the movie box points to lies."""
    end, boxes, has_media = 0, 0, False
    waiting = [(0, file.size, 0)]
    while waiting:
        start, stop, depth = waiting.pop()
        tables: dict[bytes, int] = {}
        while start < stop:
            boxes += 1
            if boxes > bounds.MOST_BOXES or depth > bounds.MOST_DEPTH:
                msg = f"over {bounds.MOST_BOXES} boxes, or {bounds.MOST_DEPTH} within one another"
                raise BeyondBoundsError(msg)
            head = file.take(start, 16)
            size, kind = struct.unpack(">I4s", head[:_BOX_HEAD].ljust(_BOX_HEAD, b"\0"))
            content = start + _BOX_HEAD
            if len(head) < _BOX_HEAD:
                size, kind = _BOX_HEAD, b""
            elif size == 1:  # its size follows, in 64 bits
                size, content = int.from_bytes(head[8:].ljust(8, b"\0"), "big"), start + 16
            elif size == 0:  # to the end
                size = stop - start
            if size < content - start:
                break
            tables[kind] = content + 4
            if kind in _TREE:
                waiting.append((content, min(start + size, stop), depth + 1))
            start += size
            if depth == 0:
                end, has_media = max(end, start), has_media or kind == b"mdat"
        end = max(end, _samples_end(file, tables))
    return end if has_media else max(end, file.size + _BOX_HEAD)


def _samples_end(file: FileBytes, tables: dict[bytes, int]) -> int:
    """Return the furthest end of the samples that the tables of one box name."""
    offsets = _table(file, tables.get(b"stco"), 4) or _table(file, tables.get(b"co64"), 8)
    sizes: list[int] = []
    if (place := tables.get(b"stsz")) is not None:
        alike = int.from_bytes(file.take(place, 4), "big")
        sizes = [alike] * len(offsets) if alike else _table(file, place + 4, 4)
    if len(sizes) != len(offsets):
        sizes = [1] * len(offsets)
    return max(map(sum, zip(offsets, sizes, strict=True)), default=0)


def _table(file: FileBytes, place: int | None, width: int) -> list[int]:
    if place is None:
        return []
    count = min(int.from_bytes(file.take(place, 4), "big"), bounds.MOST_BOXES)
    data = file.take(place + 4, count * width)
    ends = range(width, len(data) + 1, width)
    return [int.from_bytes(data[end - width : end], "big") for end in ends]


def _header_offsets_end(file: FileBytes) -> int:
    """Return the furthest end of preview, pixel header and pixels: offset and length from 84."""
    data = file.at(84, 24)
    if len(data) < 24:
        return 84 + 24
    return max(int(offset) + int(length) for offset, length in struct.iter_unpack(">II", data))


def _block_header_end(file: FileBytes) -> int:
    """Return the end of the photosites, 12 bits packed or 16, behind the sensor's own block."""
    data = file.at(0, 35)
    if len(data) < 35 or data[8:12] != b"\0PRD":
        return max(file.size, 35) + 1
    pixels_at = 8 + int.from_bytes(data[4:8], "big")
    rows, columns = int.from_bytes(data[24:26], "big"), int.from_bytes(data[26:28], "big")
    bits = 12 if data[34] == 89 else 16
    return pixels_at + rows * columns * bits // 8


def _section_directory_end(file: FileBytes) -> int:
    """Return the furthest section; the last four bytes point to their directory."""
    start = int.from_bytes(file.at(file.size - 4, 4), "little")
    head = file.at(start, 12)
    count = int.from_bytes(head[8:12], "little")
    is_there = head[:4] == b"SECd" and start + 12 + 12 * count + 4 == file.size
    if not is_there or count > bounds.MOST_ENTRIES:
        return file.size + 1
    sections = struct.iter_unpack("<II4s", file.at(start + 12, 12 * count))
    return max(file.size, *(int(offset) + int(length) for offset, length, _ in sections), 0)


def _table_at_end(file: FileBytes, head: bytes) -> int:
    """Return the size where the table holds that the last four bytes point to, within the heap."""
    order: Literal["little", "big"] = "little" if head[:2] == b"II" else "big"
    heap = int.from_bytes(head[2:6], order)
    table = heap + int.from_bytes(file.at(file.size - 4, 4), order)
    count = file.at(table, 2)
    needed = table + 2 + 10 * int.from_bytes(count, order) + 4
    return file.size if any(count) and needed <= file.size else file.size + 1
