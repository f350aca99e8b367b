"""Edits of a plan's text that leave every other letter, comment and line where a person put it.

The text is edited in place by spans; a TOML library writes the values. Libraries that keep comments
still move tables that stand interleaved, so none of them writes the whole file. Each edit is read
back and held against what it should have done.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.errors import WrongUse
from stopwise.plan.edited import (
    append,
    checked,
    drop,
    drop_key,
    put,
    said,
    unsafe,
    written,
    written_key,
)
from stopwise.plan.places import find_places

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.plan.places import Path, Places, Statement


def set_value(text: str, path: Path, value: object, *, was: str = "") -> str:
    """Write one key of a plan.

    Parameters
    ----------
    text
        The plan's text, valid TOML.
    path
        The key: ("camera", "mid_grey"), ("patch", 2, "zone"). Tables on its way that aren't there
        are made; elements of arrays must be.
    value
        What it becomes: a number, text, true or false, a list.
    was
        Why it changes. Where given, the old value stays above as a comment with this word.

    Returns
    -------
    str
        The new text.

    Raises
    ------
    WrongUse
        If the text is laid out so that the key can't be written safely.
    """
    places = find_places(text)
    place = places.by_path.get(path)
    if place and place.end > place.start and not place.is_header:
        edited = text[: place.start] + written(value) + text[place.end :]
        if was:
            edited = _remember(text, edited, _statement_at(places, place.start), was)
    else:
        edited = _insert_key(text, places, path, value)
    return checked(text, edited, path, lambda data: put(data, path, value))


def remove_key(text: str, path: Path) -> str:
    """Take out one key that stands on lines of its own, with the comment behind it.

    Raises
    ------
    WrongUse
        If there is no such key on lines of its own.
    """
    found = [s for s in find_places(text).statements if s.path == path and not s.is_header]
    if not found:
        msg = f"`{said(path)}` doesn't stand on a line of its own. Remove it with an editor."
        raise WrongUse(msg)
    start = text.rfind("\n", 0, found[0].start) + 1
    end = text.find("\n", found[0].end) + 1 or len(text)
    return checked(text, text[:start] + text[end:], path, lambda data: drop_key(data, path))


def add_table(text: str, path: Path, values: Mapping[str, object]) -> str:
    """Add one more table of several, such as a patch, behind the last of its kind.

    Parameters
    ----------
    text
        The plan's text.
    path
        Whose kind: ("patch",), or ("look", 0, "patch").
    values
        Its keys, in the order in which they are to stand.

    Raises
    ------
    WrongUse
        If the text is laid out so that it can't be added safely.
    """
    places = find_places(text)
    place = places.by_path.get(path)
    if place and not place.is_header:
        edited = _add_inline(text, places, path, values)
    else:
        edited = _add_block(text, places, path, values)
    return checked(text, edited, path, lambda data: append(data, path, values))


def remove_table(text: str, path: Path) -> str:
    """Take out one table of several, with its own keys and the comments straight above it.

    Raises
    ------
    WrongUse
        If there is no such table, or it can't be taken out safely.
    """
    places = find_places(text)
    place = places.by_path.get(path)
    if place is None or not place.is_header:
        msg = f"`{said(path)}` doesn't stand as a table of its own. Remove it with an editor."
        raise WrongUse(msg)
    depth = len(path)
    inside = [s for s in places.statements if s.table[:depth] == path]
    after = [s for s in places.statements if s.start > inside[-1].start]
    start = _comments_above(text, inside[0].start)
    end = _comments_above(text, after[0].start) if after else len(text)
    return checked(text, text[:start] + text[end:], path, lambda data: drop(data, path))


# --- where new lines go ---------------------------------------------------------------------------


def _insert_key(text: str, places: Places, path: Path, value: object) -> str:
    table = path[:-1]
    line = f"{written_key(str(path[-1]))} = {written(value)}"
    inside = [s for s in places.statements if s.table == table]
    if table and (holder := places.by_path.get(table)) and not holder.is_header:
        return _insert_inline(text, places, path, line)
    if inside:
        at, indent = inside[-1].end, _indent(text, inside[-1].start)
        return _line_behind(text, at, f"{indent}{line}")
    if not table:
        return f"{line}{_newline(text)}{text}"
    return _at_the_end(text, [_header(table), line])


def _insert_inline(text: str, places: Places, path: Path, line: str) -> str:
    """Add a key to a table that stands as {...} or as dotted keys."""
    table = path[:-1]
    place = places.by_path[table]
    if text[place.start : place.end].endswith("}"):
        held = text[place.start + 1 : place.end - 1].rstrip()
        comma = ", " if held.strip() else " "
        cut = place.start + 1 + len(held)
        return f"{text[:cut]}{comma}{line} }}{text[place.end :]}"
    dotted = [s for s in places.statements if s.path[: len(table)] == table and not s.is_header]
    if not dotted:
        raise unsafe(path)
    last = dotted[-1]
    before = ".".join(written_key(str(part)) for part in table[len(last.table) :])
    return _line_behind(text, last.end, f"{_indent(text, last.start)}{before}.{line}")


def _add_block(text: str, places: Places, path: Path, values: Mapping[str, object]) -> str:
    lines = [_header(path, many=True)]
    lines += [f"{written_key(key)} = {written(value)}" for key, value in values.items()]
    depth = len(path)
    owner = path[:-1]
    same = [s for s in places.statements if s.table[:depth] == path]
    inside = same or [s for s in places.statements if owner and s.table[: len(owner)] == owner]
    if not inside:
        return _at_the_end(text, lines)
    block = _newline(text).join(["", *lines])
    return _line_behind(text, inside[-1].end, block)


def _add_inline(text: str, places: Places, path: Path, values: Mapping[str, object]) -> str:
    place = places.by_path[path]
    if not text[place.start : place.end].endswith("]"):
        raise unsafe(path)
    held = text[place.start + 1 : place.end - 1].rstrip()
    comma = ", " if held.strip() and not held.rstrip().endswith(",") else " "
    pairs = ", ".join(f"{written_key(key)} = {written(value)}" for key, value in values.items())
    cut = place.start + 1 + len(held)
    return f"{text[:cut]}{comma}{{ {pairs} }} ]{text[place.end :]}"


def _header(path: Path, *, many: bool = False) -> str:
    keys = ".".join(written_key(part) for part in path if isinstance(part, str))
    return f"[[{keys}]]" if many else f"[{keys}]"


def _at_the_end(text: str, lines: list[str]) -> str:
    newline = _newline(text)
    gap = "" if not text.strip() else newline if text.endswith("\n") else newline * 2
    return f"{text}{gap}{newline.join(lines)}{newline}"


def _line_behind(text: str, offset: int, line: str) -> str:
    """Put a line behind the one that holds `offset`."""
    end = text.find("\n", offset)
    newline = _newline(text)
    if end < 0:
        return f"{text}{newline}{line}{newline}"
    return f"{text[: end + 1]}{line}{newline}{text[end + 1 :]}"


def _remember(text: str, edited: str, statement: Statement, was: str) -> str:
    """Keep the old statement as a comment above the new one."""
    start = text.rfind("\n", 0, statement.start) + 1
    indent = _indent(text, statement.start)
    old = text[statement.start : statement.end].splitlines()
    newline = _newline(text)
    lines = [f"{indent}# {line.strip()}" for line in old]
    lines[-1] += f"  ({was})"
    return edited[:start] + newline.join(lines) + newline + edited[start:]


def _comments_above(text: str, offset: int) -> int:
    """Return where the block of comments straight above a statement begins."""
    start = text.rfind("\n", 0, offset) + 1
    while start > 0:
        above = text.rfind("\n", 0, start - 1) + 1
        if not text[above:start].lstrip().startswith("#"):
            break
        start = above
    return start


def _statement_at(places: Places, offset: int) -> Statement:
    return next(s for s in places.statements if s.start <= offset < s.end)


def _indent(text: str, offset: int) -> str:
    start = text.rfind("\n", 0, offset) + 1
    return text[start:offset] if not text[start:offset].strip() else ""


def _newline(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"
