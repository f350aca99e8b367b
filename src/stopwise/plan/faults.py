"""What the model refuses, said for a photographer: what stands there and what would be right."""

from __future__ import annotations

import re
import typing
from typing import TYPE_CHECKING, Any

from stopwise.plan.model import Plan, Table
from stopwise.plan.source import nearest

if TYPE_CHECKING:
    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

    from stopwise.plan.places import Path
    from stopwise.plan.source import Source

_MEANT = {
    "aperture": "f_number",
    "ambient": "ambient_ev",
    "angle": "off_axis",
    "azimuth": "off_axis",
    "background": "backdrop",
    "brand": "pack",
    "colour": "gel",
    "f": "f_number",
    "f_stop": "f_number",
    "focal_length": "lens_mm",
    "fstop": "f_number",
    "height": "elevation",
    "lamp": "light",
    "lamps": "light",
    "lens": "lens_mm",
    "lights": "light",
    "minus": "under",
    "plus": "over",
    "reading": "meter",
    "speed": "shutter",
    "sync": "sync_speed",
    "target": "zone",
    "time": "shutter",
    "tolerance": "within",
    "white_balance": "balance",
}
"""What other words for a key most likely mean, where the table has that key."""

Fault = tuple["Path", str]


def faults_of(errors: list[ErrorDetails], source: Source) -> list[Fault]:
    """Say each error of the model.

    Parameters
    ----------
    errors
        As pydantic lists them.
    source
        The plan that was read.

    Returns
    -------
    list
        Path and sentences of each, without repeats.
    """
    return [_fault(error, source) for error in errors]


def _fault(error: ErrorDetails, source: Source) -> Fault:
    path: Path = error["loc"]
    if path[:2] in (("frames", "solo"), ("frames", "white_card")):
        path = path[:3]  # a wrong name has "[key]" behind it
    kind = error["type"]
    if kind == "extra_forbidden":
        return path, _unknown(path, source)
    path = _of_list(path, kind)
    if kind == "missing" and isinstance(path[-1], str) and path not in source.places.by_path:
        return path[:-1], _missing(path, source)
    return path, _wrong_value(path, error, source)


def _of_list(path: Path, kind: str) -> Path:
    """Blame the whole list for an element that is missing from it."""
    return path[:-1] if kind == "missing" and isinstance(path[-1], int) else path


def _unknown(path: Path, source: Source) -> str:
    key = str(path[-1])
    keys = _keys(_table_at(path[:-1]))
    meant = _MEANT.get(key.lower(), "")
    meant = meant if meant in keys else nearest(key, keys) or ""
    where = source.table(path) or "The plan"
    if meant:
        ask = f" Did you mean `{_written(path[:-1], meant)}`?"
    elif elsewhere := _elsewhere(key):
        ask = f" It belongs in {elsewhere}."
    else:
        ask = f" It takes {', '.join(keys)}."
    return f"{where} has no key `{_short(key)}`.{ask}"


def _written(path: Path, key: str) -> str:
    """Return a key as it stands in a file: tables in their brackets."""
    if path:
        return key
    field = fields_of(Plan)[key]
    if _table_in(field.annotation) is None:
        return key
    return f"[[{key}]]" if _is_many(field.annotation) else f"[{key}]"


def _elsewhere(key: str) -> str | None:
    found = (name for name in fields_of(Plan) if key in _keys(_table_at((name,))))
    return next((_written((), name) for name in found), None)


def _missing(path: Path, source: Source) -> str:
    where = source.table(path) or "The plan"
    return f"{where} lacks `{path[-1]}`. {_right(path)}"


def _wrong_value(path: Path, error: ErrorDetails, source: Source) -> str:
    where = source.table(path)
    stands = f"`{source.shown(_whole(path, source))}`" + (f" in {where}" if where else "")
    what = _element(path, source, error["input"]) + _what(error, path)
    right = "" if "Write " in what else f" {_right(path)}"
    return f"{stands}: {what}{right}".rstrip()


def _whole(path: Path, source: Source) -> Path:
    """Return the path of the whole list for one of its numbers."""
    while isinstance(path[-1], int) and not source.places.nearest(path).is_header:
        path = path[:-1]
    return path


_CORNERS = ("x0", "y0", "x1", "y1")


def _element(path: Path, source: Source, given: Any) -> str:
    """Say which number of a list is meant."""
    if _whole(path, source) == path or not isinstance(given, int | float | str):
        return ""
    place = path[-1]
    if "box" in str(path[:-1]) and isinstance(place, int) and place < len(_CORNERS):
        return f"{_CORNERS[place]} is {_short(str(given))}. "
    return f"It holds {_short(str(given))}. "


def _what(error: ErrorDetails, path: Path) -> str:
    kind, given, ctx = error["type"], error["input"], error.get("ctx", {})
    if kind in ("model_type", "tuple_type", "dict_type") and (said := _brackets(path, given)):
        return said
    if kind == "literal_error":
        return _choices(given, ctx)
    if kind == "plain":
        return str(ctx["text"])
    if kind in ("missing", "too_long", "too_short") and isinstance(given, list | tuple):
        return _length(given, path)
    return _KINDS.get(kind, "This can't stand here.").format(**{k: _g(v) for k, v in ctx.items()})


def _length(given: Any, path: Path) -> str:
    field = _field_at(path)
    wanted = field.examples[0] if field and field.examples else given
    if path[-1] == "boxes":
        return "It is a list of boxes, at least one."
    wanted = wanted[0] if wanted and isinstance(wanted[0], list) else wanted
    return f"It has {len(given)} numbers where {len(wanted)} belong."


_KINDS = {
    "greater_than": "It must be above {gt}.",
    "greater_than_equal": "It must be at least {ge}.",
    "less_than": "It must be below {lt}.",
    "less_than_equal": "It must be at most {le}.",
    "string_type": "It must be text, in quotes.",
    "string_too_short": "It is empty.",
    "string_too_long": "It is longer than {max_length} letters.",
    "tuple_type": "It must be a list in brackets.",
    "model_type": "It must be a table.",
    "dict_type": "It must be a table.",
    "missing": "It is missing.",
}


def _brackets(path: Path, given: Any) -> str:
    """Explain single and double brackets, where a table stands in the wrong ones."""
    table = _table_in(_annotation_at(path))
    name = ".".join(str(part) for part in path if isinstance(part, str))
    if table and isinstance(given, dict):
        return f"There may be several of these. Write [[{name}]] with two brackets."
    if table and isinstance(given, list):
        return f"There is only one of these. Write [{name}] with single brackets."
    if table:
        many = _is_many(_annotation_at(path)) and not isinstance(path[-1], int)
        return (
            f"This is a table. Write {f'[[{name}]]' if many else f'[{name}]'} and its keys below."
        )
    return ""


def _choices(given: Any, ctx: dict[str, Any]) -> str:
    expected = ctx["expected"]
    words = re.findall(r"'([^']*)'", expected) if isinstance(expected, str) else list(expected)
    if not words:
        return f"This version reads {expected}."
    meant = nearest(given, words) if isinstance(given, str) else None
    ask = f' Did you mean "{meant}"?' if meant else ""
    return f"It is one of {', '.join(words)}.{ask}"


def _right(path: Path) -> str:
    field = _field_at(path)
    key = next((part for part in reversed(path) if isinstance(part, str)), "")
    if field is None or not field.examples or isinstance(field.examples[0], dict):
        return ""
    about = f" ({field.description})" if field.description else ""
    return f"Right would be {key} = {_toml(field.examples[0])}{about}."


def _toml(value: object) -> str:
    from tomlkit import item

    return item(value).as_string()


def _g(value: object) -> object:
    return f"{value:g}" if isinstance(value, float) else value


def _short(key: str) -> str:
    key = key if key.isprintable() else key.encode("unicode_escape").decode()
    return key if len(key) <= 40 else f"{key[:40]}…"


def keys_of_the_plan() -> dict[str, list[str]]:
    """Return the keys of every table, by the table's header in the file: "light", "look.patch"."""
    found: dict[str, list[str]] = {}
    _collect(Plan, "", found)
    return found


def _collect(table: type[Table], name: str, found: dict[str, list[str]]) -> None:
    found[name] = _keys(table)
    for key, field in fields_of(table).items():
        if inner := _table_in(field.annotation):
            _collect(inner, f"{name}.{key}".lstrip("."), found)


# --- finding the way through the model -----------------------------------------------------------


def fields_of(table: type[Table]) -> dict[str, FieldInfo]:
    """Return a table's fields by the key that stands in the file."""
    return {field.alias or name: field for name, field in table.model_fields.items()}


def _keys(table: type[Table] | None) -> list[str]:
    return list(fields_of(table)) if table else []


def _table_in(annotation: Any) -> type[Table] | None:
    if isinstance(annotation, type) and issubclass(annotation, Table):
        return annotation
    found = (_table_in(part) for part in typing.get_args(annotation))
    return next((table for table in found if table), None)


def _is_many(annotation: Any) -> bool:
    return typing.get_origin(annotation) is tuple


def _table_at(path: Path) -> type[Table] | None:
    table: type[Table] | None = Plan
    for part in path:
        if isinstance(part, str) and table:
            field = fields_of(table).get(part)
            table = _table_in(field.annotation) if field else None
    return table


def _field_at(path: Path) -> FieldInfo | None:
    """Return the field of the last key on the way that the model knows."""
    table: type[Table] | None = Plan
    found = None
    for part in path:
        if isinstance(part, str) and table:
            found = fields_of(table).get(part, found)
            table = _table_in(found.annotation) if found else None
    return found


def _annotation_at(path: Path) -> Any:
    field = _field_at(path)
    return field.annotation if field else None
