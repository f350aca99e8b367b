"""The lamps room's figures over made shoots: dialled powers, lamps' outputs, lamps that are out.

The suite runs a few shoots; `tests/bench/figures_lamps.py` runs them all and prints what it found.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lightmodel.as_frame import as_frame
from lightmodel.sensor import Sensor
from lightmodel.shoots import Shoot, hidden_turns, made_shoot
from lightmodel.view import View
from stopwise.lamps.dial import Dials
from stopwise.lamps.outputs import read_lamps
from stopwise.lamps.power_search import Knob, Search
from stopwise.lamps.prediction import aims_of, build_scene
from stopwise.lamps.seen import place_of
from stopwise.lamps.solos import lamp_set
from stopwise.measurement import Known, read, reduce
from stopwise.plan import load_plan
from stopwise.plan.now import plan_now

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from lightmodel.shoots import Shot
    from stopwise.grid import LightGrid
    from stopwise.lamps.outputs import LampReading
    from stopwise.lamps.solos import LampSet
    from stopwise.lamps.unmixing import Shift
    from stopwise.plan.model import Plan

SAMPLE_PLAN = Path(__file__).parents[2] / "sample_frames" / "plan.toml"
STEP = 0.1
LIMIT_STOPS = 2.0
DIAL_VIEW = View(width=480, height=360)
QUIET = Sensor(electrons_per_level=1e6, read_noise_e=0.0)
"""A sensor whose noise is nothing beside what a dial is held to."""

HAND_M = 0.08
"""A hand's breadth."""

TURN_DEG = 10.0
JITTER_STOPS = 0.03
"""How much a flash varies from shot to shot, one sigma (common practice: 0.05 to 0.1 at most)."""


def seen(shot: Shot, plan: Plan) -> LightGrid:
    """Return a shot's light as the program reduces it, from its levels."""
    return _placed(shot, plan, None)[0]


def _placed(
    shot: Shot, plan: Plan, reference: LightGrid | None
) -> tuple[LightGrid, Shift | None, LightGrid]:
    """Return a shot's light, where its patches say that the sitter is, and its blocks."""
    frame = as_frame(shot)
    targets = plan_now(plan)
    light = reduce(frame, targets, tails=True).grid
    measurement = read(frame, plan, known=Known(reference=reference)).measurement
    return light, place_of(measurement, targets), light


# --- dial -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Dialled:
    """One made shoot that was dialled.

    `hidden` is how far the lamps stand off what meets the plan, `turns` what was dialled, `best`
    the best turns on the grid without noise, `off` predicted less measured zone of each patch.
    """

    seed: int
    hidden: dict[str, float]
    turns: dict[str, float]
    best: dict[str, float]
    off: dict[str, float]
    unmet: tuple[str, ...]

    @property
    def steps_off(self) -> dict[str, float]:
        """How many steps each lamp lies off the best setting."""
        return {name: abs(self.turns[name] - self.best[name]) / STEP for name in self.turns}

    @property
    def is_within_a_step(self) -> bool:
        """Whether every lamp lies within one step of the best setting."""
        return max(self.steps_off.values()) < 1.0 + 1e-6


def dialled_shoot(seed: int) -> Dialled:
    """Dial one made shoot: its targets are what its own lamps give, unturned and without noise."""
    shoot, quiet = made_shoot(seed, view=DIAL_VIEW), made_shoot(seed, view=DIAL_VIEW, sensor=QUIET)
    quiet._darkroom = shoot._darkroom
    plan = _plan_of(quiet)
    hidden = hidden_turns(shoot, seed, limit_stops=LIMIT_STOPS)
    lower = {name: _lower(shoot, name, -turn, plan) for name, turn in hidden.items()}
    solo_at = {name: -hidden[name] - lower[name] for name in shoot.names}
    lamps = lamps_of(shoot, solo_at, plan)
    targets = plan_now(plan)
    answer = Dials(lamps, targets, stands=lower).solved()
    turns = {name: lamp.turn for name, lamp in answer.lamps.items()}
    made = shoot.frame({name: turns[name] - hidden[name] for name in shoot.names})
    measured = read(as_frame(made), plan).measurement.patches
    return Dialled(
        seed=seed,
        hidden=hidden,
        turns=turns,
        best=_best(quiet, plan, hidden),
        off={
            name: patch.zone - measured[name].zone
            for name, patch in answer.predicted.patches.items()
            if measured[name].zone is not None
        },
        unmet=tuple(target.of for target in answer.unmet),
    )


def _plan_of(quiet: Shoot) -> Plan:
    """Return the sample plan with the targets that a shoot's own light meets."""
    plan = load_plan(SAMPLE_PLAN)
    shot = quiet.frame()
    true, paper = quiet.patches(shot), quiet.backdrop(shot)
    ratio = true["lit cheek"]["zone"] - true["shadow cheek"]["zone"]
    backdrop = plan.backdrop.model_copy(
        update={name: round(paper[name], 2) for name in ("zone", "left_right", "falloff")}
    )
    lights = (
        light.model_copy(update={"power": -4.5, "range": (-9.0, 0.0), "step": STEP})
        for light in plan.lights
    )
    patches = (
        patch.model_copy(update={"zone": round(true[patch.name]["zone"], 2), "headroom": 0.0})
        for patch in plan.patches
    )
    return plan.model_copy(
        update={
            "lights": tuple(lights),
            "patches": tuple(patches),
            "ratios": (plan.ratios[0].model_copy(update={"stops": round(ratio, 2)}),),
            "backdrop": backdrop,
        }
    )


def _lower(shoot: Shoot, name: str, turn: float, plan: Plan) -> float:
    """Return how many stops lower a solo must be taken so that it isn't clipped in a patch."""
    lower = 0.0
    while _is_clipped(seen(shoot.frame({name: turn - lower}), plan)):
        lower += 1.0
    return lower


def _is_clipped(picture: LightGrid) -> bool:
    return any(float(np.mean(cells.clipped)) > 0.01 for cells in picture.boxes.values())


def lamps_of(shoot: Shoot, turns: Mapping[str, float], plan: Plan) -> LampSet:
    solos = {name: seen(shoot.frame({name: turn}), plan) for name, turn in turns.items()}
    return lamp_set(solos, seen(shoot.ambient(), plan))


def _best(quiet: Shoot, plan: Plan, hidden: Mapping[str, float]) -> dict[str, float]:
    """Return the best turns on the grid, looked for without noise by trying settings one by one.

    From the setting next to the hidden turns all settings two steps round are tried, and again
    from the best of them, until none round it is better.
    """
    targets = plan_now(plan)
    scene = build_scene(lamps_of(quiet, dict.fromkeys(quiet.names, 0.0), plan), targets).quick()
    knobs = [Knob(name, -9.0, 9.0, STEP, -hidden[name], None) for name in scene.names]
    search = Search(scene, aims_of(targets, scene), knobs)
    here = tuple(round(hidden[name] / STEP) for name in scene.names)
    known: dict[tuple[int, ...], float] = {}

    def cost(steps: tuple[int, ...]) -> float:
        if steps not in known:
            turns = [STEP * s - hidden[n] for s, n in zip(steps, scene.names, strict=True)]
            known[steps] = search.cost(np.array(turns))
        return known[steps]

    for reach in (1, 2):
        while (best := min(_round(here, reach), key=cost)) != here:
            here = best
    return {name: STEP * steps for name, steps in zip(scene.names, here, strict=True)}


def _round(here: tuple[int, ...], reach: int) -> list[tuple[int, ...]]:
    moves = itertools.product(range(-reach, reach + 1), repeat=len(here))
    return [tuple(a + b for a, b in zip(here, move, strict=True)) for move in moves]


# --- lamps' outputs -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Read:
    """One frame whose lamps were read: how it was made, and what each lamp read.

    `kind` is still, moved, turned or both; `out` the lamp that did not fire, or None.
    """

    seed: int
    kind: str
    out: str | None
    turns: dict[str, float]
    readings: dict[str, LampReading]
    where: tuple[float, float, float]

    def off(self, name: str) -> float | None:
        """Return how far a lamp reads from what it truly gave, stops; None where it isn't seen."""
        reading = self.readings[name]
        if reading.state == "not seen" or reading.stops is None:
            return None
        return reading.stops - self.turns[name]

    @property
    def false_calls(self) -> tuple[str, ...]:
        """Lamps that are said to be out, weak or strong and aren't."""
        return tuple(
            name
            for name, reading in self.readings.items()
            if name != self.out and reading.state in ("out", "weak", "strong")
        )


def read_shoot(seed: int) -> Iterator[Read]:
    """Read the lamps of one made shoot."""
    shoot, plan = made_shoot(seed), load_plan(SAMPLE_PLAN)
    rng = np.random.default_rng(90_000 + seed)
    ground = _Ground(
        shoot,
        plan,
        lamps_of(shoot, dict.fromkeys(shoot.names, 0.0), plan),
        _placed(shoot.frame(), plan, None)[2],
        rng,
    )
    order = [str(name) for name in rng.permutation(shoot.names)]
    turned = {name: float(rng.uniform(-1.0, 0.6)) for name in shoot.names}
    yield _read(ground, "still, turned lamps", turns=turned)
    yield _read(ground, "still")
    for name in order:
        yield _read(ground, "still", out=name)
    for kind, out in zip(("moved", "turned", "both", "moved"), order, strict=False):
        where = _where(kind, rng)
        yield _read(ground, kind, where=where)
        yield _read(ground, kind, where=where, out=out)


@dataclass(frozen=True)
class _Ground:
    """A made shoot: its plan, solos, the reference that patches are followed from, and chance."""

    shoot: Shoot
    plan: Plan
    lamps: LampSet
    reference: LightGrid
    rng: np.random.Generator


def _where(kind: str, rng: np.random.Generator) -> tuple[float, float, float]:
    """Return shift to camera right and up in metres, and turn of the head in degrees."""
    angle = float(rng.uniform(0.0, 2.0 * math.pi))
    right, up = HAND_M * math.cos(angle), 0.5 * HAND_M * math.sin(angle)
    turn = TURN_DEG * (1.0 if rng.random() < 0.5 else -1.0)
    return {"moved": (right, up, 0.0), "turned": (0.0, 0.0, turn)}.get(kind, (right, up, turn))


def _read(
    ground: _Ground,
    kind: str,
    *,
    turns: Mapping[str, float] | None = None,
    where: tuple[float, float, float] = (0.0, 0.0, 0.0),
    out: str | None = None,
) -> Read:
    shoot = ground.shoot
    given = {
        name: (turns or {}).get(name, 0.0) + float(ground.rng.normal(0.0, JITTER_STOPS))
        for name in shoot.names
    }
    lit = {name: stops for name, stops in given.items() if name != out}
    changes: dict[str, Any] = {"scene": shoot.moved(*where)} if any(where) else {}
    light, hint, _ = _placed(shoot.frame(lit, **changes), ground.plan, ground.reference)
    readings = read_lamps(light, ground.lamps, said=dict(turns or {}), placement=hint)
    return Read(shoot.seed // 1000, kind, out, given, readings, where)
