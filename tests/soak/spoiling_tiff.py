"""Spoil the structure of TIFF-like files: directories, their entries, and what these point at.

Own reading of the layout (TIFF 6.0, section 2, and BigTIFF), apart from the package's, so that a
fault of the one doesn't hide from the other.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

    Mutation = Callable[[bytes, bytes, Random], bytes]
    Change = Callable[["TiffBytes", Random], None]

_HEADS = re.compile(rb"II[*+]\0|MM\0[*+]|IIR[OS]|IIU\0|MMOR")
_SEARCHED, _MOST_DIRECTORIES, _MOST_ENTRIES = 1 << 16, 40, 500

_LETTERS = {1: "B", 2: "B", 3: "H", 4: "I", 6: "b", 7: "B", 8: "h", 9: "i", 11: "f", 12: "d"}
_LETTERS |= {13: "I", 16: "Q", 17: "q", 18: "Q"}
_RATIONALS = {5: "I", 10: "i"}
_KINDS = (*range(19), 255, 0x1234, 0xFFFF)
"""All types of TIFF 6.0 and BigTIFF, and some that there aren't."""

_ASCII, _SHORT, _LONG, _LONG8 = 2, 3, 4, 16
_POINTING = (273, 279, 324, 325, 330, 513, 514, 34665, 34853, 37500, 50740, 0x7200, 0x7201)
_SIZES = (256, 257, 258, 277, 278, 284, 317, 322, 323, 33421, 50713, 50829, 50830)
_TEXTS = (271, 272, 305, 306, 315, 36867, 37521, 42036, 50708)
_OTHERS = (254, 259, 262, 266, 274, 339, 33422, 33434, 33437, 34855, 50706, 50712, 50714, 50715)
_OTHERS += (50716, 50717, 50721, 50723, 50727, 50728, 50778, 50719, 50720, 50733, 50831, 51009)
CODES = (*_POINTING, *_SIZES, *_TEXTS, *_OTHERS)
"""Tags that decoders of raw files look at (TIFF 6.0, TIFF/EP, Exif, DNG)."""

_EDGES = (0, 1, 2, 3, 4, 16, 127, 128, 255, 256, 4095, 4096, 32767, 32768, 65535, 65536, 262144)
_EDGES += (262145, (1 << 24) + 1, (1 << 31) - 1, 1 << 31, (1 << 32) - 1, 1 << 62, (1 << 64) - 1, -1)
_FLOATS = (0.0, -0.0, 1.0, -1.0, 0.5, 5e-324, 1e-300, 1e20, 1e38, 1e308, -1e308)
_FLOATS += (float("nan"), float("inf"), float("-inf"))

HOSTILE_TEXTS = (
    b"\x1b[2J\x1b[31mred\x1b]0;title\x07",
    "\u202egnd.exe\u202c \u2066left\u2069 \u200f".encode(),
    b"\xed\xa0\x80\xed\xbf\xbf lone surrogates",
    b"\xff\xfe\xc0\x80 no UTF-8 at all",
    b"\r\n{}\n[lights.key]\npower = 9",
    b"\x9b31m\xc2\x9b31m\x7f\x08\x08\x08",
    b"%s%n{of!r}{0.__class__}[bold]x[/]",
    b"9" * 5000,
    "\U0001f4a1\u0301\u0301\u0301".encode() * 300,
    b"",
    b"   \t  ",
    b"9999:99:99 99:99:99",
    b"2262:04:12 00:00:00",
    b"0000:00:00 00:00:00",
    b"2024:02:30 24:61:61\x00junk",
)
"""What no maker calls a camera, a lens or a moment."""


@dataclass(slots=True)
class _Entry:
    place: int
    code: int
    kind: int
    count: int


@dataclass(slots=True)
class _Directory:
    """`pointer` is where its offset stands in the file, `following` where that of the next does."""

    pointer: int
    start: int
    following: int
    entries: list[_Entry]


@dataclass(slots=True)
class TiffBytes:
    """A file's bytes with the directories in them, offsets counted from `base`."""

    data: bytearray
    base: int = 0
    order: str = "<"
    is_big: bool = False
    directories: list[_Directory] = field(default_factory=list)

    @property
    def width(self) -> int:
        """Bytes of an offset."""
        return 8 if self.is_big else 4

    @property
    def entry_size(self) -> int:
        """Bytes of an entry: code, type, count, value."""
        return 4 + 2 * self.width

    def integer(self, place: int, width: int) -> int:
        """Return the number that stands there."""
        order = "little" if self.order == "<" else "big"
        return int.from_bytes(self.data[place : place + width], order)  # type: ignore[arg-type]

    def put(self, place: int, value: int, width: int) -> None:
        """Write a number, cut to so many bytes."""
        order = "little" if self.order == "<" else "big"
        packed = (value & ((1 << 8 * width) - 1)).to_bytes(width, order)  # type: ignore[arg-type]
        self.data[place : place + width] = packed

    def append(self, data: bytes) -> int:
        """Put bytes behind all others and return their offset."""
        self.data += bytes(len(self.data) % 2)
        start = len(self.data) - self.base
        self.data += data
        return start

    def set_entry(self, entry: _Entry, kind: int, count: int, value: bytes) -> None:
        """Write an entry anew, its value where it has room, else behind all."""
        room = self.width
        at = entry.place + 4 + self.width
        self.put(entry.place + 2, kind, 2)
        self.put(entry.place + 4, count, self.width)
        if len(value) <= room:
            self.data[at : at + room] = value.ljust(room, b"\0")
        else:
            self.put(at, self.append(value), room)

    def all_entries(self) -> list[_Entry]:
        """Return the entries of all directories."""
        return [entry for directory in self.directories for entry in directory.entries]

    def entries_of(self, codes: tuple[int, ...], chance: Random) -> list[_Entry]:
        """Return one to four entries, of these tags where there are any."""
        among = [one for one in self.all_entries() if one.code in codes] or self.all_entries()
        return chance.sample(among, min(len(among), chance.randrange(1, 5)))


def read_structure(content: bytes) -> TiffBytes | None:
    """Return the first directories in a file, its own or those of a block in it."""
    found = _HEADS.search(content[:_SEARCHED])
    if found is None:
        return None
    order = "<" if found.group()[:2] == b"II" else ">"
    tiff = TiffBytes(bytearray(content), found.start(), order, b"+" in found.group())
    waiting, seen = [tiff.base + (8 if tiff.is_big else 4)], set()
    while waiting and len(tiff.directories) < _MOST_DIRECTORIES:
        pointer = waiting.pop()
        start = tiff.base + tiff.integer(pointer, tiff.width)
        head = 8 if tiff.is_big else 2
        count = tiff.integer(start, head)
        following = start + head + count * tiff.entry_size
        fits = count <= _MOST_ENTRIES and following + tiff.width <= len(content)
        if start in seen or not count or not fits:
            continue
        seen.add(start)
        entries = []
        for place in range(start + head, following, tiff.entry_size):
            entry = _Entry(
                place,
                tiff.integer(place, 2),
                tiff.integer(place + 2, 2),
                tiff.integer(place + 4, tiff.width),
            )
            entries.append(entry)
            if entry.code in {330, 34665, 34853}:
                value = place + 4 + tiff.width
                one = entry.count * (8 if entry.kind in {16, 18} else 4) <= tiff.width
                at = value if one else tiff.base + tiff.integer(value, tiff.width)
                step = 8 if entry.kind in {16, 18} else 4
                waiting += [at + step * number for number in range(min(entry.count, 8))]
        tiff.directories.append(_Directory(pointer, start, following, entries))
        waiting.append(following)
    return tiff if tiff.directories else None


# --- single fields --------------------------------------------------------------------------------


def retype(tiff: TiffBytes, chance: Random) -> None:
    """Have entries be of another type, their count and value as they are."""
    for entry in tiff.entries_of(CODES, chance):
        tiff.put(entry.place + 2, chance.choice(_KINDS), 2)


def recount(tiff: TiffBytes, chance: Random) -> None:
    """Have entries claim another number of values."""
    for entry in tiff.entries_of(CODES, chance):
        near = entry.count + chance.choice((-1, 1, 2))
        tiff.put(entry.place + 4, chance.choice((near, *_EDGES)), tiff.width)


def repoint(tiff: TiffBytes, chance: Random) -> None:
    """Have values, most of them places in the file, be other places or none."""
    for entry in tiff.entries_of(_POINTING, chance):
        other = chance.choice(tiff.all_entries())
        size = len(tiff.data) - tiff.base
        places = (size, size - 1, size + 1, entry.place - tiff.base, other.place - tiff.base)
        place = chance.choice((*places, chance.randrange(size), chance.choice(_EDGES)))
        tiff.put(entry.place + 4 + tiff.width, place, tiff.width)


def resize(tiff: TiffBytes, chance: Random) -> None:
    """Have the picture, its tiles, repeats and areas be of other sizes, near or absurd."""
    for entry in tiff.entries_of(_SIZES, chance):
        now = tiff.integer(entry.place + 4 + tiff.width, 2 if entry.kind == _SHORT else 4)
        near = (now + 1, now - 1, 2 * now, now // 2, 16 * now)
        value = chance.choice(near) if chance.random() < 0.5 else chance.choice(_EDGES)
        tiff.set_entry(entry, _LONG, 1, _packed(tiff, _LONG, [value]))


def swap_values(tiff: TiffBytes, chance: Random) -> None:
    """Have two entries change their types, counts and values."""
    one, other = (chance.choice(tiff.all_entries()).place for _ in range(2))
    length = tiff.entry_size - 2
    parts = [bytes(tiff.data[place + 2 : place + 2 + length]) for place in (one, other)]
    tiff.data[one + 2 : one + 2 + length] = parts[1]
    tiff.data[other + 2 : other + 2 + length] = parts[0]


def set_header(tiff: TiffBytes, chance: Random) -> None:
    """Change the header: byte order, magic, or the offset of the first directory."""
    start = tiff.base
    way = chance.randrange(3)
    if way == 0:
        tiff.data[start : start + 2] = b"MM" if tiff.order == "<" else b"II"
    elif way == 1:
        heads = (b"II*\0", b"II+\0", b"MM\0*", b"MM\0+", b"IIRO", b"IIU\0", b"MMOR")
        tiff.data[start : start + 4] = chance.choice(heads)
    else:
        place = chance.choice((chance.randrange(len(tiff.data)), *_EDGES))
        tiff.put(start + tiff.width, place, tiff.width)


# --- values ---------------------------------------------------------------------------------------


def set_values(tiff: TiffBytes, chance: Random) -> None:
    """Give entries values of any type at its extremes."""
    for entry in tiff.entries_of(CODES, chance):
        kind = chance.choice(sorted(_LETTERS | _RATIONALS))
        count = chance.choice((1, 1, 1, 2, 3, 4, 9, 12, min(entry.count, 5000), 300, 5000))
        if chance.random() < 0.5:
            values = [_odd(kind, chance) for _ in range(count)]
        else:
            values = [_odd(kind, chance)] * count
        packed = b"".join(_packed(tiff, kind, [value]) for value in values)
        tiff.set_entry(entry, kind, count, packed)


def _odd(kind: int, chance: Random) -> float:
    if kind in {11, 12}:
        return chance.choice(_FLOATS)
    return chance.choice((*_EDGES, chance.getrandbits(16), chance.getrandbits(64)))


def _packed(tiff: TiffBytes, kind: int, values: list[float]) -> bytes:
    """Return values as a type packs them; a rational's second part is 0, 1 or much."""
    if kind in {11, 12}:
        small = [float(value) for value in values]
        if kind == 11:
            small = [max(min(value, 3e38), -3e38) if value == value else value for value in small]
        return struct.pack(f"{tiff.order}{len(small)}{_LETTERS[kind]}", *small)
    letter = (_LETTERS | _RATIONALS)[kind]
    width = struct.calcsize(letter) if letter != "Q" else 8
    order = "little" if tiff.order == "<" else "big"
    wholes = [int(value) for value in values]
    if kind in _RATIONALS:
        wholes = [part for value in wholes for part in (value, (0, 1, value, 1 << 31)[value % 4])]
    return b"".join((w & ((1 << 8 * width) - 1)).to_bytes(width, order) for w in wholes)  # type: ignore[arg-type]


def set_text(tiff: TiffBytes, chance: Random) -> None:
    """Put a text that no maker writes under the tags of texts."""
    for entry in tiff.entries_of(_TEXTS, chance):
        text = chance.choice(HOSTILE_TEXTS)
        if chance.random() < 0.8:
            text += b"\0"
        tiff.set_entry(entry, _ASCII, len(text), text)


# --- arrays and directories -----------------------------------------------------------------------


def share_arrays(tiff: TiffBytes, chance: Random) -> None:
    """Have all entries whose value stands outside point to one array, as long as it may be."""
    count = chance.choice((8, 300, 5000, 20_000))
    values = [chance.randrange(len(tiff.data)) for _ in range(min(count, 300))]
    array = _packed(tiff, _LONG, values) * (count // len(values))
    place = tiff.append(array)
    for entry in tiff.all_entries():
        if entry.count > 1 and chance.random() < 0.7:
            tiff.put(entry.place + 2, _LONG, 2)
            tiff.put(entry.place + 4, len(array) // 4, tiff.width)
            tiff.put(entry.place + 4 + tiff.width, place, tiff.width)


def table_of_tiles(tiff: TiffBytes, chance: Random) -> None:
    """Give the picture a table of strips or tiles that overlap, repeat, lead out or nowhere."""
    parts = [one for one in tiff.all_entries() if one.code in {273, 279, 324, 325}]
    count = chance.choice((1, 2, 3, 4, 5, 16, 17, 300, 4000, chance.randrange(1, 60_000)))
    size = len(tiff.data) - tiff.base
    same = (chance.randrange(size), chance.choice((0, 1, 100, size)))
    far = chance.random() < 0.2
    for entry in parts:
        is_place = entry.code in {273, 324}
        way = chance.randrange(3)
        if way == 0:
            values = [same[0] if is_place else same[1]] * count
        elif way == 1:
            values = [number * (size // count or 1) % size for number in range(count)]
        else:
            top = 1 << 32 if far else size
            values = [chance.randrange(top) for _ in range(min(count, 5000))]
        tiff.set_entry(entry, _LONG, len(values), _packed(tiff, _LONG, list(values)))


def chain_directories(tiff: TiffBytes, chance: Random) -> None:
    """Have one directory stand many times in a row, each pointing to the next, or in a ring."""
    model = chance.choice(tiff.directories)
    body = bytes(tiff.data[model.start : model.following])
    count = chance.choice((1, 2, 10, 99, 101, 400))
    length = len(body) + tiff.width
    first = tiff.append(b"")
    for number in range(count):
        is_last = number == count - 1
        next_one = 0 if is_last else first + (number + 1) * length
        if is_last and chance.random() < 0.5:
            next_one = first
        tiff.data += body + bytes(tiff.width)
        tiff.put(len(tiff.data) - tiff.width, next_one, tiff.width)
    tiff.put(chance.choice(tiff.directories).following, first, tiff.width)


def point_to_many(tiff: TiffBytes, chance: Random) -> None:
    """Have a tag point to many sub-directories: those that are there, this one, or anything."""
    count = chance.choice((2, 9, 99, 101, 3000))
    known = [one.start - tiff.base for one in tiff.directories]
    if chance.random() < 0.5:
        known = [chance.randrange(len(tiff.data)) for _ in range(50)]
    for entry in tiff.entries_of((330, 34665, 34853), chance)[:1]:
        tiff.put(entry.place, 330, 2)
        values = [chance.choice(known) for _ in range(count)]
        tiff.set_entry(entry, chance.choice((_LONG, 13)), count, _packed(tiff, _LONG, list(values)))


def rewrite_directory(tiff: TiffBytes, chance: Random) -> None:
    """Write a directory anew behind all, entries left out, doubled, added, out of order."""
    old = chance.choice(tiff.directories)
    size = tiff.entry_size
    entries = [bytes(tiff.data[one.place : one.place + size]) for one in old.entries]
    for _ in range(chance.randrange(1, 6)):
        way = chance.randrange(4)
        if way == 0 and len(entries) > 1:
            del entries[chance.randrange(len(entries))]
        elif way == 1:
            entries.insert(chance.randrange(len(entries) + 1), chance.choice(entries))
        elif way == 2:
            chance.shuffle(entries)
        else:
            entries.append(_any_entry(tiff, chance))
    head = 8 if tiff.is_big else 2
    place = tiff.append(bytes(head) + b"".join(entries) + bytes(tiff.width))
    tiff.put(tiff.base + place, len(entries), head)
    if chance.random() < 0.8:
        following = bytes(tiff.data[old.following : old.following + tiff.width])
        tiff.data[len(tiff.data) - tiff.width :] = following
    tiff.put(old.pointer, place, tiff.width)


def _any_entry(tiff: TiffBytes, chance: Random) -> bytes:
    """Return an entry of any tag, type and number of values, packed."""
    kind = chance.choice(sorted(_LETTERS | _RATIONALS))
    values = [_odd(kind, chance) for _ in range(chance.choice((1, 2, 4, 9)))]
    value = b"".join(_packed(tiff, kind, [one]) for one in values)
    if len(value) > tiff.width:
        value = _packed(tiff, _LONG8 if tiff.is_big else _LONG, [tiff.append(value)])
    head = _packed(tiff, _SHORT, [chance.choice(CODES), kind])
    count = _packed(tiff, _LONG8 if tiff.is_big else _LONG, [len(values)])
    return head + count + value.ljust(tiff.width, b"\0")


def _mutation(change: Change) -> Mutation:
    """Make of a change to a structure a mutation of bytes, which leaves other files as they are."""

    def mutate(content: bytes, _donor: bytes, chance: Random) -> bytes:
        tiff = read_structure(content)
        if tiff is None:
            return content
        change(tiff, chance)
        return bytes(tiff.data)

    mutate.__name__ = change.__name__
    mutate.__doc__ = change.__doc__
    return mutate


TIFF_MUTATIONS: tuple[Mutation, ...] = tuple(
    map(
        _mutation,
        (
            retype,
            recount,
            repoint,
            resize,
            swap_values,
            set_header,
            set_values,
            set_text,
            share_arrays,
            table_of_tiles,
            chain_directories,
            point_to_many,
            rewrite_directory,
        ),
    )
)
