"""The few of a frame's figures that people use, as a row of a table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stopwise.record import record_from_json

if TYPE_CHECKING:
    from collections.abc import Mapping


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
