"""Tables given in one line, as options and answers give them: "key; meter=8+0.3; off_axis=60"."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from stopwise.errors import WrongUse
from stopwise.plan.readings import read_stops

if TYPE_CHECKING:
    from collections.abc import Mapping

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)")
_ROLES = ("key", "fill", "hair", "rim", "kicker", "edge", "background")
_TEXT = {
    *("name", "title", "modifier", "grid", "gel", "stand", "pack", "note", "paper"),
    *("material", "role", "kind", "scale", "meter_at"),
}
_CAMERA = ("iso", "f_number", "shutter", "sync_speed")


def plan_tables(said: Mapping[str, Any]) -> dict[str, Any]:
    """Return the tables of a new plan from the options of a command line.

    Parameters
    ----------
    said
        Text by option: title, iso, f_number, shutter, sync_speed, set, backdrop; lists of text for
        light, panel, patch, ratio and separation.

    Raises
    ------
    WrongUse
        If one can't be read.
    """
    tables: dict[str, Any] = {
        "title": said.get("title"),
        "camera": {key: value_of(key, said[key]) for key in _CAMERA if said.get(key)},
        "set": table_of(said.get("set") or "", what="set"),
        "backdrop": table_of(said.get("backdrop") or "", what="backdrop"),
        "light": [lamp_of(text) for text in said.get("light", ())],
        "panel": [table_of(text, what="panel", first="kind") for text in said.get("panel", ())],
        "patch": [table_of(text, what="patch") for text in said.get("patch", ())],
        "ratio": [ratio_of(text) for text in said.get("ratio", ())],
        "separation": [separation_of(text) for text in said.get("separation", ())],
    }
    return {name: held for name, held in tables.items() if held}


def table_of(said: str, *, what: str, first: str = "name") -> dict[str, Any]:
    """Return a table from one line: its name, then keys with their values, parted by semicolons.

    Parameters
    ----------
    said
        "lit cheek; box=0.5,0.4,0.6,0.5; material=skin"; the name may be left out.
    what
        What it is, for messages: "lamp".
    first
        The key that a first part without an equals sign is of.

    Raises
    ------
    WrongUse
        If a part has no equals sign, or a key stands twice.
    """
    table: dict[str, Any] = {}
    for number, part in enumerate(said.split(";")):
        key, equals, value = (piece.strip() for piece in part.partition("="))
        if not equals and not key:
            continue
        if not equals and number == 0:
            key, value = first, key
        elif not equals:
            msg = f'"{part.strip()}" in the {what} "{said}" has no equals sign. Write key=value.'
            raise WrongUse(msg)
        key = key.replace("-", "_").lower()
        if key in table:
            msg = f'"{key}" stands twice in the {what} "{said}". Keep one.'
            raise WrongUse(msg)
        table[key] = value_of(key, value)
    return table


def lamp_of(said: str) -> dict[str, Any]:
    """Return a lamp from one line, its role taken from its name where that says it."""
    table = table_of(said, what="lamp")
    words = str(table.get("name", "")).lower().replace("-", " ").split()
    role = next((role for role in _ROLES if role in words), None)
    role = "background" if {"paper", "backdrop"} & set(words) else role
    return {"name": table.pop("name", ""), **({"role": role} if role else {}), **table}


def ratio_of(said: str) -> dict[str, Any]:
    """Return a ratio from "LIT to SHADOW = 2" or "LIT to SHADOW = 2 1/3".

    Raises
    ------
    WrongUse
        If it isn't written so.
    """
    right = 'is not a ratio. Write "lit cheek to shadow cheek = 2", in stops.'
    return _pair(said, "to", ("lit", "shadow", "stops"), right)


def separation_of(said: str) -> dict[str, Any]:
    """Return a separation from "LIGHTER over DARKER = 0.7".

    Raises
    ------
    WrongUse
        If it isn't written so.
    """
    right = 'is not a separation. Write "hair over backdrop = 0.7", in stops.'
    return _pair(said, "over", ("lighter", "darker", "at_least"), right)


def _pair(said: str, word: str, keys: tuple[str, str, str], right: str) -> dict[str, Any]:
    found = re.fullmatch(rf"\s*(.+?)\s+{word}\s+(.+?)\s*=\s*(.+?)\s*", said)
    if not found:
        msg = f'"{said}" {right}'
        raise WrongUse(msg)
    values = (found[1], found[2], round(read_stops(found[3]), 4))
    return dict(zip(keys, values, strict=True))


def box_of(said: str) -> tuple[float, float, float, float]:
    """Return a box from x0,y0,x1,y1.

    Raises
    ------
    WrongUse
        If it isn't four fractions of the frame, left to right and top to bottom.
    """
    right = "Write x0,y0,x1,y1 as fractions of the upright picture, such as 0.4,0.4,0.6,0.6"
    parts = _numbers(said)
    if len(parts) != 4 or not all(isinstance(part, int | float) for part in parts):
        msg = f'"{said}" is not a box. {right}.'
        raise WrongUse(msg)
    x0, y0, x1, y1 = (float(part) for part in parts)
    if not (0.0 <= x0 < x1 <= 1.0 and 0.0 <= y0 < y1 <= 1.0):
        msg = f'"{said}" is inside out or leaves the frame. {right}.'
        raise WrongUse(msg)
    return x0, y0, x1, y1


def value_of(key: str, said: str) -> Any:
    """Return the value of a key as TOML would hold it: number, text, true, false or list."""
    if key in ("box", "range", "balance"):
        return _numbers(said) if "," in said else said
    if key == "boxes":
        return [_numbers(box) for box in re.split(r"\s*[|/]\s*", said) if box]
    if key == "lit_by":
        return [name.strip() for name in re.split(r"[,+]", said) if name.strip()]
    if key in ("follow", "must_see") and said.lower() in ("true", "yes", "false", "no"):
        return said.lower() in ("true", "yes")
    return said if key in _TEXT else _plain(said)


def _numbers(said: str) -> list[Any]:
    """Return "0.5, 0.4, 0.6, 0.5" as numbers; what is none stays text, for the plan to refuse."""
    return [_plain(part.strip()) for part in said.strip("[] ").split(",")]


def _plain(said: str) -> Any:
    """Return a plain number as a number, anything else as text."""
    if not _NUMBER.fullmatch(said):
        return said
    return float(said) if "." in said else int(said)
