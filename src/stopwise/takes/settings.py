"""Camera settings between two frames, in stops of light recorded."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.nominal import exact_f_number, is_f_mark, nearest_third
from stopwise.stops import stops_between_f_numbers, stops_between_isos

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from typing import Any

_OFF_A_MARK = 0.1
"""Stops that a setting may lie off its third-stop mark and still stand for it: files round."""


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


def settings_change(
    before: Mapping[str, Any] | None, after: Mapping[str, Any] | None
) -> SettingsChange:
    """Return what changed from one frame's settings to another's.

    Parameters
    ----------
    before, after
        `exposure` of two records: iso, f_number, shutter_s, each None where a file doesn't say.

    Returns
    -------
    SettingsChange
        From the exact values that marks stand for: f/11 to f/8 is one stop, 1/125 to 1/60 too
        (marks of ISO 517 and ISO 516).
    """
    unknown: list[str] = []
    iso, aperture, shutter = (
        _stops(key, between, (before or {}, after or {}), unknown)
        for key, between in (
            ("iso", _of_isos),
            ("f_number", _of_f_numbers),
            ("shutter_s", _of_shutters),
        )
    )
    return SettingsChange(iso, aperture, shutter, tuple(unknown))


def _stops(
    key: str,
    between: Callable[[float, float], float],
    sides: tuple[Mapping[str, Any], Mapping[str, Any]],
    unknown: list[str],
) -> float:
    was, now = (side.get(key) for side in sides)
    if was and now:
        return between(was, now)
    unknown.append(key)
    return 0.0


def _of_isos(was: float, now: float) -> float:
    return stops_between_isos(_third(was / 100.0), _third(now / 100.0))


def _of_f_numbers(was: float, now: float) -> float:
    return -stops_between_f_numbers(_exact_f(was), _exact_f(now))


def _of_shutters(was: float, now: float) -> float:
    return math.log2(_third(now) / _third(was))


def _exact_f(f_number: float) -> float:
    if is_f_mark(f_number):
        return exact_f_number(f_number)
    near = nearest_third(f_number)
    return near if abs(2.0 * math.log2(f_number / near)) < _OFF_A_MARK else f_number


def _third(value: float) -> float:
    """Return the third stop that a speed or a time stands for, or itself where none is near."""
    stops = math.log2(value)
    near = round(3.0 * stops) / 3.0
    return math.pow(2.0, near if abs(stops - near) < _OFF_A_MARK else stops)
