"""Sides of a comparison: one frame's figures, or the medians of a take's frames, alike."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from stopwise.comparison.counting import counts
from stopwise.comparison.settings import settings_change
from stopwise.comparison.statistics import MEDIAN_FACTOR, spread

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


@dataclass(frozen=True, slots=True)
class PatchFigures:
    """What one patch shows on one side.

    Attributes
    ----------
    log2_y
        log2 of its Y against the anchor; None where it isn't seen.
    zone
        The same as a zone; None where zones aren't seen.
    uncertainty
        Standard uncertainty of either, stops.
    red_green, blue_green
        Balanced R/G and B/G, stops.
    box
        Where it was read, fractions of the upright picture.
    follows
        Whether it was looked for on the sitter; it can move then.
    """

    log2_y: float | None
    zone: float | None
    uncertainty: float
    red_green: float | None = None
    blue_green: float | None = None
    box: tuple[float, ...] = ()
    follows: bool = False


@dataclass(frozen=True, slots=True)
class LampFigures:
    """A lamp's output on one side, against its solo.

    Attributes
    ----------
    stops, uncertainty
        None where it isn't seen or is out.
    state
        fired, weak, strong, out, not seen.
    """

    stops: float | None
    uncertainty: float | None
    state: str


@dataclass(frozen=True, slots=True)
class Side:
    """One side of a comparison.

    Attributes
    ----------
    name
        What it is called: a file, a take, a look.
    exposure
        Settings that all its figures are at, as a record has them.
    size
        Width and height of the upright picture.
    patches, lamps
        By name.
    frames
        How many frames it stands on.
    """

    name: str
    exposure: Mapping[str, Any] | None
    size: tuple[int, ...]
    patches: Mapping[str, PatchFigures] = field(default_factory=dict)
    lamps: Mapping[str, LampFigures] = field(default_factory=dict)
    frames: int = 1


def side_of(record: Mapping[str, Any], *, name: str | None = None) -> Side:
    """Return one frame as a side.

    Parameters
    ----------
    record
        Its JSON record.
    name
        What it is called; its file's name when None.
    """
    return Side(
        name=str(record["file"]) if name is None else name,
        exposure=record.get("exposure"),
        size=tuple(record.get("size") or ()),
        patches={key: _patch(one) for key, one in (record.get("patches") or {}).items()},
        lamps={key: _lamp(one) for key, one in (record.get("lamps") or {}).items()},
    )


def _patch(figures: Mapping[str, Any]) -> PatchFigures:
    return PatchFigures(
        log2_y=figures.get("log2_y"),
        zone=figures.get("zone"),
        uncertainty=figures.get("uncertainty") or 0.0,
        red_green=figures.get("red_green"),
        blue_green=figures.get("blue_green"),
        box=tuple(figures.get("box") or ()),
        follows=figures.get("score") is not None,
    )


def _lamp(figures: Mapping[str, Any]) -> LampFigures:
    return LampFigures(figures.get("stops"), figures.get("uncertainty"), figures["state"])


def side_of_frames(
    records: Sequence[Mapping[str, Any]], *, name: str, steady: bool = False
) -> Side | None:
    """Return the medians of several frames as a side; None where no frame counts.

    Parameters
    ----------
    records
        Their records, oldest first; misfires and frames that can't be read are passed over, and so
        are frames of another size than most.
    name
        What they are called together.
    steady
        Whether all lamps burn all the time, so that the shutter dims everything.
    """
    good = same_size([record for record in records if counts(record)])
    if not good:
        return None
    sides = [side_of(record) for record in good]
    first = sides[0]
    gains = [_gain(first, side, steady=steady) for side in sides]
    names = dict.fromkeys(patch for side in sides for patch in side.patches)
    lamps = dict.fromkeys(lamp for side in sides for lamp in side.lamps)
    return Side(
        name=name,
        exposure=first.exposure,
        size=first.size,
        patches={patch: _median_patch(patch, sides, gains) for patch in names},
        lamps={lamp: _median_lamp(lamp, sides) for lamp in lamps},
        frames=len(sides),
    )


def same_size(records: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return the records of the size that most of them have."""
    sizes = Counter(tuple(record.get("size") or ()) for record in records)
    most = sizes.most_common(1)[0][0] if sizes else ()
    return [record for record in records if tuple(record.get("size") or ()) == most]


def _gain(first: Side, side: Side, *, steady: bool) -> float:
    change = settings_change(first.exposure, side.exposure)
    return change.steady_stops if steady else change.flash_stops


def _median_patch(name: str, sides: Sequence[Side], gains: Sequence[float]) -> PatchFigures:
    seen = [
        (side.patches[name], gain)
        for side, gain in zip(sides, gains, strict=True)
        if name in side.patches
    ]
    logs = [one.log2_y - gain for one, gain in seen if one.log2_y is not None]
    zones = [one.zone - gain for one, gain in seen if one.zone is not None]
    patches = [one for one, _ in seen]
    boxes = [one.box for one in patches if one.box]
    return PatchFigures(
        log2_y=_median(logs),
        zone=_median(zones),
        uncertainty=_doubt(logs or zones, [one.uncertainty for one in patches]),
        red_green=_median([one.red_green for one in patches if one.red_green is not None]),
        blue_green=_median([one.blue_green for one in patches if one.blue_green is not None]),
        box=tuple(statistics.median(edge) for edge in zip(*boxes, strict=True)),
        follows=any(one.follows for one in patches),
    )


def _median_lamp(name: str, sides: Sequence[Side]) -> LampFigures:
    lamps = [side.lamps[name] for side in sides if name in side.lamps]
    told = [one for one in lamps if one.stops is not None and one.state not in ("out", "not seen")]
    if not told:
        state = Counter(one.state for one in lamps).most_common(1)[0][0]
        return LampFigures(None, None, state)
    stops = [one.stops for one in told if one.stops is not None]
    doubts = [one.uncertainty or 0.0 for one in told]
    return LampFigures(_median(stops), _doubt(stops, doubts), "fired")


def _median(values: Sequence[float]) -> float | None:
    return statistics.median(values) if values else None


def _doubt(values: Sequence[float], doubts: Sequence[float]) -> float:
    """Return the standard uncertainty of a median: from the scatter, and no less than one's own."""
    if not values:
        return 0.0
    own = statistics.median(doubts) if doubts else 0.0
    if len(values) == 1:
        return own
    return MEDIAN_FACTOR * max(spread(values), own) / math.sqrt(len(values))
