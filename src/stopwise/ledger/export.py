"""The records out of the ledger: JSON lines as they are kept, or a flat table as CSV."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any

from stopwise.wording import shown

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

_LISTS_AS_JSON = ("findings", "areas")
_FORMULA = ("=", "+", "-", "@")


def json_lines(records: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """Yield one line of JSON a record, in plain ASCII so that any file name survives."""
    for record in records:
        yield json.dumps(record, allow_nan=False) + "\n"


def csv_lines(records: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """Yield a table: a heading, then one line a record, a column for each figure in any of them.

    Nested keys are joined with dots (``patches.lit cheek.zone``), lists of figures get a column for
    each place (``size.0``), lists of findings and areas stay JSON. A figure that wasn't seen is an
    empty field. Text that a spreadsheet would take for a formula gets an apostrophe before it, what
    could steer a screen is spelled out (JSON keeps names as they are); line ends and quotes follow
    RFC 4180.
    """
    rows = [flat(record) for record in records]
    columns = list(dict.fromkeys(name for row in rows for name in row))
    yield _csv_line([_safe(name) for name in columns])
    for row in rows:
        yield _csv_line([_cell(row.get(name)) for name in columns])


def flat(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return a record with nested keys joined by dots."""
    found: dict[str, Any] = {}
    for name, value in record.items():
        _flatten(found, name, value)
    return found


def _flatten(found: dict[str, Any], name: str, value: Any) -> None:
    if isinstance(value, dict):
        for key, item in value.items():
            _flatten(found, f"{name}.{key}", item)
    elif isinstance(value, list) and name.rpartition(".")[2] in _LISTS_AS_JSON:
        found[name] = json.dumps(value, allow_nan=False)
    elif isinstance(value, list):
        for place, item in enumerate(value):
            _flatten(found, f"{name}.{place}", item)
    else:
        found[name] = value


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return _safe(value)
    return json.dumps(value)


def _safe(text: str) -> str:
    return f"'{shown(text)}" if text.startswith(_FORMULA) else shown(text)


def _csv_line(cells: Iterable[str]) -> str:
    line = io.StringIO()
    csv.writer(line).writerow(cells)
    return line.getvalue()
