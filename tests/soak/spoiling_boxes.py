"""Spoil the structure of files of boxes (ISO/IEC 14496-12, section 4.2): sizes, kinds, nesting."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

    Mutation = Callable[[bytes, bytes, Random], bytes]

_HEAD = 8
_HOLDING = {b"moov", b"trak", b"mdia", b"minf", b"stbl"}
_KINDS = (*sorted(_HOLDING), b"mdat", b"stco", b"co64", b"stsz", b"uuid", b"free", bytes(4))
_SIZES = (0, 1, 2, 7, 8, 9, 15, 16, 17, 255, 65535, (1 << 31) - 1, 1 << 31, (1 << 32) - 1)
_MOST_FOUND = 200
_TABLES = (b"stco", b"co64", b"stsz")

Place = tuple[int, int, bytes]
"""Where a box begins and ends, and its kind."""


def box(kind: bytes, content: bytes) -> bytes:
    """Return a box: its size, its kind, what it holds."""
    return struct.pack(">I4s", _HEAD + len(content), kind) + content


def boxes_of(content: bytes) -> list[Place]:
    """Return the boxes of a file, those that hold others before what they hold."""
    found: list[Place] = []
    waiting = [(0, len(content))] if content[4:8] == b"ftyp" else []
    while waiting and len(found) < _MOST_FOUND:
        start, stop = waiting.pop(0)
        while start + _HEAD <= stop and len(found) < _MOST_FOUND:
            size, kind = struct.unpack_from(">I4s", content, start)
            if not _HEAD <= size <= stop - start:
                break
            found.append((start, start + size, kind))
            if kind in _HOLDING:
                waiting.append((start + _HEAD, start + size))
            start += size
    return found


def size_boxes(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Have one to three boxes claim another size: none, too little, 64 bits, past the end."""
    spoiled, boxes = bytearray(content), boxes_of(content)
    for _ in range(chance.randrange(1, 4) if boxes else 0):
        start, end, _ = chance.choice(boxes)
        near = end - start + chance.choice((-1, 1, 8))
        size = chance.choice((near, chance.choice(_SIZES))) & 0xFFFFFFFF
        spoiled[start : start + 4] = struct.pack(">I", size)
        if size == 1 and chance.random() < 0.7:
            wide = chance.choice((0, 15, 16, end - start, 1 << 40, 1 << 63, (1 << 64) - 1))
            spoiled[start + 8 : start + 16] = struct.pack(">Q", wide)
    return bytes(spoiled)


def rename_boxes(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Have boxes be of another kind, so that tables lie where boxes should and round about."""
    spoiled, boxes = bytearray(content), boxes_of(content)
    for _ in range(chance.randrange(1, 4) if boxes else 0):
        start, _, _ = chance.choice(boxes)
        spoiled[start + 4 : start + 8] = chance.choice(_KINDS)
    return bytes(spoiled)


def nest_boxes(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Put one box of the file within so many others."""
    boxes = boxes_of(content)
    if not boxes:
        return content
    start, end, _ = chance.choice(boxes)
    inner = content[start:end]
    kind = chance.choice(sorted(_HOLDING))
    for _ in range(chance.choice((1, 3, 10, 15, 16, 17, 100, 3000))):
        inner = box(kind, inner)
    return content[:start] + inner + content[end:]


def fill_with_boxes(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Put many small boxes before another, at the top or within."""
    boxes = boxes_of(content)
    if not boxes:
        return content
    start, _, _ = chance.choice(boxes)
    count = chance.choice((1, 30, 4000, 4100, 9000))
    small = box(chance.choice(_KINDS), chance.randbytes(chance.choice((0, 0, 4, 20))))
    return content[:start] + small * count + content[start:]


def set_tables(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Have tables of samples claim other counts, sizes and places."""
    spoiled = bytearray(content)
    for start, end, kind in boxes_of(content):
        if kind in _TABLES and end - start >= 16:
            for place in range(start + 12, end - 3, 4):
                if chance.random() < 0.4:
                    value = chance.choice((*_SIZES, chance.randrange(len(content))))
                    spoiled[place : place + 4] = struct.pack(">I", value)
    return bytes(spoiled)


BOX_MUTATIONS: tuple[Mutation, ...] = (
    size_boxes,
    rename_boxes,
    nest_boxes,
    fill_with_boxes,
    set_tables,
)
