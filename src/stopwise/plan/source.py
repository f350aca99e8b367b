"""A plan's text with its values and its lines, and how messages point into it."""

from __future__ import annotations

import difflib
import re
import tomllib
from dataclasses import dataclass
from pathlib import Path as File
from typing import TYPE_CHECKING, Any

from stopwise.errors import PathMissing, PlanError
from stopwise.plan.old_keys import renewed
from stopwise.plan.places import find_places

if TYPE_CHECKING:
    from collections.abc import Iterable

    from stopwise.plan.old_keys import OldKey
    from stopwise.plan.places import Path, Places

MOST_BYTES = 1_000_000
"""A plan larger than this is no plan; reading it would only take time."""

_SHOWN = 48
_PLACE_SAID = re.compile(r" \(at (?:line (\d+), column \d+|end of document)\)$")
_LONG_OPENING = re.compile(r'^[^=\n]*=\s*(\[|\{|"""|\'\'\')')
_TWICE = re.compile("overwrite|twice|mutate|already|Duplicate")
_UNQUOTED = re.compile(r"""^\s*([A-Za-z0-9_-]+)\s*=\s*([^\s"'\[{#][^"'\[{#]*?)\s*(?:#.*)?$""")


@dataclass(frozen=True, slots=True)
class Source:
    """A plan file that TOML can read: its name, text, values and places."""

    name: str
    text: str
    data: dict[str, Any]
    places: Places
    old_keys: tuple[OldKey, ...] = ()

    def line(self, path: Path) -> int:
        """Return the line of a key, or of the table that should hold it."""
        return self.places.nearest(path).line

    def shown(self, path: Path) -> str:
        """Return a key and its value as they stand, shortened to one line."""
        key = next((part for part in reversed(path) if isinstance(part, str)), "")
        place = self.places.by_path.get(path)
        if place and place.is_header:
            return self.text[place.start : place.end]
        value = " ".join(self.text[place.start : place.end].split()) if place else ""
        value = value if len(value) <= _SHOWN else f"{value[:_SHOWN]}…"
        return f"{key} = {value}" if value else str(key)

    def table(self, path: Path) -> str:
        """Return the header of the table that holds `path`, with its name where it has one."""
        held: Any = self.data
        number, keys, found = None, [], ""
        for part in path[:-1]:
            try:
                held = held[part]
            except (KeyError, IndexError, TypeError):
                break
            if isinstance(part, int):
                number = part
            else:
                keys.append(part)
                number = None
            if isinstance(held, dict):
                found = _header(".".join(keys), number, held)
        return found

    def refuse(self, problems: Iterable[tuple[Path, str]]) -> PlanError:
        """Return the error that says all problems with their lines, in the order of the file."""
        placed = {(self.places.nearest(path).line, say): None for path, say in problems}
        lines = sorted(placed, key=lambda problem: problem[0])
        return PlanError(*(f"{self.name}:{line}: {say}" for line, say in lines))


def _header(keys: str, number: int | None, held: dict[str, Any]) -> str:
    if number is None:
        return f"[{keys}]"
    name = held.get("name")
    return f'[[{keys}]] "{_short(name)}"' if isinstance(name, str) else f"[[{keys}]] {number + 1}"


def _short(name: str) -> str:
    name = name if name.isprintable() else name.encode("unicode_escape").decode()
    return name if len(name) <= _SHOWN else f"{name[:_SHOWN]}…"


def read_source(path: str | File) -> Source:
    """Read a plan file as TOML.

    Raises
    ------
    PathMissing
        If there is no such file, or it can't be opened.
    PlanError
        If it isn't a text that TOML can read.
    """
    file = File(path)
    if file.is_dir():
        msg = f"{file} is a folder. Name the plan file in it, such as {file / 'plan.toml'}."
        raise PathMissing(msg)
    try:
        with file.open("rb") as opened:
            data = opened.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        msg = f"The plan {file} can't be opened: {why}. `stopwise plan new` writes one."
        raise PathMissing(msg) from None
    return source_of_text(decode_text(data, file.name), file.name)


def decode_text(data: bytes, name: str) -> str:
    """Return the text of a plan file, without the mark that some editors put before it.

    Raises
    ------
    PlanError
        If it isn't UTF-8, or is far too large.
    """
    if len(data) > MOST_BYTES:
        msg = f"{name}:1: a plan has less than {MOST_BYTES // 1_000_000} MB. Is this a plan file?"
        raise PlanError(msg)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        msg = f"{name}:{line}: this isn't UTF-8 text. Save the file as UTF-8 in your editor."
        raise PlanError(msg) from None


def source_of_text(text: str, name: str) -> Source:
    """Read TOML text.

    Parameters
    ----------
    text
        The whole file.
    name
        What messages call the file.

    Raises
    ------
    PlanError
        If TOML can't read it; the message names the line and what would be right.
    """
    try:
        tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _broken(text, name, str(error)) from None
    except RecursionError:
        msg = f"{name}:1: arrays lie too deep in each other. A plan's go two deep: boxes."
        raise PlanError(msg) from None
    except ValueError:
        msg = f"{name}:{_long_number(text)}: a number has too many digits. Write a plain one."
        raise PlanError(msg) from None
    text, old_keys = renewed(text)
    return Source(name, text, tomllib.loads(text), find_places(text), old_keys)


def _long_number(text: str) -> int:
    lines = text.splitlines()
    return next((n for n, line in enumerate(lines, 1) if re.search(r"[0-9]{1000}", line)), 1)


def _broken(text: str, name: str, said: str) -> PlanError:
    """Say a syntax error with the line on which the broken statement begins."""
    found = _PLACE_SAID.search(said)
    last = max(1, len(text.rstrip().splitlines()))
    line = int(found[1]) if found and found[1] else last
    lines = text.splitlines() or [""]
    places = find_places(text)
    if places.broken_at is not None:
        began = text.count("\n", 0, places.broken_at) + 1
        opening = _LONG_OPENING.match(lines[began - 1]) if began <= len(lines) else None
        line = began if opening or line >= len(lines) else line
    line = min(line, len(lines))
    reason = said[: found.start()] if found else said
    return PlanError(f"{name}:{line}: {_advice(lines, line, reason)}")


def _advice(lines: list[str], line: int, reason: str) -> str:
    stands = lines[line - 1].strip()
    found = _UNQUOTED.match(lines[line - 1])
    if found and not _TWICE.search(reason):
        return _unquoted(found[1], found[2])
    shown = stands if len(stands) <= _SHOWN else f"{stands[:_SHOWN]}…"
    shown = shown if shown.isprintable() else shown.encode("unicode_escape").decode()
    return f"TOML can't read `{shown}`: {reason[:1].lower()}{reason[1:]}. {_right(stands, reason)}"


def _unquoted(key: str, value: str) -> str:
    value = value.strip("“”„‘’«» ")
    if "=" in value:
        return f"`{key} = {value}`: each key stands on a line of its own."
    if value.lower() in ("true", "yes", "on", "false", "no", "off"):
        right = "true" if value.lower() in ("true", "yes", "on") else "false"
        return f"`{key} = {value}`: write {key} = {right}, in small letters."
    if re.fullmatch(r"[0-9]+,[0-9]+", value):
        return (
            f"`{key} = {value}`: write a point for the decimal, {key} = {value.replace(',', '.')}."
        )
    if re.fullmatch(r"[+-]?(?:\.[0-9]+|[0-9]+\.|0[0-9]+(?:\.[0-9]+)?)", value):
        return f"`{key} = {value}`: write {key} = {float(value):g}, with digits on both sides."
    return f'`{key} = {value}`: text stands in quotes, {key} = "{value}".'


def _right(stands: str, reason: str) -> str:
    if _TWICE.search(reason):
        return "It stands twice; keep one, and write lamps as [[light]] with two brackets."
    if stands.startswith("["):
        return "A table's header is [camera], or [[light]] for one of several."
    if "array" in reason.lower():
        return "A list closes with a bracket: box = [0.1, 0.2, 0.3, 0.4]."
    if '"' in stands or "'" in stands:
        return 'Text begins and ends with the same quotes: name = "key".'
    return 'A line is `key = value`, such as name = "key" or iso = 100.'


def nearest(wrong: str, right: Iterable[str]) -> str | None:
    """Return the word of `right` that was most likely meant by `wrong`, or None."""
    words = list(right)
    small = {word.lower().replace("-", "_").replace(" ", "_"): word for word in words}
    asked = wrong.lower().replace("-", "_").replace(" ", "_")
    found = difflib.get_close_matches(asked, small, n=1, cutoff=0.6)
    return small[found[0]] if found else None
