"""Sides of a comparison: one frame's figures, or the medians of a take's frames, alike."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from stopwise.comparison.events import spread
from stopwise.frame import Exposure
from stopwise.grid import MEDIAN_FACTOR
from stopwise.lamps.outputs import LampReading
from stopwise.stops import aperture_stops, iso_stops, shutter_stops

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.frame import Box
    from stopwise.record import Record


@dataclass(frozen=True, slots=True)
class SettingsChange:
    """What a change of camera settings does to the light recorded, after less before.

    Attributes
    ----------
    iso_stops, aperture_stops
        What dims or lifts all light.
    shutter_stops
        What dims or lifts light that burns all the time; flash is over long before it ends.
    unknown
        Settings that one of the files doesn't say; they are taken as unchanged.
    """

    iso_stops: float = 0.0
    aperture_stops: float = 0.0
    shutter_stops: float = 0.0
    unknown: tuple[str, ...] = ()

    @property
    def flash_stops(self) -> float:
        """Stops that light from flash gains."""
        return self.iso_stops + self.aperture_stops

    @property
    def steady_stops(self) -> float:
        """Stops that ambient light and lamps that burn gain."""
        return self.flash_stops + self.shutter_stops


def settings_change(before: Exposure | None, after: Exposure | None) -> SettingsChange:
    """Return what changed from one frame's settings to another's.

    Parameters
    ----------
    before, after
        What the files say; what one doesn't say counts as unchanged.

    Returns
    -------
    SettingsChange
        From the exact values that marks stand for: f/11 to f/8 is one stop, 1/125 to 1/60 too
        (marks of ISO 517 and ISO 516).
    """
    then, now = before or Exposure(), after or Exposure()
    pairs = {
        "iso": (iso_stops, then.iso, now.iso),
        "f_number": (aperture_stops, then.f_number, now.f_number),
        "shutter_s": (shutter_stops, then.shutter_s, now.shutter_s),
    }
    stops = {
        name: stops_of(was, is_) for name, (stops_of, was, is_) in pairs.items() if was and is_
    }
    unknown = tuple(name for name in pairs if name not in stops)
    iso, aperture, shutter = (stops.get(name, 0.0) for name in pairs)
    return SettingsChange(iso, aperture, shutter, unknown)


@dataclass(frozen=True, slots=True)
class SidePatch:
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
    box: Box | None = None
    follows: bool = False


@dataclass(frozen=True, slots=True)
class Side:
    """One side of a comparison.

    Attributes
    ----------
    name
        What it is called: a file, a take, a look.
    exposure
        Settings that all its figures are at.
    size
        Width and height of the upright picture; None where no frame was readable.
    patches
        By name.
    lamps
        Each lamp's output against its solo, by name.
    frames
        How many frames it stands on.
    """

    name: str
    exposure: Exposure | None
    size: tuple[int, int] | None
    patches: Mapping[str, SidePatch] = field(default_factory=dict)
    lamps: Mapping[str, LampReading] = field(default_factory=dict)
    frames: int = 1


def side_of(record: Record, *, name: str | None = None) -> Side:
    """Return one frame as a side; it is called by its file where `name` is None."""
    patches = {
        key: SidePatch(
            log2_y=one.log2_y,
            zone=one.zone,
            uncertainty=one.uncertainty or 0.0,
            red_green=one.red_green,
            blue_green=one.blue_green,
            box=one.box,
            follows=one.score is not None,
        )
        for key, one in record.patches.items()
    }
    called = record.file if name is None else name
    return Side(called, record.exposure, record.size, patches, record.lamps or {})


def side_of_frames(records: Sequence[Record], *, name: str, is_steady: bool = False) -> Side | None:
    """Return the medians of several frames as a side; None where no frame counts.

    Parameters
    ----------
    records
        Their records, oldest first; misfires and frames that can't be read are passed over, and so
        are frames of another size than most.
    name
        What they are called together.
    is_steady
        Whether all lamps burn all the time, so that the shutter dims everything.
    """
    good = same_size([record for record in records if left_out(record) is None])
    if not good:
        return None
    sides = [side_of(record) for record in good]
    first = sides[0]
    changes = [settings_change(first.exposure, side.exposure) for side in sides]
    gains = [one.steady_stops if is_steady else one.flash_stops for one in changes]
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


def same_size(records: Sequence[Record]) -> list[Record]:
    """Return the records of the size that most of them have."""
    sizes = Counter(record.size for record in records)
    most = sizes.most_common(1)[0][0] if sizes else None
    return [record for record in records if record.size == most]


def left_out(record: Record) -> str | None:
    """Return why a frame isn't counted in its take's run, None where it is.

    A misfire, a shutter in the way, a frame of the plan's own or an unreadable one never counts.
    """
    from stopwise.messages import reason_text, say

    if record.verdict == "unreadable":
        return "unreadable"
    if record.reason is not None and record.plays_a_part:
        return reason_text(record.reason)
    for finding in record.findings:
        if finding.is_misfire or (finding.check == "shutter" and finding.state == "fails"):
            return say(finding)
    if record.in_run is not False:
        return None
    of_lamps = (say(finding) for finding in record.findings if finding.check == "lamp")
    return next(of_lamps, "left out of the run as it landed")


def _median_patch(name: str, sides: Sequence[Side], gains: Sequence[float]) -> SidePatch:
    seen = [
        (side.patches[name], gain)
        for side, gain in zip(sides, gains, strict=True)
        if name in side.patches
    ]
    logs = [one.log2_y - gain for one, gain in seen if one.log2_y is not None]
    zones = [one.zone - gain for one, gain in seen if one.zone is not None]
    patches = [one for one, _ in seen]
    x0, y0, x1, y1 = (
        statistics.median(edge)
        for edge in zip(*(one.box for one in patches if one.box), strict=True)
    )
    return SidePatch(
        log2_y=_median(logs),
        zone=_median(zones),
        uncertainty=_doubt(logs or zones, [one.uncertainty for one in patches]),
        red_green=_median([one.red_green for one in patches if one.red_green is not None]),
        blue_green=_median([one.blue_green for one in patches if one.blue_green is not None]),
        box=(x0, y0, x1, y1),
        follows=any(one.follows for one in patches),
    )


def _median_lamp(name: str, sides: Sequence[Side]) -> LampReading:
    lamps = [side.lamps[name] for side in sides if name in side.lamps]
    told = [one for one in lamps if one.fired_stops is not None]
    if not told:
        state = Counter(one.state for one in lamps).most_common(1)[0][0]
        return LampReading(None, None, state)
    stops = [one.stops for one in told if one.stops is not None]
    return LampReading(
        _median(stops), _doubt(stops, [one.uncertainty or 0.0 for one in told]), "fired"
    )


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
