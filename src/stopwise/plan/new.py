"""Write a new plan: what is known as keys, what isn't yet as comments that show how."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from stopwise.errors import PlanError, WrongUse
from stopwise.plan.edited import written, written_key
from stopwise.plan.faults import fields_of
from stopwise.plan.materials import MATERIALS
from stopwise.plan.model import (
    BackdropPlan,
    CameraPlan,
    Light,
    Panel,
    Patch,
    RatioTarget,
    Separation,
    SetPlan,
)
from stopwise.plan.reading import plan_of_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from stopwise.plan.model import Table

Tables = dict[str, Any]
"""A plan as TOML holds it: {"camera": {...}, "light": [{...}], ...}."""

_COLUMN = 34
_ONE: dict[str, tuple[type[Table], str]] = {
    "camera": (CameraPlan, "what the camera is set to"),
    "backdrop": (BackdropPlan, "where the backdrop is seen, and how it is to lie"),
    "set": (SetPlan, "what a rebuild needs, lengths in metres"),
}
_MANY: dict[str, tuple[type[Table], str]] = {
    "light": (Light, "one for each lamp, in the order in which they come up"),
    "panel": (Panel, "flags, boards and scrims"),
    "patch": (Patch, "places of the frame, with their targets"),
    "ratio": (RatioTarget, "stops from shadow up to lit, between patches of the same stuff"),
    "separation": (Separation, "separation: least stops between two patches"),
}
_ORDER = ("camera", "light", "panel", "set", "patch", "ratio", "separation", "backdrop")
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
    lines = ["schema = 1", *_pairs({"title": tables.get("title", "")})]
    lines += ['# Readings may be numbers or text as spoken: 11, "f/11", "8+0.3", "1/160".']
    for name in _ORDER:
        lines += ["", *_table(name, tables.get(name))]
    lines += ["", "# [frames] is written by `stopwise mark` and `stopwise expect`."]
    lines += ["# [[look]] with its own [[look.patch]] is for other clothes under the same lamps."]
    text = "\n".join([*lines, ""])
    try:
        plan_of_text(text)
    except PlanError as error:
        told = (problem.split(": ", 1)[1] for problem in error.problems)
        raise PlanError(*(f"{problem} Nothing was written." for problem in told)) from None
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
    text = new_plan_text(tables)
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


def _table(name: str, held: Any) -> list[str]:
    if name in _ONE:
        table, about = _ONE[name]
        return _one(f"[{name}]", table, about, held)
    table, about = _MANY[name]
    if not held:
        return _one(f"[[{name}]]", table, about, None)
    lines = [f"# {about}"]
    for number, values in enumerate(held):
        lines += [f"[[{name}]]", *_pairs(values, fields=fields_of(table) if number == 0 else {})]
        lines += _examples(table, values) if number == 0 else []
        lines += [""] if number < len(held) - 1 else []
    return lines


def _one(header: str, table: type[Table], about: str, held: Mapping[str, Any] | None) -> list[str]:
    if held:
        return [
            f"# {about}",
            header,
            *_pairs(held, fields=fields_of(table)),
            *_examples(table, held),
        ]
    return [f"# {about}", f"# {header}", *_examples(table, {})]


def _pairs(values: Mapping[str, Any], fields: Mapping[str, Any] | None = None) -> list[str]:
    lines = []
    for key, value in values.items():
        if value not in ("", None):
            pair = f"{written_key(key)} = {written(value)}"
            about = _about(key, value, fields or {})
            lines.append(f"{pair:<{_COLUMN}} # {about}" if about else pair)
    return lines


def _about(key: str, value: Any, fields: Mapping[str, Any]) -> str:
    if key == "material" and value in MATERIALS:
        return f"brings {_brings(value)}"
    return str(fields[key].description) if key in fields else ""


def _brings(material: str) -> str:
    row = MATERIALS[material]
    told = {
        "zone": row.zone,
        "over": row.over,
        "under": row.under,
        "headroom": row.headroom,
        "may_clip": row.may_clip,
    }
    brings = ", ".join(f"{key} {value:g}" for key, value in told.items() if value is not None)
    return f"{brings}, no zone" if row.zone is None else brings


def _examples(table: type[Table], held: Iterable[str]) -> list[str]:
    """Return the keys that aren't said as comments with an example each."""
    known = set(held)
    lines = []
    for key, field in fields_of(table).items():
        if key not in known and key not in _BY_PROGRAM and field.examples:
            pair = f"# {key} = {written(field.examples[0])}"
            lines.append(f"{pair:<{_COLUMN}} # {field.description}")
    return lines
