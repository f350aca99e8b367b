"""Camera settings between two frames, in stops of light recorded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.nominal import aperture_stops, iso_stops, shutter_stops

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from typing import Any


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
            ("iso", iso_stops),
            ("f_number", aperture_stops),
            ("shutter_s", shutter_stops),
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
