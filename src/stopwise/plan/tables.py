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
_BOX = 4
_TEXT = {
    *("name", "title", "modifier", "grid", "gel", "stand", "pack", "note", "paper"),
    *("material", "role", "kind", "scale", "meter_at"),
}


def table_of(said: str, *, what: str) -> dict[str, Any]:
    """Return a table from one line: its name, then keys with their values, parted by semicolons.

    Parameters
    ----------
    said
        "lit cheek; box=0.5,0.4,0.6,0.5; material=skin"; the name may be left out.
    what
        What it is, for messages: "lamp".

    Raises
    ------
    WrongUse
        If a part has no equals sign, or a key stands twice.
    """
    table: dict[str, Any] = {}
    for number, part in enumerate(said.split(";")):
        key, equals, value = (piece.strip() for piece in part.partition("="))
        if not equals and number == 0 and key:
            key, value = "name", key
        elif not equals and not key:
            continue
        elif not equals:
            msg = f'"{part.strip()}" in the {what} "{said}" has no equals sign. Write key=value.'
            raise WrongUse(msg)
        key = key.replace("-", "_").lower()
        if key in table:
            msg = f'"{key}" stands twice in the {what} "{said}". Keep one.'
            raise WrongUse(msg)
        table[key] = value_of(key, value)
    return table


def value_of(key: str, said: str) -> Any:
    """Return the value of a key as TOML would hold it: number, text, true, false or list."""
    if key in ("box", "range", "balance"):
        return numbers_of(said) if "," in said else said
    if key == "boxes":
        return [numbers_of(box) for box in re.split(r"\s*[|/]\s*", said) if box]
    if key == "lit_by":
        return [name.strip() for name in re.split(r"[,+]", said) if name.strip()]
    if key in _TEXT:
        return said
    if said.lower() in ("true", "yes", "false", "no") and key in ("follow", "must_see"):
        return said.lower() in ("true", "yes")
    return plain_value(said)


def plain_value(said: str) -> Any:
    """Return a plain number as a number, anything else as text."""
    if not _NUMBER.fullmatch(said):
        return said
    return float(said) if "." in said else int(said)


def numbers_of(said: str) -> list[Any]:
    """Return "0.5, 0.4, 0.6, 0.5" as numbers; what is none stays text, for the plan to refuse."""
    return [plain_value(part.strip()) for part in said.strip("[] ").split(",")]


def lamp_of(said: str) -> dict[str, Any]:
    """Return a lamp from one line, its role taken from its name where that says it."""
    table = table_of(said, what="lamp")
    role = role_in(str(table.get("name", "")))
    return {"name": table.pop("name", ""), **({"role": role} if role else {}), **table}


def role_in(name: str) -> str | None:
    """Return the role that a lamp's name says: "hair light" is a hair light."""
    words = name.lower().replace("-", " ").split()
    if "paper" in words or "backdrop" in words:
        return "background"
    return next((role for role in _ROLES if role in words), None)


def ratio_of(said: str) -> dict[str, Any]:
    """Return a ratio from "LIT to SHADOW = 2" or "LIT to SHADOW = 2 1/3".

    Raises
    ------
    WrongUse
        If it isn't written so.
    """
    found = re.fullmatch(r"\s*(.+?)\s+to\s+(.+?)\s*=\s*(.+?)\s*", said)
    if not found:
        msg = f'"{said}" is not a ratio. Write "lit cheek to shadow cheek = 2", in stops.'
        raise WrongUse(msg)
    return {"lit": found[1], "shadow": found[2], "stops": _plain(read_stops(found[3]))}


def separation_of(said: str) -> dict[str, Any]:
    """Return a separation from "LIGHTER over DARKER = 0.7".

    Raises
    ------
    WrongUse
        If it isn't written so.
    """
    found = re.fullmatch(r"\s*(.+?)\s+over\s+(.+?)\s*=\s*(.+?)\s*", said)
    if not found:
        msg = f'"{said}" is not a separation. Write "hair over backdrop = 0.7", in stops.'
        raise WrongUse(msg)
    return {"lighter": found[1], "darker": found[2], "at_least": _plain(read_stops(found[3]))}


def panel_of(said: str) -> dict[str, Any]:
    """Return a panel from one line: "flag; off_axis=-70; distance=0.9"."""
    table = table_of(said, what="panel")
    return {"kind": table.pop("name", table.pop("kind", "")), **table}


def box_of(said: str) -> tuple[float, float, float, float]:
    """Return a box from x0,y0,x1,y1.

    Raises
    ------
    WrongUse
        If it isn't four fractions of the frame, left to right and top to bottom.
    """
    right = "Write x0,y0,x1,y1 as fractions of the upright picture, such as 0.4,0.4,0.6,0.6"
    parts = numbers_of(said)
    if len(parts) != _BOX or not all(isinstance(part, int | float) for part in parts):
        msg = f'"{said}" is not a box. {right}.'
        raise WrongUse(msg)
    x0, y0, x1, y1 = (float(part) for part in parts)
    if not (0.0 <= x0 < x1 <= 1.0 and 0.0 <= y0 < y1 <= 1.0):
        msg = f'"{said}" is inside out or leaves the frame. {right}.'
        raise WrongUse(msg)
    return x0, y0, x1, y1


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
    camera = ("iso", "f_number", "shutter", "sync_speed")
    tables: dict[str, Any] = {
        "title": said.get("title"),
        "camera": {key: value_of(key, said[key]) for key in camera if said.get(key)},
        "set": table_of(said.get("set") or "", what="set"),
        "backdrop": table_of(said.get("backdrop") or "", what="backdrop"),
        "light": [lamp_of(text) for text in said.get("light", ())],
        "panel": [panel_of(text) for text in said.get("panel", ())],
        "patch": [table_of(text, what="patch") for text in said.get("patch", ())],
        "ratio": [ratio_of(text) for text in said.get("ratio", ())],
        "separation": [separation_of(text) for text in said.get("separation", ())],
    }
    return {name: held for name, held in tables.items() if held}


def _plain(value: float) -> float:
    return round(value, 4)
