"""Write a new plan: what is known as keys, what isn't yet as comments that show how."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import tomlkit

from stopwise.errors import PlanError, WrongUse
from stopwise.plan.draft import plain_value
from stopwise.plan.faults import fields_of
from stopwise.plan.loading import text_of
from stopwise.plan.model import (
    MATERIALS,
    BackdropPlan,
    CameraPlan,
    Light,
    Panel,
    Patch,
    RatioTarget,
    Separation,
    SetPlan,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from stopwise.plan.model import Table

Tables = dict[str, Any]
"""A plan as TOML holds it: {"camera": {...}, "light": [{...}], ...}."""

_COLUMN = 34  # where the remarks of a new plan begin, characters
_TABLES: dict[str, tuple[type[Table], str]] = {
    "[camera]": (CameraPlan, "what the camera is set to"),
    "[[light]]": (Light, "one for each lamp, in the order in which they come up"),
    "[[panel]]": (Panel, "flags, boards and scrims"),
    "[set]": (SetPlan, "what a rebuild needs, lengths in metres"),
    "[[patch]]": (Patch, "places of the frame, with their targets"),
    "[[ratio]]": (
        RatioTarget,
        "stops from shadow up to lit, between patches of the same material",
    ),
    "[[separation]]": (Separation, "separation: least stops between two patches"),
    "[backdrop]": (BackdropPlan, "where the backdrop is seen, and how it is to lie"),
}
"""Tables in the order in which a new plan has them, by their headers."""

_BY_PROGRAM = ("mid_grey", "mid_grey_model", "mid_grey_iso")


def new_plan_text(tables: Tables) -> str:
    """Return the text of a plan file that holds `tables`.

    Parameters
    ----------
    tables
        Keys and values as TOML holds them. Tables that are left out stand as comments.

    Raises
    ------
    PlanError
        If they make no right plan.
    """
    lines = ["schema = 1", *_pairs({"title": tables.get("title", "")}, {})]
    lines += ['# Readings may be numbers or text as spoken: 11, "f/11", "8+0.3", "1/160".']
    for header, (table, about) in _TABLES.items():
        held = tables.get(header.strip("[]")) or []
        lines += ["", f"# {about}"]
        if not held:
            lines += [f"# {header}", *_examples(table, ())]
        for number, values in enumerate(held if isinstance(held, list) else [held]):
            is_first = number == 0
            lines += ["" for _ in range(not is_first)]
            lines += [header, *_pairs(values, fields_of(table) if is_first else {})]
            lines += _examples(table, values) if is_first else ()
    lines += ["", "# [frames] is written by `stopwise mark` and `stopwise expect`."]
    lines += ["# [[look]] with its own [[look.patch]] is for other clothes under the same lamps."]
    text = "\n".join([*lines, ""])
    if faults := text_of(text, "plan.toml").checked()[1]:
        raise PlanError(*dict.fromkeys(say for _, say in faults))
    return text


def refuse_old(file: Path) -> None:
    """Refuse a name that is taken, before anyone has answered a question for it.

    Raises
    ------
    WrongUse
        If the file is there already, or its folder isn't.
    """
    if file.exists() or file.is_symlink():
        msg = f"{file} is there already and is not overwritten. Name another file."
        raise WrongUse(msg)
    if not file.resolve().parent.is_dir():
        msg = f"{file} can't be written: its folder isn't there. Make it first."
        raise WrongUse(msg)


def write_new_plan(path: str | Path, tables: Tables) -> Path:
    """Write a new plan file, and never over another.

    Raises
    ------
    PlanError
        If the tables make no right plan.
    WrongUse
        If the file is there already, or can't be written.
    """
    file = Path(path)
    try:
        text = new_plan_text(tables)
    except PlanError as wrong:
        raise PlanError(*(f"{one} Nothing was written." for one in wrong.problems)) from None
    try:
        with file.open("x", encoding="utf-8", newline="\n") as opened:
            opened.write(text)
    except FileExistsError:
        refuse_old(file)
        raise
    except (OSError, ValueError) as error:
        msg = f"{file} can't be written: {getattr(error, 'strerror', None) or error}."
        raise WrongUse(msg) from None
    return file


def _pairs(values: Mapping[str, Any], fields: Mapping[str, Any]) -> Iterator[str]:
    """Yield a line for each key, with what it means where `fields` say so."""
    for key, value in values.items():
        if value in ("", None):
            continue
        about = str(fields[key].description) if key in fields else ""
        if key == "material" and value in MATERIALS:
            row = MATERIALS[value]
            keys = ("zone", "over", "under", "headroom", "may_clip")
            brings = {one: getattr(row, one) for one in keys}
            told = [f"{one} {held:g}" for one, held in brings.items() if held is not None]
            about = f"brings {', '.join([*told, *(['no zone'] if row.zone is None else [])])}"
        pair = f"{tomlkit.key(key).as_string()} = {tomlkit.item(plain_value(value)).as_string()}"
        yield f"{pair:<{_COLUMN}} # {about}" if about else pair


def _examples(table: type[Table], held: Iterable[str]) -> Iterator[str]:
    """Yield the keys that aren't said as comments with an example each."""
    known = {*held, *_BY_PROGRAM}
    for key, field in fields_of(table).items():
        if key not in known and field.examples:
            pair = f"# {key} = {tomlkit.item(field.examples[0]).as_string()}"
            yield f"{pair:<{_COLUMN}} # {field.description}"
