"""Tables given in one line, as options and answers give them: "key; meter=8+0.3; off_axis=60"."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from stopwise.errors import WrongUse
from stopwise.plan.keys import PLAN

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Keys = dict[str, object]
"""The keys of one table with their values as TOML holds them."""

Tables = dict[str, list[Keys]]
"""A plan by its tables, each kind as a list, the top of the file as "": {"camera": [{...}]}."""

_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)"
_PAIRS = {
    "ratio": ("to", ("lit", "shadow", "stops"), "lit cheek to shadow cheek = 2"),
    "separation": ("over", ("lighter", "darker", "at_least"), "hair over backdrop = 0.7"),
}
"""Tables that are said as a sentence: the word between, the keys, and how it is written."""

_LINES = ("light", "panel", "set", "patch", "ratio", "separation", "backdrop")


def plan_tables(said: Mapping[str, str | Sequence[str] | None]) -> Tables:
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
    camera = {
        key: value_of("camera", key, str(said[key]))
        for key in PLAN.keys["camera"].keys
        if said.get(key)
    }
    tables: Tables = {"": [{"title": said["title"]}] if said.get("title") else []}
    tables["camera"] = [camera] if camera else []
    for kind in _LINES:
        lines = said.get(kind) or ()
        tables[kind] = [
            table_of(kind, line) for line in ([lines] if isinstance(lines, str) else lines)
        ]
    return {kind: held for kind, held in tables.items() if held}


def table_of(kind: str, said: str) -> Keys:
    """Return a table from one line: its name, then keys with their values, parted by semicolons.

    Parameters
    ----------
    kind
        The table: "light", "patch"; a "ratio" is said as "LIT to SHADOW = 2", and a "separation"
        as "LIGHTER over DARKER = 0.7".
    said
        "lit cheek; box=0.5,0.4,0.6,0.5; material=skin"; the name may be left out. A lamp's role is
        taken from its name, and its pack's scale from its power, where these say it.

    Raises
    ------
    WrongUse
        If a part has no equals sign, or a key stands twice.
    """
    keys = Keys()
    if kind in _PAIRS:
        word, names, example = _PAIRS[kind]
        found = re.fullmatch(rf"(.*?\S)\s++{word}\s++(.*?\S)\s*+=\s*+(.+)", said.strip())
        if not found:
            msg = f'"{said}" is not a {kind}. Write "{example}", in stops.'
            raise WrongUse(msg)
        return {key: value_of(kind, key, found[n]) for n, key in enumerate(names, 1)}
    what = "lamp" if kind == "light" else kind
    for number, part in enumerate(said.split(";")):
        key, equals, value = (piece.strip() for piece in part.partition("="))
        if not equals and not key:
            continue
        if not equals and number == 0:
            key, value = next(iter(PLAN.keys[kind].keys)), key
        elif not equals:
            msg = f'"{part.strip()}" in the {what} "{said}" has no equals sign. Write key=value.'
            raise WrongUse(msg)
        key = key.replace("-", "_").lower()
        if key in keys:
            msg = f'"{key}" stands twice in the {what} "{said}". Keep one.'
            raise WrongUse(msg)
        keys[key] = value_of(kind, key, value)
    if kind != "light":
        return keys
    role, scale = role_of(str(keys.get("name", ""))), scale_of(keys.get("power"))
    return {"name": keys.pop("name", ""), **({"role": role} if role else {}), **scale, **keys}


def role_of(name: str) -> str | None:
    """Return the role that a lamp's name says, or None: "left paper" is of the background."""
    words = name.lower().replace("-", " ").split()
    if {"paper", "backdrop"} & {*words}:
        return "background"
    return next((role for role in PLAN.at(("light", "role")).words if role in words), None)


def scale_of(power: object) -> Keys:
    """Return how a pack shows its power, as the power that was typed shows it; {} where unsure."""
    text = power.lower() if isinstance(power, str) else ""
    if found := re.fullmatch(rf"\s*{_NUMBER}\s*of\s*({_NUMBER})\s*", text):
        return {"scale": "figure", "full_reads": _plain(found[1])}
    if re.search(r"[0-9]\s*(?:ws|j|joules?)\s*$", text):
        return {"scale": "Ws"}
    return {"scale": "fraction"} if re.match(r"\s*1\s*/", text) else {}


def scale_at_full(said: str) -> Keys:
    """Return how a pack shows its power, from what it reads at full: 0, 1/1, 10 or 500 Ws.

    Raises
    ------
    WrongUse
        If it is none of these.
    """
    text = said.strip().lower()
    if text in ("0", "0.0", "stops", "full"):
        return {"scale": "stops"}
    if text in ("1/1", "1", "fraction", "fractions"):
        return {"scale": "fraction"}
    found = re.fullmatch(rf"({_NUMBER})\s*(ws|j|joules?)?", text)
    if not found:
        msg = (
            f'"{said}" is no full power. Write 0 (stops), 1/1 (fractions), the figure that it '
            "reads, such as 10, or 500 Ws."
        )
        raise WrongUse(msg)
    key, scale = ("full_ws", "Ws") if found[2] else ("full_reads", "figure")
    return {"scale": scale, key: _plain(found[1])}


def box_of(said: str) -> tuple[float, float, float, float]:
    """Return a box from x0,y0,x1,y1.

    Raises
    ------
    WrongUse
        If it isn't four fractions of the frame, left to right and top to bottom.
    """
    right = "Write x0,y0,x1,y1 as fractions of the upright picture, such as 0.4,0.4,0.6,0.6"
    parts = [part for part in _numbers(said) if isinstance(part, int | float)]
    if len(parts) != 4 or said.count(",") != 3:
        msg = f'"{said}" is not a box. {right}.'
        raise WrongUse(msg)
    x0, y0, x1, y1 = (float(part) for part in parts)
    if not (0.0 <= x0 < x1 <= 1.0 and 0.0 <= y0 < y1 <= 1.0):
        msg = f'"{said}" is inside out or leaves the frame. {right}.'
        raise WrongUse(msg)
    return x0, y0, x1, y1


def value_of(kind: str, key: str, said: str) -> object:
    """Return the value of a table's key as TOML would hold it: number, text, true, false or list.

    What the key can't be stays as it was said, for the plan to refuse.
    """
    one = PLAN.at((kind,)).keys.get(key)
    shape = one.shape if one else "number"
    if shape == "switch" and said.lower() in ("true", "yes", "false", "no"):
        return said.lower() in ("true", "yes")
    if shape == "boxes":
        return [_numbers(box) for box in re.split(r"[|/]", said) if box.strip()]
    if shape == "names":
        return [name.strip() for name in re.split(r"[,+]", said) if name.strip()]
    if shape == "numbers" and ("," in said or not (one and one.words)):
        return _numbers(said)
    return _plain(said) if shape == "number" else said


def _numbers(said: str) -> list[object]:
    """Return "0.5, 0.4, 0.6, 0.5" as numbers; what is none stays text, for the plan to refuse."""
    return [_plain(part.strip()) for part in said.strip("[] ").split(",")]


def _plain(said: str) -> object:
    """Return a plain number as a number, anything else as text."""
    if not re.fullmatch(_NUMBER, said):
        return said
    return float(said) if "." in said else int(said)
