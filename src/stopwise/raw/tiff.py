"""Read the directories of a TIFF-like file without trusting them: bounded, and safe from loops.

Nothing is decoded here. Camera makers' raw files, DNG among them, mostly are TIFF 6.0 with other
magic bytes; a few use BigTIFF. Offsets may point anywhere, so each read says how much it got.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, BinaryIO, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

Role = Literal["main", "sub", "exif", "gps", "private"]

SUB_DIRECTORIES, EXIF, GPS, PRIVATE = 330, 34665, 34853, 50740

_MOST_DIRECTORIES = 100
_MOST_ENTRIES = 1000
_MOST_VALUES = 1 << 18
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_SIZES |= {16: 8, 17: 8, 18: 8}
_LETTERS = {1: "B", 2: "B", 3: "H", 4: "I", 5: "I", 6: "b", 7: "B", 8: "h", 9: "i", 10: "i"}
_LETTERS |= {11: "f", 12: "d", 13: "I", 16: "Q", 17: "q", 18: "Q"}
_RATIONALS = {5, 10}
_POINTERS = {4, 13, 16, 18}
_PLAIN_MAGIC = {b"II*\0", b"MM\0*", b"IIRO", b"IIRS", b"MMOR", b"IIU\0"}
_BIG_MAGIC = {b"II+\0", b"MM\0+"}


class BadTiffError(ValueError):
    """Directories that no camera writes: too many, too long, or longer than any use for them."""


class Source:
    """Bytes at any place of a file or buffer.

    Parameters
    ----------
    stream
        Open for reading bytes, and able to seek.
    size
        How many bytes it holds.
    """

    def __init__(self, stream: BinaryIO, size: int) -> None:
        self._stream = stream
        self.size = size

    def at(self, offset: int, length: int) -> bytes:
        """Return up to `length` bytes from `offset`; fewer, or none, past the end."""
        if not 0 <= offset < self.size:
            return b""
        self._stream.seek(offset)
        return self._stream.read(min(length, self.size - offset))


@dataclass(frozen=True, slots=True)
class Entry:
    """One tag: its code, type, count, and where in the file its values stand."""

    code: int
    kind: int
    count: int
    place: int
    outside: bool

    @property
    def end(self) -> int:
        """Where its values end, 0 where they stand in the entry itself."""
        return self.place + self.count * _SIZES.get(self.kind, 1) if self.outside else 0


@dataclass(frozen=True, slots=True)
class Directory:
    """One directory: where it ends, what it is for, and its entries by code."""

    end: int
    role: Role
    entries: Mapping[int, Entry]

    def __contains__(self, code: int) -> bool:
        return code in self.entries


@dataclass(frozen=True, slots=True)
class Tiff:
    """All directories of a file, in the order in which they were found.

    Attributes
    ----------
    source
        The bytes.
    magic
        The first four of them.
    directories
        The first is the file's first.
    """

    source: Source
    magic: bytes
    directories: tuple[Directory, ...]
    order: str = field(default="<")

    @property
    def is_dng(self) -> bool:
        """Whether the first directory has the DNG version."""
        return bool(self.directories) and _DNG_VERSION in self.directories[0]

    def values(self, directory: Directory, code: int) -> tuple[float, ...]:
        """Return a tag's numbers; () where it isn't there or isn't whole; rationals as quotients.

        Raises
        ------
        BadTiffError
            If it claims more values than any tag has.
        """
        entry = directory.entries.get(code)
        if entry is None or entry.kind not in _LETTERS:
            return ()
        return _numbers(self.source, self.order, entry)

    def number(self, directory: Directory, code: int) -> float | None:
        """Return a tag's first number where it is there and finite."""
        values = self.values(directory, code)
        return values[0] if values and math.isfinite(values[0]) else None

    def whole_numbers(self, directory: Directory, code: int) -> tuple[int, ...]:
        """Return a tag's numbers as integers; () where one of them isn't finite."""
        values = self.values(directory, code)
        return tuple(map(int, values)) if all(map(math.isfinite, values)) else ()

    def text(self, code: int) -> str | None:
        """Return the first text under a tag in any directory, without NULs and outer blanks."""
        for directory in self.directories:
            entry = directory.entries.get(code)
            if entry is not None:
                data = self.source.at(entry.place, min(entry.count, _MOST_ENTRIES))
                text = data.split(b"\0", 1)[0].decode("utf-8", "replace").strip()
                if text:
                    return " ".join(text.split())
        return None

    def first_number(self, code: int) -> float | None:
        """Return the first finite number under a tag in any directory."""
        for directory in self.directories:
            value = self.number(directory, code)
            if value is not None:
                return value
        return None


_DNG_VERSION = 50706


def is_tiff(head: bytes) -> bool:
    """Whether the first bytes are those of a TIFF-like file."""
    return head[:4] in _PLAIN_MAGIC | _BIG_MAGIC


def read_tiff(source: Source) -> Tiff:
    """Read all directories that a TIFF-like file leads to.

    Parameters
    ----------
    source
        A file for which :func:`is_tiff` holds.

    Returns
    -------
    Tiff
        A directory that lies past the end is there too, empty, with the end that it needs.

    Raises
    ------
    BadTiffError
        If there are more directories or entries than any camera writes.
    """
    head = source.at(0, 16)
    layout = _Layout("<" if head[:2] == b"II" else ">", big=head[:4] in _BIG_MAGIC)
    start = layout.unpack_offset(head[8:16] if layout.big else head[4:8])
    found = tuple(_walk(source, layout, start))
    return Tiff(source, head[:4], found, layout.order)


class _Layout:
    """How entries are laid out: byte order, and 4 or 8 bytes to an offset."""

    def __init__(self, order: str, *, big: bool) -> None:
        self.order, self.big = order, big
        self.offset_size = 8 if big else 4
        self.count_size = 8 if big else 2
        self.entry = struct.Struct(order + ("HHQ" if big else "HHI"))
        self.entry_size = self.entry.size + self.offset_size

    def unpack_offset(self, data: bytes) -> int:
        if len(data) < self.offset_size:
            return 0
        return int.from_bytes(data[: self.offset_size], "little" if self.order == "<" else "big")

    def unpack_count(self, data: bytes) -> int:
        return int.from_bytes(data, "little" if self.order == "<" else "big")


def _walk(source: Source, layout: _Layout, start: int) -> Iterator[Directory]:
    waiting: list[tuple[int, Role]] = [(start, "main")]
    seen = {0}
    while waiting:
        offset, role = waiting.pop(0)
        if offset in seen:
            continue
        seen.add(offset)
        if len(seen) > _MOST_DIRECTORIES:
            msg = f"more than {_MOST_DIRECTORIES} directories"
            raise BadTiffError(msg)
        directory, following = _read_directory(source, layout, offset, role)
        yield directory
        if role in {"main", "sub"}:
            waiting.append((following, role))
        waiting += _children(source, layout, directory)


def _read_directory(
    source: Source, layout: _Layout, offset: int, role: Role
) -> tuple[Directory, int]:
    head = source.at(offset, layout.count_size)
    count = layout.unpack_count(head) if len(head) == layout.count_size else 0
    if count > _MOST_ENTRIES:
        msg = f"a directory of {count} entries"
        raise BadTiffError(msg)
    first = offset + layout.count_size
    end = first + count * layout.entry_size + layout.offset_size
    data = source.at(first, end - first)
    entries: dict[int, Entry] = {}
    for position in range(0, count * layout.entry_size, layout.entry_size):
        if position + layout.entry_size <= len(data):
            entry = _read_entry(layout, data, position, first)
            entries.setdefault(entry.code, entry)
    # the pointer to the next directory is left out by some writers of Exif: it isn't needed there
    needed = end if role in {"main", "sub"} else end - layout.offset_size
    following = layout.unpack_offset(data[count * layout.entry_size :])
    return Directory(needed, role, MappingProxyType(entries)), following


def _read_entry(layout: _Layout, data: bytes, position: int, first: int) -> Entry:
    code, kind, count = layout.entry.unpack_from(data, position)
    place = position + layout.entry.size
    if count * _SIZES.get(kind, 1) <= layout.offset_size:
        return Entry(code, kind, count, first + place, outside=False)
    value_at = layout.unpack_offset(data[place : place + layout.offset_size])
    return Entry(code, kind, count, value_at, outside=True)


def _children(source: Source, layout: _Layout, directory: Directory) -> Iterator[tuple[int, Role]]:
    if directory.role not in {"main", "sub"}:
        return
    roles: dict[int, Role] = {SUB_DIRECTORIES: "sub", EXIF: "exif", GPS: "gps"}
    for code, role in roles.items():
        entry = directory.entries.get(code)
        if entry is not None and entry.kind in _POINTERS:
            for offset in _numbers(source, layout.order, entry):
                yield int(offset), role
    private = directory.entries.get(PRIVATE)
    if private is not None and private.count * _SIZES.get(private.kind, 1) == layout.offset_size:
        yield layout.unpack_offset(source.at(private.place, layout.offset_size)), "private"


def _numbers(source: Source, order: str, entry: Entry) -> tuple[float, ...]:
    if entry.count > _MOST_VALUES:
        msg = f"{entry.count} values under tag {entry.code}"
        raise BadTiffError(msg)
    length = entry.count * _SIZES[entry.kind]
    data = source.at(entry.place, length)
    if len(data) < length:
        return ()
    pairs = 2 if entry.kind in _RATIONALS else 1
    numbers = struct.unpack(f"{order}{entry.count * pairs}{_LETTERS[entry.kind]}", data)
    if pairs == 1:
        return numbers
    return tuple(
        above / below if below else math.nan
        for above, below in zip(numbers[::2], numbers[1::2], strict=True)
    )
