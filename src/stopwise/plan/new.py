"""Write a new plan: what is known as keys, what isn't yet as comments that show how."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import tomlkit

from stopwise.errors import PlanError, WrongUse, refusal
from stopwise.plan.draft import WAITS, plain_value
from stopwise.plan.keys import PLAN
from stopwise.plan.loading import checked, text_of
from stopwise.plan.materials import MATERIALS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from stopwise.plan.faults import Fault
    from stopwise.plan.keys import PlanKey
    from stopwise.plan.spoken_tables import Keys, Tables

_COLUMN = 34  # where the remarks of a new plan begin, characters
_BY_PROGRAM = ("frames", "look", "mid_grey", "mid_grey_model", "mid_grey_iso", "clip")
"""Tables and keys that a frame writes, and so no example."""

_ANYWHERE = [0, 0, 1, 1]
"""Stands for a box that is still to be drawn while all else of its patch is checked."""

_HEAD = '# Readings may be numbers or text as spoken: 11, "f/11", "8+0.3", "1/160".'
_FOOT = """
# [frames] is written by `stopwise mark` and `stopwise expect`.
# [[look]] with its own [[look.patch]] is for other clothes under the same lamps.
"""


def new_plan_text(tables: Tables) -> str:
    """Return the text of a plan file that holds `tables`.

    Parameters
    ----------
    tables
        Keys and values as TOML holds them. Tables that are left out stand as comments, and so do
        patches without a box, with what is said of them, until it is drawn.

    Raises
    ------
    PlanError
        If they make no right plan.
    """
    if faults := faults_of(tables):
        raise PlanError(*dict.fromkeys(fault.say for fault in faults))
    return _text(tables)


def faults_of(tables: Tables) -> list[Fault]:
    """Return what is wrong with a plan of `tables`; a box may still be missing."""
    boxed: list[Keys] = [{"box": _ANYWHERE, **patch} for patch in tables.get("patch", ())]
    return checked(text_of(_text({**tables, "patch": boxed}), "plan.toml"))[1]


def _text(tables: Tables) -> str:
    waiting = {patch.get("name") for patch in tables.get("patch", ()) if "box" not in patch}
    lines = ["schema = 1", *(line for top in tables.get("", ()) for line in _pairs(top, {})), _HEAD]
    for kind, table in PLAN.keys.items():
        if not table.keys or kind in _BY_PROGRAM:
            continue
        lines += ["", f"# {table.about}"]
        if not tables.get(kind):
            lines += [f"# {table.header}", *_examples(table, ())]
        for number, values in enumerate(tables.get(kind, ())):
            block = [table.header, *_pairs(values, {} if number else table.keys)]
            named = [values.get(key) for key in ("name", "lit", "shadow", "lighter", "darker")]
            if kind in ("patch", "ratio", "separation") and not waiting.isdisjoint(named):
                block = [WAITS, *(f"# {line}" for line in block)]
            elif not number:
                block += _examples(table, values)
            lines += [*[""][: bool(number)], *block]
    return "\n".join(lines) + "\n" + _FOOT


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
        msg = f"{file} can't be written: {refusal(error)}."
        raise WrongUse(msg) from None
    return file


def _pairs(values: Keys, keys: Mapping[str, PlanKey]) -> Iterator[str]:
    """Yield a line for each value, with what it means where `keys` say so."""
    for key, value in values.items():
        if value in ("", None):
            continue
        about = keys[key].about if key in keys else ""
        if key == "material" and value in MATERIALS:
            row = MATERIALS[str(value)]
            shown = ("zone", "over", "under", "headroom", "may_clip")
            brings = {one: getattr(row, one) for one in shown}
            told = [f"{one} {held:g}" for one, held in brings.items() if held is not None]
            about = f"brings {', '.join([*told, *(['no zone'] if row.zone is None else [])])}"
        pair = f"{tomlkit.key(key).as_string()} = {tomlkit.item(plain_value(value)).as_string()}"
        yield f"{pair:<{_COLUMN}} # {about}" if about else pair


def _examples(table: PlanKey, held: Iterable[str]) -> Iterator[str]:
    """Yield the keys that aren't said as comments with an example each."""
    for key, one in table.keys.items():
        if key not in {*held, *_BY_PROGRAM} and one.example is not None:
            pair = f"# {key} = {tomlkit.item(one.example).as_string()}"
            yield f"{pair:<{_COLUMN}} # {one.about}"
