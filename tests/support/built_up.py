"""Lamps that come on one by one, a frame each, and what is read by solos out of these frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from lightmodel.as_frame import as_frame
from lightmodel.frames import Settings
from lightmodel.shoots import SMALL, made_shoot
from stopwise.lamps.build_up import own_light
from stopwise.lamps.outputs import read_lamps
from stopwise.lamps.seen import place_of
from stopwise.lamps.solos import lamp_set, place_in, sought_in
from stopwise.measurement import Known, read
from stopwise.plan.model import Plan
from stopwise.plan.now import plan_now
from support.played_shoots import FLASH_STOPS, OWN_WIDE_M, OwnSet, ReliefSet
from support.relief_studio import WIDE_CM, Relief

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.frame import Frame
    from stopwise.grid import LightGrid

ISOS = (100, 200, 400)
OFF_STOPS, TURNED_STOPS = 0.6, 1.0
TURNED_UP_STOPS = (0.3, 1.0)
"""By how much a lamp is turned up in silence: from what a pack's third of a stop is."""


class BuildUp(Protocol):
    """A made set whose sitter breathes, shot at an ISO with the light turned down for it."""

    @property
    def names(self) -> tuple[str, ...]: ...

    @property
    def plan(self) -> Plan: ...

    def shot(self, stops: Mapping[str, float], iso: int, sway: float) -> Frame: ...


class OwnBuildUp:
    """The sample frames' light model."""

    def __init__(self, seed: int) -> None:
        made = OwnSet(seed)
        self.shoot, self.names = made_shoot(seed, view=SMALL), made.names
        tables = {key: made.tables[key] for key in ("light", "patch", "backdrop")}
        self.plan = Plan.model_validate({"schema": 1, **tables})

    def shot(self, stops: Mapping[str, float], iso: int, sway: float) -> Frame:
        less = float(np.log2(iso / 100.0))
        dimmed = {name: by - less for name, by in stops.items()}
        scene = self.shoot.moved(right_m=sway * OWN_WIDE_M)
        return as_frame(self.shoot.frame(dimmed, scene=scene, settings=Settings(iso=iso)))


class ReliefBuildUp:
    """The model that shares no code with it."""

    def __init__(self, seed: int) -> None:
        made = ReliefSet(seed)
        self.studio, self.names = made.studio, made.names
        tables = {key: made.tables[key] for key in ("light", "patch", "backdrop")}
        self.plan = Plan.model_validate({"schema": 1, **tables})

    def shot(self, stops: Mapping[str, float], iso: int, sway: float) -> Frame:
        self.studio.relief = Relief(right=round(sway * WIDE_CM, 1))
        return self.studio.frame(stops, iso=iso)


@dataclass(frozen=True)
class BuiltUp:
    """What became of one build-up: outputs less the truth, lamps not seen, solos refused."""

    iso: int
    off: tuple[float, ...]
    unread: int
    refused: tuple[str, ...]
    turned_up: tuple[str, float] | None = None
    """The lamp that was turned up in silence as the last one came on, and by how many stops."""


def built_up(
    made: BuildUp, seed: int, *, frames: int = 3, sway: float = 0.0, is_turned_up: bool = False
) -> BuiltUp:
    """Let a set's lamps come on one by one, then read them in frames in which all are turned.

    The sitter sways by `sway` of the picture's width from frame to frame, one sigma. With
    `is_turned_up` the build-up ends with a frame in which one of its lamps is turned up besides.
    """
    drawn = np.random.default_rng(61_000 + seed)
    last = int(drawn.integers(1, len(made.names)))
    up = (str(drawn.choice(made.names[:last])), float(drawn.uniform(*TURNED_UP_STOPS)))
    rng = np.random.default_rng(60_000 + seed)
    iso = int(rng.choice(ISOS))
    now = plan_now(made.plan)
    stands = {name: float(rng.uniform(-OFF_STOPS, OFF_STOPS)) for name in made.names}

    def shot(lit: Mapping[str, float]) -> tuple[Frame, dict[str, float]]:
        fired = {name: stops + float(rng.normal(0.0, FLASH_STOPS)) for name, stops in lit.items()}
        return made.shot(fired, iso, float(rng.normal(0.0, sway))), fired

    ambient = read(shot({})[0], made.plan).grid
    lit: dict[str, float] = {}
    alone, places, refused = {}, {}, []
    sought, before = None, None
    solos: dict[str, LightGrid] = {}
    for name in made.names[: last + 1] if is_turned_up else made.names:
        lit[name] = stands[name]
        if is_turned_up and name == made.names[last]:
            lit[up[0]] += up[1]
        frame, fired = shot(lit)
        light = read(frame, made.plan).grid
        sought = sought or sought_in(light, now)
        known = lamp_set(dict(solos), ambient, places=places) if solos else None
        alone[name], places[name] = fired[name], place_in(light, sought)
        solos[name], notes = own_light(name, light, before, ambient, sought, known)
        refused += [f"{name}: {note.code} {note.names}" for note in notes if note.is_refused]
        before = light
    if is_turned_up:
        return BuiltUp(iso, (), 0, tuple(refused), up)
    lamps = lamp_set(solos, ambient, places=places)
    off, unread = [], 0
    for _ in range(frames):
        turned = {name: float(rng.uniform(-TURNED_STOPS, TURNED_STOPS)) for name in made.names}
        frame, fired = shot({name: stands[name] + turned[name] for name in made.names})
        reading = read(frame, made.plan, known=Known(reference=before))
        placement = place_of(reading.measurement, now)
        for name, one in read_lamps(reading.grid, lamps, placement=placement).items():
            if one.fired_stops is None:
                unread += 1
            else:
                off.append(round(one.fired_stops - (fired[name] - alone[name]), 3))
    return BuiltUp(iso, tuple(off), unread, tuple(refused))
