"""Is the file whole? What its own directories promise against what is there, before any decoding.

A lossy-compressed raw that is cut to a tenth decodes without an error, its missing rows filled with
what the decoder's buffer held last. Only the file's own promise shows that it is short.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.raw.containers import promised_by_container
from stopwise.raw.tiff import BadTiffError, Directory, Source, Tiff, is_tiff, read_tiff

if TYPE_CHECKING:
    from collections.abc import Iterator
WIDTH, HEIGHT, BITS, COMPRESSION, PHOTOMETRIC = 256, 257, 258, 259, 262
SAMPLES, SUBFILE, TILE_WIDTH, SAMPLE_FORMAT = 277, 254, 322, 339
CFA, LINEAR_RAW = 32803, 34892
_EXTENTS = ((273, 279), (324, 325), (513, 514), (0x7200, 0x7201))
_UNCOMPRESSED, JPEG = 1, 7
_CODED_BY_STANDARD = {JPEG, 8, 34892, 52546}
_PAGE, _TAIL, _HEAD = 4096, 64, 16


@dataclass(frozen=True, slots=True)
class Promise:
    """What a file says about itself.

    Attributes
    ----------
    end
        How many bytes it should have; None where its container doesn't say.
    tiff
        Its directories, where it is TIFF-like.
    fault
        What is wrong with its directories, where something is.
    """

    end: int | None
    tiff: Tiff | None = None
    fault: str | None = None


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
        container doesn't say, so that only a size at rest can tell.

    Raises
    ------
    OSError
        If it can't be opened or read.
    """
    with Path(path).open("rb") as stream:
        return promise_of(Source(stream, os.fstat(stream.fileno()).st_size)).end


def promise_of(source: Source) -> Promise:
    """Return what a file's own headers and directories promise."""
    head = source.at(0, _HEAD)
    if len(head) == _HEAD and not any(head):  # the length was set, the bytes are still to come
        return Promise(source.size + 1)
    if not is_tiff(head):
        return Promise(promised_by_container(source))
    try:
        tiff = read_tiff(source)
        return Promise(max(map(int, _ends(tiff)), default=None), tiff)
    except BadTiffError as error:
        return Promise(None, None, str(error))


def _ends(tiff: Tiff) -> Iterator[int]:
    """Yield where each thing ends that the directories name."""
    yield 8
    for directory in tiff.directories:
        yield directory.end
        yield max((entry.end for entry in directory.entries.values()), default=0)
        for offset, length in segments(tiff, directory):
            yield offset + length
        yield _needed_uncompressed(tiff, directory)


def segments(tiff: Tiff, directory: Directory) -> Iterator[tuple[int, int]]:
    """Yield offset and length of each strip, tile, preview and vendor block of a directory."""
    for place, count in _EXTENTS:
        offsets = tiff.whole_numbers(directory, place)
        lengths = tiff.whole_numbers(directory, count)
        yield from zip(offsets, lengths, strict=False)


def _needed_uncompressed(tiff: Tiff, directory: Directory) -> int:
    """Return where an uncompressed DNG's single strip must end by the picture's own size."""
    offsets = tiff.whole_numbers(directory, 273)
    plain = tiff.number(directory, COMPRESSION) == _UNCOMPRESSED
    if not (tiff.is_dng and plain and len(offsets) == 1):
        return 0
    width, height = tiff.number(directory, WIDTH) or 0, tiff.number(directory, HEIGHT) or 0
    samples = tiff.number(directory, SAMPLES) or 1
    row_bits = width * samples * (tiff.number(directory, BITS) or 0)
    return offsets[0] + int(-(-row_bits // 8) * height)


def raw_directories(tiff: Tiff) -> list[Directory]:
    """Return the directories that hold a mosaic or linear raw planes, full size first."""
    raws = [d for d in tiff.directories if tiff.number(d, PHOTOMETRIC) in {CFA, LINEAR_RAW}]
    return sorted(raws, key=lambda d: int(tiff.number(d, SUBFILE) or 0) & 1)


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
    for directory in raw_directories(tiff):
        compression = int(tiff.number(directory, COMPRESSION) or 0)
        if compression == _UNCOMPRESSED:
            continue
        tail = _TAIL if compression in _CODED_BY_STANDARD else _PAGE
        for number, (offset, length) in enumerate(segments(tiff, directory)):
            if compression == JPEG and tiff.source.at(offset, 2) != b"\xff\xd8":
                return f"part {number + 1} of the picture doesn't begin as a JPEG does"
            end = tiff.source.at(offset + max(length - tail, 0), min(tail, length))
            if not any(end):
                return f"part {number + 1} of the picture ends in zeros"
    return None
