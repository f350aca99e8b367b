"""What an edit of a plan should come to: values as TOML writes them, and data changed alike."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any

from stopwise.errors import WrongUse

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from stopwise.plan.places import Path

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def written(value: object) -> str:
    """Return a value as TOML, on one line."""
    from tomlkit import item

    if isinstance(value, str) and not value.isprintable():
        msg = "Text that is written into a plan has one line and no control signs."
        raise WrongUse(msg)
    if isinstance(value, tuple):
        value = list(value)
    return item(value).as_string()


def written_key(key: str) -> str:
    """Return a key as TOML, in quotes where it needs them."""
    return key if _BARE_KEY.fullmatch(key) else written(key)


def checked(text: str, edited: str, path: Path, change: Callable[[Any], None]) -> str:
    """Return the edited text if it reads as the old one with just this change."""
    wanted = tomllib.loads(text)
    try:
        change(wanted)
        found = tomllib.loads(edited)
    except (tomllib.TOMLDecodeError, KeyError, IndexError, TypeError):
        raise unsafe(path) from None
    if found != wanted:
        raise unsafe(path)
    return edited


def put(data: Any, path: Path, value: object) -> None:
    """Set a key in data, making the tables on its way."""
    for part in path[:-1]:
        data = data.setdefault(part, {}) if isinstance(part, str) else data[part]
    data[path[-1]] = tomllib.loads(f"v = {written(value)}")["v"]


def append(data: Any, path: Path, values: Mapping[str, object]) -> None:
    """Add a table to a list of tables in data."""
    table: dict[str, Any] = {}
    for key, value in values.items():
        put(table, (key,), value)
    for part in path[:-1]:
        data = data[part]
    data.setdefault(path[-1], []).append(table)


def drop(data: Any, path: Path) -> None:
    """Take a table out of a list of tables in data."""
    for part in path[:-2]:
        data = data[part]
    kind, index = path[-2:]
    del data[kind][index]
    if not data[kind]:
        del data[kind]


def drop_key(data: Any, path: Path) -> None:
    """Take a key out of data."""
    for part in path[:-1]:
        data = data[part]
    del data[path[-1]]


def said(path: Path) -> str:
    """Return a path as a person reads it."""
    return ".".join(str(part + 1) if isinstance(part, int) else part for part in path)


def unsafe(path: Path) -> WrongUse:
    """Return the refusal of an edit that could go wrong."""
    return WrongUse(
        f"`{said(path)}` can't be written safely into this file as it is laid out. "
        "Write it with an editor; nothing was changed."
    )
