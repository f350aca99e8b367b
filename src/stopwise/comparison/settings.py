"""Camera settings between two frames, in stops of light recorded."""

from __future__ import annotations

from dataclasses import dataclass

from stopwise.frame import Exposure
from stopwise.stops import aperture_stops, iso_stops, shutter_stops


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
