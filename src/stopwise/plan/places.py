"""Where each key of a TOML text stands: its line, and the span of its value.

The TOML parsers at hand give values without their lines. This scan only finds places in a text
that a parser has already read, and gives up in silence where the text is broken.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field

Path = tuple[str | int, ...]
"""Keys and indices from the top of the file: ("patch", 1, "box", 2)."""

_BLANK = re.compile(r"[ \t\r]*")
_BLANK_LINES = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\n\r]*[^,\]}#\n\r\s]")
_QUOTED = re.compile(r'"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'')
_LONG = re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}|\'\'\'.*?\'{3,5}', re.DOTALL)


@dataclass(frozen=True, slots=True)
class Place:
    """Where something stands: its line, from 1, and the span of its value in the text.

    A table's span is that of its header, `is_header` then.
    """

    line: int
    start: int
    end: int
    is_header: bool = False


@dataclass(frozen=True, slots=True)
class Statement:
    """One header or one key with its value, as offsets into the text.

    Attributes
    ----------
    table
        The table that it opens, or that its key stands in.
    path
        The table that it opens, or the whole path of its key.
    """

    start: int
    end: int
    table: Path
    path: Path

    @property
    def is_header(self) -> bool:
        """Whether it opens a table."""
        return self.path == self.table


@dataclass(slots=True)
class Places:
    """All places that were found.

    Attributes
    ----------
    by_path
        Place of each key, table and array element.
    statements
        Headers and keys in the order of the text.
    broken_at
        Offset of the statement at which the scan gave up, None when it read everything.
    """

    by_path: dict[Path, Place] = field(default_factory=dict)
    statements: list[Statement] = field(default_factory=list)
    broken_at: int | None = None

    def nearest(self, path: Path) -> Place:
        """Return the place of `path`, or else of the nearest table that holds it."""
        for length in range(len(path), 0, -1):
            if place := self.by_path.get(path[:length]):
                return place
        return Place(line=1, start=0, end=0)


class _Lost(Exception):
    """The text isn't what a TOML parser would have let through."""


def find_places(text: str) -> Places:
    """Find where each key of a TOML text stands.

    Parameters
    ----------
    text
        TOML, valid or not.

    Returns
    -------
    Places
        With `broken_at` set where the text stops being readable.
    """
    scan = _Scan(text)
    try:
        while scan.more():
            scan.statement()
    except (_Lost, RecursionError, ValueError):
        scan.places.broken_at = scan.begun
    return scan.places


class _Scan:
    """A walk over the text, one statement after the other."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.begun = 0
        self.table: Path = ()
        self.elements: dict[Path, int] = {}
        self.places = Places()
        self._counted = (0, 1)

    def more(self) -> bool:
        self._skip(_BLANK_LINES)
        self.begun = self.at
        return self.at < len(self.text)

    def statement(self) -> None:
        path = self._header() if self.text[self.at] == "[" else self._pair(self.table)
        self.places.statements.append(Statement(self.begun, self.at, self.table, path))

    def _header(self) -> Path:
        brackets = 2 if self.text.startswith("[[", self.at) else 1
        self.at += brackets
        keys = self._keys()
        self._expect("]" * brackets)
        path: Path = ()
        for key in keys[:-1]:
            path = self._last_element((*path, key))
            self._note_header(path)
        path = (*path, keys[-1])
        if brackets == 1:
            self.table = self._last_element(path)
        else:
            self._note_header(path)
            self.elements[path] = self.elements.get(path, -1) + 1
            self.table = (*path, self.elements[path])
        self.places.by_path[self.table] = self._here()
        return self.table

    def _note_header(self, path: Path) -> None:
        self.places.by_path.setdefault(path, self._here())

    def _here(self) -> Place:
        return Place(self._line(self.begun), self.begun, self.at, is_header=True)

    def _last_element(self, path: Path) -> Path:
        return (*path, self.elements[path]) if path in self.elements else path

    def _pair(self, table: Path) -> Path:
        start = self.at
        keys = self._keys()
        self._expect("=")
        for length in range(1, len(keys)):
            self._note((*table, *keys[:length]), start, start)
        self._value((*table, *keys), start)
        return (*table, *keys)

    def _keys(self) -> list[str]:
        keys = [self._key()]
        while self._peek() == ".":
            self.at += 1
            keys.append(self._key())
        return keys

    def _key(self) -> str:
        self._skip(_BLANK)
        found = _BARE.match(self.text, self.at) or _QUOTED.match(self.text, self.at)
        if not found:
            raise _Lost
        self.at = found.end()
        key = found[0]
        return str(tomllib.loads(f"k = {key}")["k"]) if key[0] in "\"'" else key

    def _value(self, path: Path, line_at: int | None = None) -> None:
        self._skip(_BLANK)
        start = self.at
        if self._peek() == "[":
            self._array(path)
        elif self._peek() == "{":
            self._inline(path)
        else:
            found = self._scalar_pattern().match(self.text, self.at)
            if not found:
                raise _Lost
            self.at = found.end()
        self._note(path, start if line_at is None else line_at, self.at, start)

    def _scalar_pattern(self) -> re.Pattern[str]:
        if self.text.startswith(('"""', "'''"), self.at):
            return _LONG
        return _QUOTED if self.text.startswith(('"', "'"), self.at) else _SCALAR

    def _array(self, path: Path) -> None:
        self.at += 1
        for index in range(len(self.text)):
            self._skip(_BLANK_LINES)
            if self._peek() == "]":
                break
            self._value((*path, index))
            self._skip(_BLANK_LINES)
            if self._peek() != ",":
                break
            self.at += 1
        self._expect("]")

    def _inline(self, path: Path) -> None:
        self.at += 1
        while self._peek() != "}":
            self._pair(path)
            if self._peek() != ",":
                break
            self.at += 1
        self._expect("}")

    def _note(self, path: Path, line_at: int, end: int, start: int | None = None) -> None:
        place = Place(self._line(line_at), line_at if start is None else start, end)
        self.places.by_path.setdefault(path, place)

    def _line(self, offset: int) -> int:
        counted, line = self._counted
        if offset < counted:
            return line - self.text.count("\n", offset, counted)
        self._counted = (offset, line + self.text.count("\n", counted, offset))
        return self._counted[1]

    def _peek(self) -> str:
        self._skip(_BLANK)
        return self.text[self.at : self.at + 1]

    def _skip(self, pattern: re.Pattern[str]) -> None:
        found = pattern.match(self.text, self.at)
        self.at = found.end() if found else self.at

    def _expect(self, sign: str) -> None:
        self._skip(_BLANK)
        if not self.text.startswith(sign, self.at):
            raise _Lost
        self.at += len(sign)
