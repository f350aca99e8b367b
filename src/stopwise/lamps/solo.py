"""Solos: each lamp's own light out of its frame, at one ISO and aperture, ambient taken off."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from stopwise.lamps.reduced import LightPicture, combine
from stopwise.nominal import aperture_stops, iso_stops, shutter_stops

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from stopwise.frame import Exposure

SAME_SETTING_STOPS = 1.0 / 6.0
"""Settings agree within this many stops, since files round them."""

SoloPicture = LightPicture
"""A solo's reduced picture is a frame's reduced picture."""


@dataclass(frozen=True, eq=False, slots=True)
class LampSet:
    """What each lamp alone gives, and the ambient light, all at one exposure.

    Attributes
    ----------
    nets
        Each lamp's own light at its solo's power, ambient taken off, by the lamp's name.
    ambient
        The frame's light with no lamp firing, None where it isn't known and thus in the nets.
    exposure
        The settings that all of it is normalised to.
    notes
        What was normalised or is missing, one sentence each.
    """

    nets: Mapping[str, LightPicture]
    ambient: LightPicture | None
    exposure: Exposure
    notes: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The lamps' names, in the plan's order."""
        return tuple(self.nets)


def lamp_set(
    solos: Mapping[str, LightPicture],
    ambient: LightPicture | None = None,
    *,
    exposure: Exposure | None = None,
    continuous: Collection[str] = (),
) -> LampSet:
    """Bring solos and ambient to one exposure and take the ambient off each solo.

    Parameters
    ----------
    solos
        Each lamp's reduced solo, by name; at least one.
    ambient
        A frame with no lamp firing.
    exposure
        Settings to bring all to; None takes the first solo's.
    continuous
        Names of lamps that burn all the time, which the shutter dims too.

    Returns
    -------
    LampSet

    Raises
    ------
    ValueError
        If there is no solo, or their pictures are of different grids.
    """
    if not solos:
        msg = "at least one solo is needed"
        raise ValueError(msg)
    wanted = exposure or next(iter(solos.values())).exposure
    notes: list[str] = [] if ambient else ["No ambient frame: each solo still holds the ambient."]
    nets = {}
    for name, solo in solos.items():
        room = None if ambient is None else at_exposure(ambient, solo.exposure, shutter=True)
        net = solo if room is None else combine([solo, room], [1.0, -1.0])
        nets[name] = at_exposure(net, wanted, shutter=name in continuous)
        notes.extend(_setting_notes(name, solo, wanted))
    ceiling = _least_ceiling(solos.values())
    dark = None if ambient is None else at_exposure(ambient, wanted, shutter=True)
    return LampSet(
        nets={name: replace(net, ceiling=ceiling) for name, net in nets.items()},
        ambient=None if dark is None else replace(dark, ceiling=ceiling),
        exposure=wanted,
        notes=tuple(notes),
    )


def _least_ceiling(solos: Iterable[LightPicture]) -> tuple[float, ...]:
    """Return where each colour stops: a frame that clips shows it, one that doesn't can't."""
    return tuple(min(levels) for levels in zip(*(one.ceiling for one in solos), strict=True))


def at_exposure(picture: LightPicture, wanted: Exposure, *, shutter: bool) -> LightPicture:
    """Return a picture as other settings would have recorded it.

    Parameters
    ----------
    picture
        What was recorded.
    wanted
        Settings to bring it to; those that either doesn't say are taken as equal.
    shutter
        Whether the shutter counts: for ambient and lamps that burn, not for flash.

    Returns
    -------
    LightPicture
        Light scaled; `clipped` stays, since a photosite that clipped stays a bound.
    """
    stops = exposure_stops(picture.exposure, wanted, shutter=shutter)
    scaled = picture if stops == 0.0 else picture.scaled(math.pow(2.0, stops))
    return replace(scaled, exposure=wanted)


def exposure_stops(was: Exposure, wanted: Exposure, *, shutter: bool) -> float:
    """Return how many stops more light `wanted` records than `was`.

    Doubling ISO or shutter time is +1 stop, doubling the f-number -2 stops (APEX, ISO 12232); a
    mark stands for its exact stop, so that f/11 to f/8 is +1 (ISO 517).
    Settings that either side doesn't name, or that agree within 1/6 stop, count as equal.
    """
    pairs = [
        (iso_stops, was.iso, wanted.iso),
        (aperture_stops, was.f_number, wanted.f_number),
    ]
    if shutter:
        pairs.append((shutter_stops, was.shutter_s, wanted.shutter_s))
    steps = [stops_of(one, other) for stops_of, one, other in pairs if one and other]
    return sum(step for step in steps if abs(step) > SAME_SETTING_STOPS)


def _setting_notes(name: str, solo: LightPicture, wanted: Exposure) -> list[str]:
    stops = exposure_stops(solo.exposure, wanted, shutter=False)
    if stops == 0.0:
        return []
    return [
        f"The {name} solo was taken at ISO {solo.exposure.iso:g}, f/{solo.exposure.f_number:g}: "
        f"brought {stops:+.1f} stops."
        if solo.exposure.iso and solo.exposure.f_number
        else f"The {name} solo was brought {stops:+.1f} stops."
    ]
