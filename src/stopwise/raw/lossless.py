"""Tell a damaged picture in lossless JPEG: each part must use up its code to the last bit.

A damaged lossless JPEG mostly decodes without an error, to other photosites. But a Huffman code
that is lost at one place is found again at another, and then as many differences as the picture has
need more or fewer bits than there are. How many a part needs follows from its photosites: each
difference from its prediction has one code only (ITU-T T.81, annex H and table H.2).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from itertools import cycle, islice
from typing import TYPE_CHECKING

import numpy as np

from stopwise.raw.whole import (
    COMPRESSION,
    HEIGHT,
    JPEG,
    SAMPLES,
    TILE_WIDTH,
    WIDTH,
    segments,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from stopwise.raw.tiff import Directory, Tiff

_LINEARIZATION, _DNG_VERSION, _ROWS_PER_STRIP, _TILE_HEIGHT = 50712, 50706, 278, 323
_FIRST_EXACT_VERSION = (1, 1)
_FRAME, _HUFFMAN, _RESTARTS, _SCAN = 0xC3, 0xC4, 0xDD, 0xDA
_WINDOW = 16
_NO_CODE = 255
_MOST_FOLLOWED = 1_500_000
"""Samples in margins that are followed one by one, about a tenth of a second; more are let be."""


@dataclass(frozen=True, eq=False, slots=True)
class Coded:
    """One lossless JPEG.

    Attributes
    ----------
    shape
        Rows, columns and components.
    bits
        Of each sample.
    predictor
        1 to 7 (T.81, table H.1).
    lengths
        For each component, the bits of each category's code; 255 where it has none.
    codes
        For each component, the table that :func:`_code_lengths` reads.
    code
        The coded data, stuffing and all, up to the next marker.
    """

    shape: tuple[int, int, int]
    bits: int
    predictor: int
    lengths: tuple[NDArray[np.uint8], ...]
    codes: tuple[tuple[bytes, bytes], ...]
    code: bytes

    @property
    def samples(self) -> int:
        """How many differences are coded."""
        rows, columns, components = self.shape
        return rows * columns * components


def disagreement(stored: NDArray[np.uint16], data: bytes, tiff: Tiff, raw: Directory) -> str | None:
    """Say which part of a picture doesn't use up its code.

    Parameters
    ----------
    stored
        uint16 (H, W): the decoded picture, margins and all.
    data
        The file's bytes.
    tiff, raw
        Its directories, and the one of the picture.

    Returns
    -------
    str or None
        A part of a sentence; None where all agree, and where the picture is coded in another way
        or its tags keep it from being told: levels that a table changed, restart markers.
    """
    if not _is_told_apart(tiff, raw, stored.shape):
        return None
    coded = [read_coded(data[place : place + length]) for place, length in segments(tiff, raw)]
    if len({None if one is None else (one.bits, one.shape[2]) for one in coded}) > 1:
        return "the parts of its picture are coded in different ways"
    to_follow = _MOST_FOLLOWED
    columns = int(tiff.number(raw, TILE_WIDTH) or stored.shape[1])
    pieces = _pieces(stored, columns, rows=_rows(tiff, raw))
    for number, (piece, one) in enumerate(zip(pieces, coded, strict=False), start=1):
        if one is None:
            continue
        if piece.size > one.samples:
            return f"part {number} of its picture has fewer photosites than its place"
        known, bits = _known(piece, one) if piece.shape[1] == columns else (0, 0)
        if one.samples - known > to_follow:
            continue
        to_follow -= one.samples - known
        if not uses_up(one.code, followed_bits(one, known=known, bits=bits)):
            return f"part {number} of its picture doesn't end where its code does"
    return None


def _known(piece: NDArray[np.uint16], coded: Coded) -> tuple[int, int]:
    """Return how many of the first samples are in the picture, and how many bits they have.

    Samples in a margin beneath the picture's edge aren't given by the decoder.
    """
    row = coded.shape[1] * coded.shape[2]
    if row % piece.shape[1] or piece.size % row:
        return 0, 0
    return piece.size, bits_of(piece.reshape(-1, *coded.shape[1:]), coded)


def _is_told_apart(tiff: Tiff, raw: Directory, shape: tuple[int, ...]) -> bool:
    """Whether the file's levels are the coded samples, in a way that is known."""
    version = tiff.directories[0].entries.get(_DNG_VERSION)
    if version is None or tuple(tiff.source.at(version.place, 2)) < _FIRST_EXACT_VERSION:
        return False
    size = (tiff.number(raw, HEIGHT), tiff.number(raw, WIDTH))
    is_plain = _LINEARIZATION not in raw.entries and (tiff.number(raw, SAMPLES) or 1) == 1
    return tiff.number(raw, COMPRESSION) == JPEG and is_plain and size == shape


def _rows(tiff: Tiff, raw: Directory) -> int:
    """Return the rows of a tile, or of a strip."""
    rows = tiff.number(raw, _TILE_HEIGHT if TILE_WIDTH in raw.entries else _ROWS_PER_STRIP)
    return int(rows or tiff.number(raw, HEIGHT) or 1)


def _pieces(stored: NDArray[np.uint16], columns: int, *, rows: int) -> Iterator[NDArray[np.uint16]]:
    """Yield what is in the picture of each tile or strip, in the order in which they are stored."""
    for top in range(0, stored.shape[0], max(rows, 1)):
        for left in range(0, stored.shape[1], max(columns, 1)):
            yield stored[top : top + rows, left : left + columns]


# --- reading --------------------------------------------------------------------------------------


def read_coded(data: bytes) -> Coded | None:
    """Read a lossless JPEG's headers; None where it is of another kind, or has restarts."""
    shape = bits = None
    tables: dict[int, tuple[NDArray[np.uint8], tuple[bytes, bytes]]] = {}
    place = 2
    while place + 4 <= len(data) and data[place] == 0xFF:
        kind, length = data[place + 1], int.from_bytes(data[place + 2 : place + 4], "big")
        body = data[place + 4 : place + 2 + length]
        place += 2 + length
        if kind == _FRAME and len(body) >= 6:
            bits, rows, columns, components = struct.unpack(">BHHB", body[:6])
            shape = (rows, columns, components)
        elif kind == _HUFFMAN:
            tables |= dict(_tables(body))
        elif kind == _RESTARTS and any(body):
            return None
        elif kind == _SCAN:
            return _scan(body, data[place:], shape, bits, tables)
    return None


def _scan(
    body: bytes,
    code: bytes,
    shape: tuple[int, int, int] | None,
    bits: int | None,
    tables: dict[int, tuple[NDArray[np.uint8], tuple[bytes, bytes]]],
) -> Coded | None:
    """Return what a scan's header and all before it say; None where a part is missing."""
    if shape is None or bits is None or not all(shape) or len(body) != 4 + 2 * shape[2]:
        return None
    used = [tables.get(body[2 + 2 * number] >> 4) for number in range(shape[2])]
    known = [table for table in used if table is not None]
    predictor, shift = body[1 + 2 * shape[2]], body[3 + 2 * shape[2]]
    if len(known) != shape[2] or not 1 <= predictor <= 7 or shift or not 2 <= bits <= 16:
        return None
    lengths, codes = zip(*known, strict=True)
    return Coded(shape, bits, predictor, lengths, codes, code[: _marker(code)])


def _tables(body: bytes) -> Iterator[tuple[int, tuple[NDArray[np.uint8], tuple[bytes, bytes]]]]:
    """Yield number and content of each Huffman table: counts, then categories (T.81, B.2.4.2)."""
    while len(body) > _WINDOW:
        counts = body[1 : 1 + _WINDOW]
        categories = body[1 + _WINDOW : 1 + _WINDOW + sum(counts)]
        lengths = np.full(_WINDOW + 1, _NO_CODE, dtype=np.uint8)
        at = 0
        for length, count in enumerate(counts, start=1):
            for category in categories[at : at + count]:
                if category <= _WINDOW:
                    lengths[category] = length
            at += count
        yield body[0] & 15, (lengths, (counts, categories))
        body = body[1 + _WINDOW + sum(counts) :]


def _marker(code: bytes) -> int:
    """Return where the next marker stands; in coded data FF is followed by 00 (T.81, F.1.2.3)."""
    place = code.find(b"\xff")
    while 0 <= place < len(code) - 1:
        if code[place + 1]:
            return place
        place = code.find(b"\xff", place + 2)
    return len(code)


# --- counting -------------------------------------------------------------------------------------


def bits_of(samples: NDArray[np.uint16], coded: Coded) -> int:
    """Return how many bits samples (rows, columns, components) need in a JPEG's own code."""
    bits = 0
    for component, lengths in enumerate(coded.lengths):
        differences = differences_of(samples[..., component], coded.predictor, coded.bits)
        bits += int(_bits_by_difference(lengths)[differences].sum(dtype=np.int64))
    return bits


def differences_of(samples: NDArray[np.uint16], predictor: int, bits: int) -> NDArray[np.uint16]:
    """Return samples (rows, columns) less their predictions, modulo 2^16 (T.81, H.1.2.1)."""
    found = np.empty_like(samples)
    found[0, 0] = (int(samples[0, 0]) - (1 << (bits - 1))) & 0xFFFF
    found[0, 1:] = samples[0, 1:] - samples[0, :-1]
    found[1:, 0] = samples[1:, 0] - samples[:-1, 0]
    left, above = samples[1:, :-1], samples[:-1, 1:]
    if predictor == 1:
        predicted = left
    elif predictor == 2:
        predicted = above
    else:
        predicted = _predicted(predictor, left, above, samples[:-1, :-1])
    np.subtract(samples[1:, 1:], predicted, out=found[1:, 1:])
    return found


def _predicted(
    predictor: int, left: NDArray[np.uint16], above: NDArray[np.uint16], both: NDArray[np.uint16]
) -> NDArray[np.uint16]:
    """Return the predictions 3 to 7 of T.81, table H.1; `both` is left of what is above."""
    a, b, c = (part.astype(np.int32) for part in (left, above, both))
    if predictor == 3:
        value = c
    elif predictor == 4:
        value = a + b - c
    elif predictor == 5:
        value = a + ((b - c) >> 1)
    elif predictor == 6:
        value = b + ((a - c) >> 1)
    else:
        value = (a + b) >> 1
    return value.astype(np.uint16)


def _bits_by_difference(lengths: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the bits of each difference, by its value modulo 2^16: its code and what follows."""
    sizes = np.abs(((np.arange(1 << 16) + 0x8000) & 0xFFFF) - 0x8000)
    category = np.ceil(np.log2(sizes + 1)).astype(np.uint8)
    more = np.where(category == _WINDOW, 0, category)
    code = lengths[category].astype(np.int32)
    bits: NDArray[np.uint8] = np.minimum(code + more, _NO_CODE).astype(np.uint8)
    return bits


def followed_bits(coded: Coded, *, known: int = 0, bits: int = 0) -> int:
    """Return how many bits all samples have, given how many the first `known` have.

    The code of the others is followed one by one.
    """
    first, rest = divmod(bits, 8)
    plain = coded.code.replace(b"\xff\x00", b"\xff")[first:]
    if known == coded.samples or not plain:
        return bits
    data = np.frombuffer(plain + bytes(8), dtype=np.uint8)
    steps = {codes: _steps(data, codes) for codes in dict.fromkeys(coded.codes)}
    tables = cycle([steps[codes] for codes in coded.codes])
    place = rest
    for table in islice(tables, known, coded.samples):  # `known` is whole rows
        place += table[place]
    return 8 * first + place


def _steps(plain: NDArray[np.uint8], codes: tuple[bytes, bytes]) -> bytes:
    """Return for each bit of the data how many bits a difference that begins there has."""
    wide = plain.astype(np.uint32)
    windows = wide[:-2] << 16 | wide[1:-1] << 8 | wide[2:]
    shifts = np.arange(8, 0, -1, dtype=np.uint32)
    steps: NDArray[np.uint8] = _code_lengths(codes)[(windows[:, None] >> shifts) & 0xFFFF]
    steps[-4:] = 0  # behind the end, where who gets there stays
    return steps.tobytes()


def _code_lengths(codes: tuple[bytes, bytes]) -> NDArray[np.uint8]:
    """Return by the next 16 bits how many a difference has, 0 for no code (T.81, annex C)."""
    counts, categories = codes
    found = np.zeros(1 << _WINDOW, dtype=np.uint8)
    at = first = 0
    for length, count in enumerate(counts, start=1):
        for category in categories[at : at + count]:
            width = 1 << (_WINDOW - length)
            more = 0 if category == _WINDOW else category
            found[first : first + width] = min(length + more, _NO_CODE)
            first += width
        at += count
    return found


def uses_up(code: bytes, needed: int) -> bool:
    """Whether so many bits end in the last byte of the coded data; zeros may follow."""
    left = 8 * (len(code) - code.count(b"\xff\x00")) - needed
    if left < 0:
        return False
    return left < 16 or not any(code.replace(b"\xff\x00", b"\xff")[-(left // 8) :])
