"""Spoil a file as cards, cables and copying programs do, and worse: bytes in, other bytes out."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

from stopwise.raw.bounds import FileBytes
from stopwise.raw.whole import promise_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

    Mutation = Callable[[bytes, bytes, Random], bytes]

_ENTRY_BYTES, _VALUE_AT = 12, 8
_MOST_FLIPS = 64
_EDGES = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)


def flip_bits(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Turn over one to 64 bits anywhere."""
    spoiled = bytearray(content)
    for _ in range(2 ** chance.randrange(_MOST_FLIPS.bit_length())):
        spoiled[chance.randrange(len(spoiled))] ^= 1 << chance.randrange(8)
    return bytes(spoiled)


def cut(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """End the file anywhere, half the time in its last twentieth."""
    lowest = len(content) * 19 // 20 if chance.random() < 0.5 else 1
    return content[: chance.randrange(lowest, len(content))]


def cut_out(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Leave a stretch out, so that what follows moves up."""
    start, end = _stretch(content, chance)
    return content[:start] + content[end:]


def blank(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Have a stretch hold one value, as a lost block of a card does."""
    start, end = _stretch(content, chance)
    return content[:start] + bytes([chance.choice((0, 0xFF))]) * (end - start) + content[end:]


def garble(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Have a stretch hold random bytes."""
    start, end = _stretch(content, chance)
    return content[:start] + chance.randbytes(end - start) + content[end:]


def splice(content: bytes, donor: bytes, chance: Random) -> bytes:
    """Put a stretch of another file into the same place."""
    start, end = _stretch(content, chance)
    return content[:start] + donor[start:end] + content[end:]


def join(content: bytes, donor: bytes, chance: Random) -> bytes:
    """Begin as one file and end as another."""
    place = chance.randrange(len(content))
    return content[:place] + donor[place:]


def change_fields(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Change fields of one to three directory entries: code, type, count, value, what it points at.

    Entries have twelve bytes each (TIFF 6.0, section 2).
    """
    places = _fields(content)
    spoiled = bytearray(content)
    for _ in range(chance.randrange(1, 4)):
        place, length = chance.choice(places)
        value = chance.choice((*_EDGES, chance.getrandbits(32), chance.getrandbits(8)))
        packed = struct.pack("<I", value)[:length]
        if chance.random() < 0.5:
            near = int.from_bytes(spoiled[place : place + length], "little")
            packed = (near ^ 1 << chance.randrange(8 * length)).to_bytes(length, "little")
        spoiled[place : place + len(packed)] = packed
    return bytes(spoiled)


def _fields(content: bytes) -> list[tuple[int, int]]:
    """Return place and length of each field that a little-endian file's directories hold."""
    tiff = promise_of(FileBytes.of(content)).tiff
    fields = [(0, 2), (2, 2), (4, 4)]
    for directory in () if tiff is None else tiff.directories:
        for entry in directory.entries.values():
            if entry.outside:
                fields += [(entry.place + step, 4) for step in range(0, 16, 4)]
            else:
                start = entry.place - _VALUE_AT
                fields += [(start, 2), (start + 2, 2), (start + 4, 4), (entry.place, 4)]
    return [(place, length) for place, length in fields if place + length <= len(content)]


def _stretch(content: bytes, chance: Random) -> tuple[int, int]:
    """Return the bounds of a stretch, from one byte to half the file, short ones as often."""
    length = max(1, int(len(content) * 0.5 ** (1 + 14 * chance.random())))
    start = chance.randrange(len(content) - length + 1)
    return start, start + length


MUTATIONS: tuple[Mutation, ...] = (
    flip_bits,
    cut,
    cut_out,
    blank,
    garble,
    splice,
    join,
    change_fields,
)
"""Each takes a file's bytes, another file's, and a source of chance."""
