"""Spots over made shoots: a narrow key read against its white card, as each record tells it.

The suite runs one shoot; `tests/bench/figures_lamps.py spots` runs many and prints what it found.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from lightmodel.as_frame import as_frame
from lightmodel.lamps import Beam, placed
from lightmodel.scene import Card, Scene
from lightmodel.shoots import Shoot, made_shoot
from stopwise.lamps.blame import know
from stopwise.lamps.seen import Announced, see_lamps
from stopwise.lamps.white_card import white_card_of
from stopwise.measurement import Known, read
from stopwise.plan import load_plan
from stopwise.plan.now import plan_now
from support.lamp_figures import JITTER_STOPS, SAMPLE_PLAN, _placed, lamps_of, seen

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.grid import LightGrid
    from stopwise.lamps.outputs import LampReading, SpotReading
    from stopwise.lamps.solos import LampSet
    from stopwise.lamps.white_card import WhiteCard
    from stopwise.plan.model import Plan

AIM = (0.0, -0.04, 0.08)
"""The narrow key looks at the face."""


@dataclass(frozen=True)
class SpotRead:
    """One frame whose spot was read.

    `kind` is still, output, turned, moved, both, spot or drop; `where` the sitter's shift to camera
    right and up in metres and his head's turn in degrees; `aim` how far the spot's aim moved to
    camera right and up, metres; `lost` the stops that the key truly lost on the lit cheek.
    """

    seed: int
    kind: str
    stops: float
    where: tuple[float, float, float]
    aim: tuple[float, float]
    lost: float
    spot: SpotReading
    lamp: LampReading


@dataclass(frozen=True, eq=False)
class _Ground:
    shoot: Shoot
    plan: Plan
    lamps: LampSet
    card: WhiteCard | None
    reference: LightGrid
    cheek: float


def read_spots(seed: int) -> Iterator[SpotRead]:
    """Read the key's spot in the frames of one made shoot.

    Raises
    ------
    ValueError
        If its white card shows no spot.
    """
    rng = np.random.default_rng(7000 + seed)
    ground = _ground(seed, rng)
    for _ in range(2):
        yield _read(ground, rng, "still")
    for stops in (-1.0, -0.5, 0.4):
        yield _read(ground, rng, "output", stops=stops)
    for degrees in (5.0, 10.0, 15.0, 20.0):
        turn = degrees * _sign(rng)
        yield _read(ground, rng, "turned", where=(0.0, 0.0, turn))
    for metres in (0.005, 0.01, 0.04, 0.08, 0.12, 0.15):
        yield _read(ground, rng, "moved", where=(*_off(rng, metres, flat=0.5), 0.0))
    for metres in (0.04, 0.08):
        where = (*_off(rng, metres, flat=0.5), 10.0 * _sign(rng))
        yield _read(ground, rng, "both", where=where)
    for metres in (0.02, 0.03, 0.04, 0.05):
        yield _read(ground, rng, "spot", aim=_off(rng, metres))
    for metres in (0.03, 0.05):
        yield _read(ground, rng, "drop", aim=(0.0, -metres))


def _sign(rng: np.random.Generator) -> float:
    return 1.0 if rng.random() < 0.5 else -1.0


def _off(rng: np.random.Generator, metres: float, *, flat: float = 1.0) -> tuple[float, float]:
    angle = float(rng.uniform(0.0, 2.0 * math.pi))
    return metres * math.cos(angle), flat * metres * math.sin(angle)


def _ground(seed: int, rng: np.random.Generator) -> _Ground:
    """Return a made shoot whose key is a snoot of 4 to 8 degrees half angle, from either side."""
    shoot, plan = made_shoot(seed), load_plan(SAMPLE_PLAN)
    off_axis = float(rng.uniform(25.0, 60.0)) * (1.0 if rng.random() < 0.8 else -1.0)
    at = placed(AIM, off_axis, float(rng.uniform(15.0, 50.0)), float(rng.uniform(1.4, 2.0)))
    feather = float(rng.choice([math.inf, 9.0, 7.0]))
    beam = Beam(float(rng.uniform(4.0, 8.0)), float(rng.uniform(1.5, 4.0)), feather)
    key = replace(shoot.lamps[0], aim=AIM, position=at, beam=beam)
    shoot.lamps = (key, *shoot.lamps[1:])
    card = Card((0.0, -0.05, float(rng.uniform(0.09, 0.13))), (0.0, 0.0, 1.0), (0.4, 0.4, 0.003))
    alone = {"key": 0.0}
    return _Ground(
        shoot,
        plan,
        lamps_of(shoot, dict.fromkeys(shoot.names, 0.0), plan),
        white_card_of(
            seen(shoot.frame(alone, scene=Scene(card=card)), plan), seen(shoot.ambient(), plan)
        ),
        _placed(shoot.frame(), plan, None)[2],
        _cheek(shoot, (0.0, 0.0, 0.0)),
    )


def _cheek(shoot: Shoot, where: tuple[float, float, float]) -> float:
    """Return the true zone of the lit cheek under the key alone, wherever the sitter is."""
    zone: float = shoot.patches(shoot.solo("key", scene=shoot.moved(*where)))["lit cheek"]["zone"]
    return zone


def _read(
    ground: _Ground,
    rng: np.random.Generator,
    kind: str,
    *,
    stops: float = 0.0,
    where: tuple[float, float, float] = (0.0, 0.0, 0.0),
    aim: tuple[float, float] = (0.0, 0.0),
) -> SpotRead:
    shoot, plan = ground.shoot, ground.plan
    if ground.card is None:
        msg = f"shoot {shoot.seed // 1000}: no spot is seen on the white card"
        raise ValueError(msg)
    given = {name: float(rng.normal(0.0, JITTER_STOPS)) for name in shoot.names}
    given["key"] += stops
    key = shoot.lamps[0]
    there = replace(key, aim=(AIM[0] + aim[0], AIM[1] + aim[1], AIM[2]))
    shot = shoot.frame(given, scene=shoot.moved(*where), lamps=(there, *shoot.lamps[1:]))
    frame = as_frame(shot)
    reading = read(frame, plan, known=Known(reference=ground.reference))
    lamps = see_lamps(
        reading.grid,
        ground.lamps,
        know(ground.lamps, plan_now(plan)),
        reading.measurement,
        Announced({"key": stops}),
        {"key": ground.card},
    )
    assert lamps is not None
    return SpotRead(
        seed=shoot.seed // 1000,
        kind=kind,
        stops=given["key"],
        where=where,
        aim=aim,
        lost=_cheek(shoot, where) - ground.cheek,
        spot=lamps.spots["key"],
        lamp=lamps.readings["key"],
    )
