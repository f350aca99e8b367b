"""Trial: what is tried of a set before anybody touches it, and what it does to each lamp's light.

Power is turned by :mod:`stopwise.lamps.dial`. All else changes what the solos give: a lamp off, its
distance, a gel, and the camera's settings, the same for the page as for the command.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from pydantic import FiniteFloat  # noqa: TC002 - a page's JSON is read by these types

from stopwise.errors import WrongUse
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.solos import exposure_stops
from stopwise.stops import (
    CameraSetting,
    marks_near,
    say_f_number,
    say_shutter,
    stops_of_distance,
)
from stopwise.wording import iso_text, lamp_name, title

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from stopwise.frame import Exposure
    from stopwise.grid import LightGrid
    from stopwise.lamps.solos import LampSet
    from stopwise.plan.model import Gel, Light, Plan

    Stops = tuple[float, ...]

Sets = Literal["metres", "gels", "f_number", "iso", "shutter"]
"""What a change sets: a lamp's distance or gel, or the camera."""

_FURTHEST = 2.0
"""Times that a lamp may stand farther off, or nearer: two stops either way, as far as trials of
power were held to frames."""

_STEP_M = 0.1
"""Metres between two places of a lamp, as stands are moved."""

_CAMERA_STOPS = 3.0
"""Stops either way that the camera's settings are offered for; beyond, light is another's job."""

_BT709 = (0.2126, 0.7152, 0.0722)
"""Y of linear R, G and B (ITU-R BT.709): what a gel takes from a sensor of one colour."""

_LIT = 0.05
"""Share of a solo's brightest hundredth from which a block tells what a gel lets through."""


@dataclass(frozen=True, slots=True)
class LightChange:
    """One thing that is tried besides power: what it sets, of which lamp ("" for the camera)."""

    sets: Sets
    of: str
    value: float | str


@dataclass(frozen=True, slots=True)
class Trial:
    """What is tried.

    Attributes
    ----------
    turns
        Stops by lamp, from where its dial stands now.
    off
        Lamps that are switched off.
    metres
        Metres from the sitter, by lamp that stands elsewhere.
    gels
        Gel by lamp that wears another; "" for none.
    camera
        Settings by key of the plan: f_number, iso, shutter (seconds).
    """

    turns: dict[str, FiniteFloat] = field(default_factory=dict)
    off: tuple[str, ...] = ()
    metres: dict[str, FiniteFloat] = field(default_factory=dict)
    gels: dict[str, str] = field(default_factory=dict)
    camera: dict[CameraSetting, FiniteFloat] = field(default_factory=dict)

    @property
    def changes(self) -> Iterator[LightChange]:
        """What is tried besides power."""
        yield from (LightChange("metres", lamp, value) for lamp, value in self.metres.items())
        yield from (LightChange("gels", lamp, gel) for lamp, gel in self.gels.items())
        yield from (LightChange(key, "", value) for key, value in self.camera.items())

    @property
    def handled(self) -> tuple[str, ...]:
        """Lamps that are moved or wear another gel: their solos tell of them no more."""
        return tuple(dict.fromkeys([*self.metres, *self.gels]))


def change_words(change: LightChange) -> str:
    """Return a value as it is said: "1.20 m", "gel amber", "f/8", "ISO 200", "1/125 s"."""
    if isinstance(change.value, str):
        return f"gel {change.value}" if change.value else "no gel"
    if change.sets == "metres":
        return f"{change.value:.2f} m"
    say = {"f_number": say_f_number, "iso": iso_text, "shutter": say_shutter}
    return say[change.sets](change.value)


class LightChanges:
    """What may be tried on a set besides power.

    Parameters
    ----------
    plan
        Where lamps stand, and its gels.
    lamps
        The solos.
    let_through
        What each gel lets through, stops by channel, as far as that is known.
    """

    def __init__(self, plan: Plan, lamps: LampSet, let_through: Mapping[str, Stops]) -> None:
        self._plan, self._lamps, self._let_through = plan, lamps, let_through
        self._channels = len(next(iter(lamps.nets.values())).mean)

    def relit(self, trial: Trial) -> LampSet:
        """Return the set as a trial lights it, at each lamp's power in its solo.

        Raises
        ------
        WrongUse
            Where that can't be known from the solos, with why.
        """
        lamps = self._lamps
        lamps.refuse_strangers("try", (*trial.off, *trial.handled))
        stops = {light: np.zeros(self._channels) for light in (*lamps.names, None)}
        for change in trial.changes:
            for light, of_channels in self.stops(change).items():
                stops[light] += of_channels
        gains = {light: np.exp2(given) * (light not in trial.off) for light, given in stops.items()}
        return replace(
            lamps,
            nets={name: net.filtered(gains[name]) for name, net in lamps.nets.items()},
            ambient=None if lamps.ambient is None else lamps.ambient.filtered(gains[None]),
            exposure=_set(lamps.exposure, trial.camera),
            moved={
                name: (self._distance(self._light(name)), metres)
                for name, metres in trial.metres.items()
            },
            notes=(*lamps.notes, *self._notes(trial)),
        )

    def stops(self, change: LightChange) -> dict[str | None, Stops]:
        """Return the stops by channel that each light changes by; None is the ambient.

        Raises
        ------
        WrongUse
            Where that can't be known from the solos, with why.
        """
        value = change.value
        if change.sets == "gels" or isinstance(value, str):
            return {change.of: self._gel_stops(self._light(change.of), str(value))}
        if change.sets == "metres":
            return {change.of: self._each(self._distance_stops(self._light(change.of), value))}
        return self._camera_stops(change.sets, value)

    def values(self, sets: Sets, of: str) -> tuple[list[float | str], float | str]:
        """Return the values that are offered, in order, and the one that holds now.

        Raises
        ------
        WrongUse
            Where nothing is offered, with why.
        """
        if sets == "gels":
            names = [gel.name for gel in self._plan.gels if gel.name in self._let_through]
            return ["", *names], self._worn(self._light(of))
        if sets == "metres":
            now = self._distance(self._light(of))
            steps = range(math.ceil(now / _FURTHEST / _STEP_M), int(now * _FURTHEST / _STEP_M) + 1)
            return sorted({now, *(round(step * _STEP_M, 2) for step in steps)}), now
        now = self._setting(sets)
        marks = marks_near(sets, now, stops=_CAMERA_STOPS)
        if sets == "shutter":
            marks = [mark for mark in marks if self._syncs(mark)]
        return list(marks), min(marks, key=lambda mark: abs(math.log2(mark / now)))

    def _each(self, stops: float) -> Stops:
        return (stops,) * self._channels

    def _light(self, name: str) -> Light:
        light = self._plan.light(name)
        if light is None:
            msg = f"The plan has no lamp {name}: where it stands isn't known."
            raise WrongUse(msg)
        return light

    def _distance(self, light: Light) -> float:
        who = title(lamp_name(light.name))
        if light.distance is None:
            msg = f"{who} nearer or farther: the plan doesn't say its distance."
        elif light.role == "background":
            msg = f"{who} nearer or farther: the plan doesn't say its distance from the paper."
        else:
            return light.distance
        raise WrongUse(msg)

    def _distance_stops(self, light: Light, metres: float) -> float:
        now = self._distance(light)
        least, most = now / _FURTHEST, now * _FURTHEST
        if not least - 1e-6 <= metres <= most + 1e-6:
            msg = (
                f"{title(lamp_name(light.name))} is tried from {least:.2f} to {most:.2f} m, half "
                f"to twice its {now:.2f} m."
            )
            raise WrongUse(msg)
        return stops_of_distance(now, metres)

    def _worn(self, light: Light) -> str:
        """Return the gel of the plan that a lamp wore in its solo; "" for none."""
        if light.gel is None:
            return ""
        worn = next((one for one in self._let_through if one == light.gel), None)
        if worn is None:
            msg = (
                f'Another gel on {lamp_name(light.name)}: it wore "{light.gel}" in its solo, and '
                "no [[gel]] of the plan says what that lets through."
            )
            raise WrongUse(msg)
        return worn

    def _gel_stops(self, light: Light, gel: str) -> Stops:
        worn, none = self._worn(light), self._each(0.0)
        if gel and gel not in self._let_through:
            known = ", ".join(self._let_through) or "none"
            msg = (
                f'What gel "{gel}" lets through isn\'t known; the plan tells of: {known}. '
                "Write a [[gel]] with its stops, or with a frame of a lamp alone under it."
            )
            raise WrongUse(msg)
        new, old = (self._let_through[one] if one else none for one in (gel, worn))
        return tuple(a - b for a, b in zip(new, old, strict=True))

    def _setting(self, sets: CameraSetting) -> float:
        exposure = self._lamps.exposure
        now = {"f_number": exposure.f_number, "iso": exposure.iso, "shutter": exposure.shutter_s}
        value = now[sets]
        if value is None:
            msg = f"Another {CAMERA[sets]}: the solos' files don't say which they had."
            raise WrongUse(msg)
        if sets == "shutter" and self._lamps.ambient is None and not self._plan.is_steady:
            msg = (
                "Another shutter time moves the ambient and not the flash, and the plan has no "
                "ambient frame. Shoot one: stopwise expect ambient"
            )
            raise WrongUse(msg)
        return value

    def _syncs(self, shutter_s: float) -> bool:
        """Tell whether flash is whole at a shutter time: not shorter than one that is known to."""
        known = self._plan.camera.sync_speed or self._setting("shutter")
        return self._plan.is_steady or shutter_s >= known * (1.0 - 1e-3)

    def _camera_stops(self, sets: CameraSetting, value: float) -> dict[str | None, Stops]:
        now, exposure = self._setting(sets), self._lamps.exposure
        stops = exposure_stops(exposure, _set(exposure, {sets: value}), shutter=True)
        if abs(stops) > _CAMERA_STOPS + 1e-6:
            msg = (
                f"{change_words(LightChange(sets, '', value))} is {abs(stops):.1f} stops from the "
                f"solos' {change_words(LightChange(sets, '', now))}: {_CAMERA_STOPS:g} are tried."
            )
            raise WrongUse(msg)
        if sets != "shutter":
            return dict.fromkeys((*self._lamps.names, None), self._each(stops))
        if not self._syncs(value):
            msg = f"{say_shutter(value)} isn't known to sync: the shutter would cut the flash."
            raise WrongUse(msg)
        steady = [one.name for one in self._plan.lights if one.kind == "continuous"]
        burning = [name for name in self._lamps.names if name in steady]
        return dict.fromkeys((*burning, None), self._each(stops))

    def _notes(self, trial: Trial) -> Iterator[LampNote]:
        yield from (LampNote("inverse square", lamp) for lamp in trial.metres)
        set_at, iso = self._plan.camera.mid_grey_iso, trial.camera.get("iso")
        if iso is not None and set_at is not None and abs(math.log2(iso / set_at)) > 0.1:
            yield LampNote("other iso", settings=(set_at, None))


def _set(exposure: Exposure, camera: Mapping[CameraSetting, float]) -> Exposure:
    return replace(
        exposure,
        iso=camera.get("iso", exposure.iso),
        f_number=camera.get("f_number", exposure.f_number),
        shutter_s=camera.get("shutter", exposure.shutter_s),
    )


CAMERA: dict[Sets, str] = {"f_number": "aperture", "iso": "ISO", "shutter": "shutter time"}
"""How each setting of the camera is called."""


def let_through(gel: Gel, lamps: LampSet, frame: LightGrid | None) -> Stops | None:
    """Return what a gel lets through, stops by channel; None where the plan doesn't tell.

    Parameters
    ----------
    gel
        Its table, or the lamp of its frame.
    lamps
        The solos.
    frame
        The light of its frame: a lamp alone under it, all else as in its solo.

    Notes
    -----
    Measured it is the median over the blocks that the lamp lights and clips in neither frame.
    """
    if gel.stops is not None:
        in_colour = len(next(iter(lamps.nets.values())).mean) == len(gel.stops)
        return gel.stops if in_colour else (float(np.log2(np.exp2(gel.stops) @ _BT709)),)
    solo = lamps.nets.get(gel.lamp or "")
    if frame is None or solo is None or not frame.fits(solo):
        return None
    floor = _LIT * float(np.percentile(solo.luminance, 99.0))
    good = frame.seen & solo.seen & (solo.luminance > floor)
    if not good.any():
        return None
    shares = np.maximum(frame.mean[:, good], 1e-6) / np.maximum(solo.mean[:, good], 1e-6)
    return tuple(float(stops) for stops in np.median(np.log2(shares), axis=1))
