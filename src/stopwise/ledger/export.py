"""The records out of the ledger: JSON lines as they are kept, or a flat table as CSV."""

from __future__ import annotations

import csv
import io
import json
import re
from itertools import islice
from typing import TYPE_CHECKING, Any

from stopwise.errors import WrongUse
from stopwise.wording import shown

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    Rows = Callable[[], Iterable[Mapping[str, Any]]]

_LISTS_AS_JSON = ("findings", "areas")
_ROW_GROUP = 2000  # records of a group: some tens of megabytes
_FORMULA = re.compile("(^|;)( *'*[=+@＝＋－＠-])")
"""What a spreadsheet takes for a formula: the signs that OWASP's "CSV Injection" lists, full width
too, at the start of a cell or behind a semicolon, which parts cells in half the world; and what
looks like one that we guarded, so that each reads back as it was."""


def json_lines(records: Iterable[Mapping[str, Any]]) -> Iterator[str]:
    """Yield one line of JSON a record, in plain ASCII so that any file name survives."""
    for record in records:
        yield json.dumps(record, allow_nan=False) + "\n"


def csv_lines(records: Rows) -> Iterator[str]:
    """Yield a table: a heading, then one line a record, a column for each figure in any of them.

    Nested keys are joined with dots (``patches.lit cheek.zone``), lists of figures get a column for
    each place (``size.0``), lists of findings and areas stay JSON. A figure that wasn't seen is an
    empty field. Text that a spreadsheet would take for a formula, at its start or behind a
    semicolon, gets an apostrophe before it. What could steer a screen is spelled out (JSON keeps
    names as they are); line ends and quotes follow RFC 4180.

    Parameters
    ----------
    records
        Gives the records anew each time it is called: once for the columns, once for the lines, so
        that an archive needn't be held.
    """
    columns = list(dict.fromkeys(name for record in records() for name in flat(record)))
    yield _csv_line([_safe(name) for name in columns])
    for row in map(flat, records()):
        yield _csv_line([_cell(row.get(name)) for name in columns])


def write_parquet(records: Rows, path: Path) -> None:
    """Write a Parquet file with the columns of :func:`csv_lines`, numbers as floating point.

    Parameters
    ----------
    records
        As in :func:`csv_lines`.
    path
        Where to.

    Raises
    ------
    WrongUse
        If the extra ``parquet`` isn't installed.
    """
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError:
        msg = "Parquet needs an extra: pip install 'stopwise[parquet]'"
        raise WrongUse(msg) from None
    kinds: dict[str, set[type]] = {}
    for record in records():
        for name, value in flat(record).items():
            kinds.setdefault(name, set()).update(() if value is None else (type(value),))
    types = {name: _column_type(found) for name, found in kinds.items()}
    arrow = {bool: pa.bool_(), float: pa.float64(), str: pa.string()}
    schema = pa.schema([(name, arrow[kind]) for name, kind in types.items()])
    with parquet.ParquetWriter(path, schema) as writer:
        rows = map(flat, records())
        while group := list(islice(rows, _ROW_GROUP)):
            columns = [_column([row.get(name) for row in group], types[name]) for name in types]
            writer.write_table(pa.table(columns, schema=schema))


def _column_type(kinds: set[type]) -> type:
    """Return the one kind that a column of such values has."""
    if kinds <= {bool} and kinds:
        return bool
    return float if kinds <= {int, float} else str


def _column(values: Sequence[Any], kind: type) -> list[Any]:
    return [None if value is None else kind(value) for value in values]


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
    return _FORMULA.sub(r"\1'\2", shown(text))


def _csv_line(cells: Iterable[str]) -> str:
    line = io.StringIO()
    csv.writer(line).writerow(cells)
    return line.getvalue()
