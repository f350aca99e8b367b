"""Spoil a file as cards, cables and copying programs do, and worse: bytes in, other bytes out.

What is done to the structure of a file stands in :mod:`soak.spoiling_tiff` and
:mod:`soak.spoiling_boxes`; here is what is done to any bytes, and the choice among all.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from soak.spoiling_boxes import BOX_MUTATIONS
from soak.spoiling_tiff import TIFF_MUTATIONS

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

    Mutation = Callable[[bytes, bytes, Random], bytes]

PAGE = 4096
_MOST_FLIPS = 64
_AGAIN = 0.25
"""Share of spoiled files that are spoiled once more."""


def flip_bits(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Turn over one to 64 bits anywhere."""
    spoiled = bytearray(content)
    for _ in range(2 ** chance.randrange(_MOST_FLIPS.bit_length())):
        spoiled[chance.randrange(len(spoiled))] ^= 1 << chance.randrange(8)
    return bytes(spoiled)


def cut(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """End the file anywhere, half the time in its last twentieth."""
    lowest = len(content) * 19 // 20 if chance.random() < 0.5 else 0
    return content[: chance.randrange(lowest, len(content))]


def cut_out(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Leave a stretch out, so that what follows moves up."""
    start, end = _stretch(content, chance)
    return content[:start] + content[end:]


def blank(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Have a stretch hold one value, as a lost block of a card does."""
    start, end = _stretch(content, chance)
    return content[:start] + bytes([chance.choice((0, 0xFF))]) * (end - start) + content[end:]


def lose_pages(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Have one to eight pages of a disk, side by side or apart, hold zeros: never written."""
    spoiled = bytearray(content)
    pages = -(-len(content) // PAGE)
    first = chance.randrange(pages)
    for number in range(chance.randrange(1, 9)):
        page = first + number if chance.random() < 0.5 else chance.randrange(pages)
        spoiled[page * PAGE : (page + 1) * PAGE] = bytes(len(spoiled[page * PAGE :][:PAGE]))
    return bytes(spoiled)


def garble(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Have a stretch hold random bytes."""
    start, end = _stretch(content, chance)
    return content[:start] + chance.randbytes(end - start) + content[end:]


def move(content: bytes, _donor: bytes, chance: Random) -> bytes:
    """Have a stretch hold what stands at another place of the file."""
    start, end = _stretch(content, chance)
    other = chance.randrange(len(content) - (end - start) + 1)
    return content[:start] + content[other : other + end - start] + content[end:]


def splice(content: bytes, donor: bytes, chance: Random) -> bytes:
    """Put a stretch of another file into the same place."""
    start, end = _stretch(content, chance)
    return content[:start] + donor[start:end] + content[end:]


def join(content: bytes, donor: bytes, chance: Random) -> bytes:
    """Begin as one file and end as another."""
    place = chance.randrange(len(content))
    return content[:place] + donor[place:]


def put_behind(content: bytes, donor: bytes, chance: Random) -> bytes:
    """Put another file, or as much of it as came, behind the whole of this one."""
    return content + donor[: chance.randrange(1, 1 + len(donor))]


def put_before(content: bytes, donor: bytes, chance: Random) -> bytes:
    """Put the head of another file before the whole of this one."""
    return donor[: chance.randrange(1, 1 + min(len(donor), 512))] + content


def _stretch(content: bytes, chance: Random) -> tuple[int, int]:
    """Return the bounds of a stretch, from one byte to half the file, short ones as often."""
    length = max(1, int(len(content) * 0.5 ** (1 + 14 * chance.random())))
    start = chance.randrange(len(content) - length + 1)
    return start, start + length


BYTE_MUTATIONS: tuple[Mutation, ...] = (
    flip_bits,
    cut,
    cut_out,
    blank,
    lose_pages,
    garble,
    move,
    splice,
    join,
    put_behind,
    put_before,
)

MUTATIONS: tuple[Mutation, ...] = (*BYTE_MUTATIONS, *TIFF_MUTATIONS, *BOX_MUTATIONS)
"""Each takes a file's bytes, another file's, and a source of chance.

Those of a structure that a file hasn't leave it as it is.
"""


def spoil(content: bytes, donor: bytes, chance: Random) -> tuple[bytes, str]:
    """Spoil a file in one way, or one after another in two or three.

    Returns
    -------
    tuple
        Other bytes, at least one, and the name of the way that came first.
    """
    spoiled, first = content, ""
    while not spoiled or spoiled == content or chance.random() < _AGAIN:
        mutation = chance.choice(MUTATIONS)
        changed = mutation(spoiled or content, donor, chance)
        if changed != spoiled:
            spoiled, first = changed, first or mutation.__name__
    return spoiled, first
