"""A plan's text, and where each key of it stands: its line, and the span of its value.

The TOML parsers at hand give values without their lines. This scan only finds places in a text
that a parser has already read, and gives up in silence where the text is broken.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from stopwise.plan.kinds import MOST_DEPTH

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


Path = tuple[str | int, ...]
"""Keys and indices from the top of the file: ("patch", 1, "box", 2)."""

_STRING = (
    r'"""(?:[^\\]|\\.)*?(?:"{3,5}|\Z)|\'\'\'.*?(?:\'{3,5}|\Z)|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\''
)
_LONG = ('"""', "'''")
_TOKEN = re.compile(rf"{_STRING}|\#[^\n]*|[ \t\r]+|[^\s\"'\#\[\]{{}},=]+|.", re.DOTALL)
"""A string that doesn't end goes to the end of the text, so that each letter is read once."""
_BARE = re.compile(r"[A-Za-z0-9_-]+(?:\.[A-Za-z0-9_-]+)*")


@dataclass(frozen=True, slots=True)
class OldKey:
    """A key of before that a plan still uses: its line, from 1, as it stands, and its new name."""

    line: int
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class KeyPlace:
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

    by_path: dict[Path, KeyPlace] = field(default_factory=dict)
    statements: list[Statement] = field(default_factory=list)
    broken_at: int | None = None

    def nearest(self, path: Path) -> KeyPlace:
        """Return the place of `path`, or else of the nearest table that holds it."""
        found = (self.by_path.get(path[:length]) for length in range(len(path), 0, -1))
        return next((place for place in found if place), KeyPlace(line=1, start=0, end=0))


@dataclass(frozen=True, slots=True)
class PlanText:
    """The text of a plan file that TOML can read: its name, text, values and places.

    Attributes
    ----------
    old_keys
        Keys of before; `text`, `data` and `places` have them by their names of now.
    """

    name: str
    text: str
    data: dict[str, Any]
    places: Places
    old_keys: tuple[OldKey, ...] = ()

    def shown(self, path: Path) -> str:
        """Return a key and its value as they stand, shortened to one line."""
        key = next((part for part in reversed(path) if isinstance(part, str)), "")
        place = self.places.by_path.get(path)
        if place and place.is_header:
            return self.text[place.start : place.end]
        value = short(" ".join(self.text[place.start : place.end].split())) if place else ""
        return f"{key} = {value}" if value else str(key)

    def table(self, path: Path) -> str:
        """Return the header of the table that holds `path`, with its name where it has one."""
        held: Any = self.data
        keys, header = "", ""
        for part in path[:-1]:
            try:
                held = held[part]
            except (KeyError, IndexError, TypeError):
                break
            if not isinstance(part, int):
                keys = f"{keys}.{part}".lstrip(".")
                header = f"[{keys}]" if isinstance(held, dict) else header
            elif isinstance(held, dict):
                name = held.get("name")
                header = f"[[{keys}]] " + (
                    f'"{short(name)}"' if isinstance(name, str) else str(part + 1)
                )
        return header

    def lines(self, told: Iterable[tuple[Path, str]]) -> list[str]:
        """Return what is told of keys with the lines of these, in the order of the file."""
        placed = {(self.places.nearest(path).line, say): None for path, say in told}
        ordered = sorted(placed, key=lambda one: one[0])
        return [f"{self.name}:{line}: {say}" for line, say in ordered]


_SHOWN = 48
"""Characters of a value or name that a message repeats."""


def short(text: str) -> str:
    """Return text of a plan as a message shows it: printable, and not too long."""
    text = text if text.isprintable() else text.encode("unicode_escape").decode()
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}…"


def too_deep_at(text: str) -> int | None:
    """Return the offset at which a text goes deeper than a plan may, None where it doesn't.

    Brackets count, and dots in one name. To be asked before a parser is: its time for a name goes
    with the square of the dots.
    """
    depth = dots = 0
    for token in _TOKEN.finditer(text):
        sign = token[0]
        if sign[0] in "\"'#" or (sign.isspace() and sign != "\n"):
            continue
        depth += (sign in {"[", "{"}) - (sign in {"]", "}"})
        dots = 0 if sign in {"\n", "=", ",", "[", "{"} else dots + sign.count(".")
        if max(depth, dots) > MOST_DEPTH:
            return token.start()
    return None


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
    begun = 0
    try:
        for begun, end in _parts(text, 0, len(text), between="\n"):
            scan.statement(begun, end)
    except (ValueError, RecursionError):
        scan.places.broken_at = begun
    return scan.places


def _parts(text: str, start: int, end: int, *, between: str) -> Iterator[tuple[int, int]]:
    """Yield the spans that a sign parts, outside of strings, comments and brackets.

    Raises
    ------
    ValueError
        If brackets don't close, or a string doesn't end.
    """
    depth, first, last = 0, -1, -1
    for token in _TOKEN.finditer(text, start, end):
        sign = token[0]
        if sign == between and not depth:
            if first >= 0:
                yield first, last
            first = -1
        elif sign in {'"', "'"} or (sign[:3] in _LONG and not sign.endswith(sign[:3], 3)):
            yield first if first >= 0 else token.start(), token.end()
            raise ValueError(sign)
        elif not sign.isspace() and not sign.startswith("#"):
            first, last = token.start() if first < 0 else first, token.end()
            depth += (sign in {"[", "{"}) - (sign in {"]", "}"})
    if first >= 0:
        yield first, last
    if depth:
        raise ValueError(depth)


def _names(key: str) -> tuple[str, ...]:
    """Return the names of a key with dots.

    Raises
    ------
    ValueError
        If it is no key.
    """
    if _BARE.fullmatch(key):
        return tuple(key.split("."))
    held: Any = tomllib.loads(f"{key} = 0")
    names: tuple[str, ...] = ()
    while isinstance(held, dict):
        ((name, held),) = held.items()
        names = (*names, name)
    return names


class _Scan:
    """A walk over the statements of a text."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.places = Places()
        self.table: Path = ()
        self.elements: dict[Path, int] = {}
        self.lines = [found.start() for found in re.finditer("\n", text)]

    def statement(self, start: int, end: int) -> None:
        """Note one header, or one key with its value."""
        path = self._header(start, end) if self.text[start] == "[" else self._pair(start, end)
        self.places.statements.append(Statement(start, end, self.table, path))

    def _header(self, start: int, end: int) -> Path:
        wide = 2 if self.text.startswith("[[", start) else 1
        if self.text[end - wide : end] != "]" * wide:
            raise ValueError(start)
        path: Path = ()
        names = _names(self.text[start + wide : end - wide])
        for depth, name in enumerate(names, 1):
            path = (*path, name)
            if wide == 2 and depth == len(names):
                self.elements[path] = self.elements.get(path, -1) + 1
                self._note(path, start, start, end, is_header=True)
            elif depth < len(names):
                self._note(path, start, start, end, is_header=True)
            if path in self.elements:
                path = (*path, self.elements[path])
        self.places.by_path.pop(path, None)
        self._note(path, start, start, end, is_header=True)
        self.table = path
        return path

    def _pair(self, start: int, end: int, table: Path | None = None) -> Path:
        """Note a key and what its value holds."""
        first, last = next(_parts(self.text, start, end, between="="), (start, end))
        if first != start or last == end:
            raise ValueError(start)
        path = self.table if table is None else table
        *on_the_way, name = _names(self.text[first:last])
        for part in on_the_way:
            path = (*path, part)
            self._note(path, start, start, start)
        path = (*path, name)
        value = self.text.index("=", last) + 1
        value += len(self.text[value:end]) - len(self.text[value:end].lstrip())
        self._inside(path, value, end)
        self._note(path, start, value, end)
        return path

    def _inside(self, path: Path, start: int, end: int) -> None:
        """Note the elements of a list and the keys of a table in braces."""
        bracket = self.text[start : start + 1]
        if bracket not in ("[", "{"):
            return
        for index, (first, last) in enumerate(_parts(self.text, start + 1, end - 1, between=",")):
            if bracket == "{":
                self._pair(first, last, path)
            else:
                self._inside((*path, index), first, last)
                self._note((*path, index), first, first, last)

    def _note(
        self, path: Path, line_at: int, start: int, end: int, *, is_header: bool = False
    ) -> None:
        line = bisect(self.lines, line_at - 1) + 1
        self.places.by_path.setdefault(path, KeyPlace(line, start, end, is_header))
