"""Solos: each lamp's own light out of its frame, at one ISO and aperture, ambient taken off."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.grid import LightGrid, combine
from stopwise.lamps.lamp_notes import LampNote
from stopwise.stops import aperture_stops, iso_stops, shutter_stops

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from stopwise.codes import NoteCode
    from stopwise.frame import Exposure

SAME_SETTING_STOPS = 1.0 / 6.0
"""Settings agree within this many stops: half a third of a stop, since files round them."""

CLIPPED_SHARE = 0.01
"""Share of a patch's cells whose clipping makes a solo a bound there."""

ALIKE = 0.985
"""Cosine of the angle between two lamps' shares of the picture from which they count as alike."""

_FLOOR = 0.02
"""Of the brightest hundredth: light under which shares mean nothing."""


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
        What was normalised or is missing.
    """

    nets: Mapping[str, LightGrid]
    ambient: LightGrid | None
    exposure: Exposure
    notes: tuple[LampNote, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The lamps' names, in the plan's order."""
        return tuple(self.nets)


def lamp_set(
    solos: Mapping[str, LightGrid],
    ambient: LightGrid | None = None,
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
        A colour's ceiling is the least among the solos: a frame that clips shows it.

    Raises
    ------
    ValueError
        If there is no solo, or their pictures are of different grids.
    """
    if not solos:
        msg = "at least one solo is needed"
        raise ValueError(msg)
    wanted = exposure or next(iter(solos.values())).exposure
    ceiling = tuple(
        min(levels) for levels in zip(*(one.ceiling for one in solos.values()), strict=True)
    )
    notes = [] if ambient else [LampNote("no ambient")]
    nets = {}
    for name, solo in solos.items():
        net = solo
        if ambient is not None:
            room = at_exposure(ambient, solo.exposure, shutter=True)
            net = combine([solo, room], [1.0, -1.0])
        net = at_exposure(net, wanted, shutter=name in continuous)
        nets[name] = replace(net, ceiling=ceiling)
        stops = exposure_stops(solo.exposure, wanted, shutter=False)
        if stops:
            taken = (solo.exposure.iso, solo.exposure.f_number)
            code: NoteCode = "settings" if all(taken) else "brought"
            notes.append(LampNote(code, name, stops=stops, settings=taken))
    if ambient is not None:
        ambient = replace(at_exposure(ambient, wanted, shutter=True), ceiling=ceiling)
    return LampSet(nets, ambient, wanted, tuple(notes))


def at_exposure(picture: LightGrid, wanted: Exposure, *, shutter: bool) -> LightGrid:
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
    LightGrid
        Light scaled; `clipped` stays, since a photosite that clipped stays a bound.
    """
    stops = exposure_stops(picture.exposure, wanted, shutter=shutter)
    scaled = picture if stops == 0.0 else combine([picture], [math.pow(2.0, stops)])
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


def clipped_notes(lamps: LampSet) -> list[LampNote]:
    """Return a note for each solo that clips in patches, where its light is a bound."""
    found = []
    for name, net in lamps.nets.items():
        where = tuple(
            patch for patch, cells in net.boxes.items() if np.mean(cells.clipped) > CLIPPED_SHARE
        )
        if where:
            found.append(LampNote("clipped", name, names=where))
    return found


def alike_lamps(lamps: LampSet) -> tuple[tuple[str, str], ...]:
    """Return the pairs of lamps whose light falls alike over the whole picture, by name.

    No frame can tell such lamps apart. Each lamp's light is weighed by the whole light of its
    place, so that a pale jacket counts no more than a dark one.
    """
    parts = np.stack([net.luminance.ravel() for net in lamps.nets.values()]).astype(np.float64)
    total = np.maximum(parts.sum(axis=0), 0.0)
    shares = parts / (total + _FLOOR * float(np.percentile(total, 99.0)) + 1e-12)
    products = shares @ shares.T
    lengths = np.sqrt(np.diag(products))
    return tuple(
        (lamps.names[i], lamps.names[j])
        for i, j in itertools.combinations(range(len(lamps.names)), 2)
        if products[i, j] > ALIKE * lengths[i] * lengths[j]
    )
