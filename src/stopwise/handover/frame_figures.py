"""Every frame's figures as tables: the few columns that people use, or all, for any program."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stopwise.errors import WrongUse
from stopwise.ledger.export import flat
from stopwise.record import record_from_json

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path


def short_row(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return the columns of a frame that people use.

    Parameters
    ----------
    row
        Its record as JSON, with what brings it level with its look's frame.

    Returns
    -------
    dict
        What it is, what was said of it as in every other place, settings, zones by patch, stops of
        each lamp against its solo, and the offsets, which only frames of a look have.
    """
    record = record_from_json(row)
    exposure, backdrop, level = record.exposure, record.backdrop, record.level
    what, advice = record.headline
    return {
        "file": record.file,
        "taken": exposure and exposure.taken,
        "take": record.take,
        "look": record.look,
        "verdict": record.verdict,
        "what": what,
        "do": advice,
        "iso": exposure and exposure.iso,
        "f_number": exposure and exposure.f_number,
        "shutter_s": exposure and exposure.shutter_s,
        "blown": record.clipping and record.clipping.any,
        "ratio_stops": record.ratio and record.ratio.stops,
        "paper_zone": backdrop and backdrop.zone,
        "paper_left_right": backdrop and backdrop.left_right,
        **{f"zone {name}": patch.zone for name, patch in record.patches.items()},
        **{f"stops {name}": lamp.stops for name, lamp in (record.lamps or {}).items()},
        "level_stops": level and level.stops,
        "level_red_green": level and level.red_green,
        "level_blue_green": level and level.blue_green,
        "level_to": level and level.to,
    }


def write_parquet(rows: Iterable[Mapping[str, Any]], path: Path) -> None:
    """Write records as a Parquet file, a column for each figure, numbers as floating point.

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
    flats = [flat(row) for row in rows]
    names = list(dict.fromkeys(name for row in flats for name in row))
    columns = {name: _column([row.get(name) for row in flats]) for name in names}
    parquet.write_table(pa.table(columns), path)


def _column(values: Sequence[Any]) -> list[Any]:
    """Return a column of one kind: numbers, truths or text; None where there is nothing."""
    kinds = {type(value) for value in values if value is not None}
    if kinds <= {int, float}:
        return [None if value is None else float(value) for value in values]
    if len(kinds) == 1:
        return list(values)
    return [None if value is None else str(value) for value in values]
