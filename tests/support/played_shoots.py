"""Shoots that are played through: lamps stand off, each frame's turns are done as they are told."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np

from lightmodel.as_frame import as_frame
from lightmodel.shoots import SMALL, made_shoot
from stopwise.lamps.blame import know
from stopwise.lamps.seen import Announced, see_lamps
from stopwise.lamps.solos import lamp_set
from stopwise.measurement import Known, read, reduce
from stopwise.plan.model import Plan
from stopwise.plan.now import plan_now
from stopwise.targets import targets_of
from stopwise.verdict import verdict_on
from support.lamp_figures import QUIET, SAMPLE_PLAN
from support.relief_studio import PAPER, PATCHES, WIDE_CM, Relief, ReliefStudio

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.findings import Turn, Verdict
    from stopwise.frame import Frame
    from stopwise.grid import LightGrid
    from stopwise.lamps.blame import Knowledge
    from stopwise.lamps.seen import LampsSeen
    from stopwise.lamps.solos import LampSet
    from stopwise.plan.now import PlanNow

Obeyed = Literal["by", "to", "headline"]
Sitter = Literal["still", "moved", "turned"]

STEP = 0.1
_MARKED = 0.005
"""How near a sitter stands to a mark on the floor that he is asked back to: within a centimetre of
a picture of two metres (common practice).
"""

FLASH_STOPS = 0.02
"""How much a flash varies from shot to shot, one sigma (common practice: 0.01 to 0.03)."""

_MOST_FRAMES = 8

MOVED, TURNED_DEG = 0.02, 8.0
"""How far a sitter stands off his mark at most, of the picture's width, and turns his head."""

MET_STOPS = STEP / 2.0
"""Outside its limits by less than half a step no target can be brought nearer."""


@dataclass(frozen=True)
class Stance:
    """How a sitter stands: off his mark to the right, of the picture's width; his head's turn."""

    right: float = 0.0
    yaw: float = 0.0

    @classmethod
    def drawn(cls, sitter: Sitter, rng: np.random.Generator) -> Stance:
        """Return how he stands in the next frame."""
        if sitter == "moved":
            return cls(right=float(rng.uniform(-MOVED, MOVED)))
        return cls(yaw=float(rng.uniform(-TURNED_DEG, TURNED_DEG))) if sitter == "turned" else cls()

    @classmethod
    def back_on_mark(cls, rng: np.random.Generator) -> Stance:
        """Return how he stands once he was asked back to his mark."""
        return cls(right=float(rng.uniform(-_MARKED, _MARKED)))


_MARK = Stance()


class Set(Protocol):
    """A made set: its lamps by name, frames told by each lamp's stops from what is right."""

    @property
    def names(self) -> tuple[str, ...]: ...

    @property
    def tables(self) -> dict[str, object]:
        """Its plan but for what its targets are: patches, roles of lamps, the paper's boxes."""

    def shot(
        self, stops: Mapping[str, float], *, quiet: bool = False, stance: Stance = _MARK
    ) -> Frame: ...


class ReliefSet:
    """A set of the relief's."""

    def __init__(self, seed: int) -> None:
        self.studio = ReliefStudio(seed)
        self.names = self.studio.names
        self.tables: dict[str, object] = {
            "light": [{"name": one.name, "role": one.role} for one in self.studio.lamps],
            "patch": [
                {"name": name, "box": box, "material": material, "lit_by": list(led)}
                | ({"follow": True} if material else {})
                for name, (box, material, led) in PATCHES.items()
            ],
            "backdrop": {"boxes": PAPER},
            "ratio": [{"lit": "near cheek", "shadow": "far cheek"}],
        }

    def shot(
        self, stops: Mapping[str, float], *, quiet: bool = False, stance: Stance = _MARK
    ) -> Frame:
        """Return a frame with its noise, quiet or not.

        Its cells are its blocks: where paper has no noise its falloff seems a texture.
        """
        del quiet
        self.studio.relief = Relief(right=stance.right * WIDE_CM, yaw=stance.yaw)
        return self.studio.frame(stops)


OWN_WIDE_M = 1.6
"""What the sample frames' picture is wide at the sitter, about, metres."""


class OwnSet:
    """A set of the sample frames' light model."""

    def __init__(self, seed: int) -> None:
        self.loud = made_shoot(seed, view=SMALL)
        self.quiet = made_shoot(seed, view=SMALL, sensor=QUIET)
        self.quiet._darkroom = self.loud._darkroom
        self.names = self.loud.names
        plan = tomllib.loads(SAMPLE_PLAN.read_text(encoding="utf-8"))
        keys = ("light", "patch", "backdrop", "ratio", "may_clip")
        self.tables: dict[str, object] = {key: plan[key] for key in keys}

    def shot(
        self, stops: Mapping[str, float], *, quiet: bool = False, stance: Stance = _MARK
    ) -> Frame:
        made = self.quiet if quiet else self.loud
        scene = made.moved(right_m=stance.right * OWN_WIDE_M, head_turn_deg=stance.yaw)
        return as_frame(made.frame(dict(stops), scene=scene))


def plan_of(made: Set, powers: Mapping[str, float]) -> Plan:
    """Return the plan whose targets a set meets when every lamp gives what is right."""
    tables = {"schema": 1, **made.tables}
    tables["light"] = [
        {**one, "power": powers[one["name"]], "step": STEP, "range": [-8.0, 0.0]}
        for one in tables["light"]
    ]
    draft = {key: tables[key] for key in ("schema", "light", "patch", "backdrop")}
    seen = read(
        made.shot(dict.fromkeys(made.names, 0.0), quiet=True), Plan.model_validate(draft)
    ).measurement
    tables["patch"] = [
        {**one, "zone": round(seen.patches[one["name"]].zone, 2), "headroom": 0.0}
        for one in tables["patch"]
    ]
    tables["ratio"] = [
        {**one, "stops": round(levels[one["lit"]] - levels[one["shadow"]], 2)}
        for one in tables["ratio"]
        for levels in [{name: patch.log2_y for name, patch in seen.patches.items()}]
    ]
    # what is blown with every lamp right is wanted; it grows by half with a flash's own variation
    blown = max((area.fraction for area in seen.clipping.areas), default=0.0)
    tables["limits"] = {"blown_area": max(0.0001, 2.0 * blown)}
    paper = seen.backdrop
    tables["backdrop"] = {
        "boxes": tables["backdrop"]["boxes"],
        "zone": round(paper.zone, 2),
        "left_right": round(paper.left_right, 2),
    }
    return Plan.model_validate(tables)


@dataclass
class Shooting:
    """One shoot: a set, its plan and solos, and where each dial stands, stops below full."""

    made: Set
    plan: Plan
    rng: np.random.Generator
    right: dict[str, float]
    dials: dict[str, float]
    now: PlanNow
    _reference: LightGrid | None = field(default=None, repr=False)
    _solos: dict[str, LightGrid] = field(default_factory=dict, repr=False)
    _known: tuple[LampSet, Knowledge] | None = field(default=None, repr=False)

    @classmethod
    def begin(
        cls, made: Set, seed: int, *, off_stops: float = 1.5, has_solos: bool = True
    ) -> Shooting:
        """Shoot the solos at the plan's powers, up to 0.6 off what is right, and set dials off."""
        rng = np.random.default_rng(40_000 + seed)

        def steps(least: float, most: float) -> float:
            return round(float(rng.integers(round(least / STEP), round(most / STEP) + 1)) * STEP, 1)

        powers = {name: steps(-5.0, -3.0) for name in made.names}
        right = {name: powers[name] + steps(-0.2, 0.6) for name in made.names}
        dials = {name: at + steps(-off_stops, off_stops) for name, at in right.items()}
        plan = plan_of(made, powers)
        self = cls(made, plan, rng, right, dials, plan_now(plan))
        whole = made.shot({name: powers[name] - right[name] for name in made.names})
        self._reference = read(whole, plan).grid
        if not has_solos:
            return self
        self.shoot_solos({name: powers[name] - right[name] for name in made.names})
        return self

    def shoot_solos(self, stops: Mapping[str, float]) -> None:
        """Shoot lamps alone, each at so many stops from what is right."""
        for name, at in stops.items():
            self._solos[name] = reduce(self.made.shot({name: at}), self.now, tails=True).grid
        lamps = lamp_set(self._solos, reduce(self.made.shot({}), self.now, tails=True).grid)
        self._known = lamps, know(lamps, self.now)

    @property
    def lamps(self) -> LampSet:
        """Its solos."""
        assert self._known is not None
        return self._known[0]

    def frame(
        self, said: Announced | None = None, stance: Stance = _MARK
    ) -> tuple[Verdict, LampsSeen | None]:
        """Shoot one frame as the dials stand, and judge it."""
        stops = {
            name: self.dials[name] - self.right[name] + float(self.rng.normal(0.0, FLASH_STOPS))
            for name in self.made.names
        }
        known = Known(reference=self._reference)
        reading = read(self.made.shot(stops, stance=stance), self.plan, known=known)
        if self._known is None:
            return verdict_on(reading.measurement, self.now), None
        lamps, knowledge = self._known
        seen = see_lamps(
            reading.grid, lamps, knowledge, reading.measurement, said or Announced(), {}
        )
        return verdict_on(reading.measurement, self.now, lamps=seen), seen

    def distance(self) -> float:
        """Return how far the worst target truly lies outside its limits as the dials stand, stops.

        Without noise, and the sitter at his mark.
        """
        stops = {name: self.dials[name] - self.right[name] for name in self.made.names}
        measured = read(self.made.shot(stops, quiet=True), self.plan).measurement
        found = [target.finding(measured) for target in targets_of(self.now)]
        own = [one.excess for one in found if one.unit in ("stops", "zone")]
        return max(0.0, *own)

    def goes_wrong(self, turn: Turn) -> bool:
        """Tell whether a turn takes a lamp farther from what is right, by more than a step."""
        off = self.dials[turn.light] - self.right[turn.light]
        return abs(off + turn.stops) > abs(off) + STEP

    def do(self, turn: Turn, how: Obeyed) -> None:
        """Turn a lamp as told, as far as its pack goes."""
        there = self.dials[turn.light] + turn.stops
        if how == "to" and turn.to is not None:
            there = turn.to
        self.dials[turn.light] = min(max(round(there, 4), -8.0), 0.0)


@dataclass(frozen=True)
class Played:
    """How one shoot went: what each frame came to, the true distance then, what was turned."""

    verdicts: tuple[str, ...]
    worst: tuple[float, ...]
    turned: tuple[dict[str, float], ...]
    off: int
    left: str
    needless: int = 0
    """Frames in which a lamp was turned away from what is right though all targets were met."""
    asked: tuple[str, ...] = ()
    """Lamps whose solos frames asked for."""
    says_what_lacks: bool = False
    """Whether the last frame turns nothing, and asks for a solo first of all."""

    def arrived_by(self, frame: int) -> bool:
        """Whether with a frame up to this one (0 the first) all targets are truly met."""
        return min(self.worst[: frame + 1]) <= MET_STOPS

    @property
    def swings(self) -> bool:
        """Whether one lamp was turned up and down, by more than a step each."""
        turns = [(lamp, by) for told in self.turned for lamp, by in told.items()]
        up, down = ({lamp for lamp, by in turns if by * way > STEP} for way in (1.0, -1.0))
        return bool(up & down)

    def on_plan_by(self, frame: int) -> bool:
        """Whether a frame up to this one (0 the first) is on plan."""
        return "on plan" in self.verdicts[: frame + 1]

    @property
    def farthest(self) -> float:
        """By how much a turn brought the worst target farther out, at most, stops."""
        return max((b - a for a, b in zip(self.worst, self.worst[1:], strict=False)), default=0.0)


def play(
    shooting: Shooting,
    how: Obeyed,
    *,
    is_announced: bool,
    sitter: Sitter = "still",
    shoots_solos: bool = False,
) -> Played:
    """Shoot and turn as told until a frame is on plan, or nothing more is told.

    Solos that a frame asks for are shot before lamps are turned, or not at all.

    With a sitter who moves or turns his head until the eighth frame: then it is looked at whether
    lamps that are right are turned for him. Asked back to his mark he stands there in the next.
    """
    start = dict(shooting.dials)
    off = sum(abs(start[name] - at) > STEP / 2 for name, at in shooting.right.items())
    said, verdicts, worst, turned, left, needless = None, [], [], [], "", 0
    asked: dict[str, None] = {}
    says_what_lacks, is_asked_back = False, False
    for _ in range(_MOST_FRAMES):
        stance = Stance.drawn(sitter, shooting.rng)
        if is_asked_back:
            stance = Stance.back_on_mark(shooting.rng)
        verdict, seen = shooting.frame(said, stance)
        is_asked_back = any(one.advice == "way_back" for one in verdict.findings)
        verdicts.append(verdict.verdict)
        worst.append(shooting.distance())
        turns = verdict.turns[:1] if how == "headline" else verdict.turns
        needless += not worst[-1] and any(shooting.goes_wrong(turn) for turn in turns)
        solos = dict.fromkeys(
            lamp for one in verdict.findings if one.advice == "solo" for lamp in one.detail.lamps
        )
        says_what_lacks = not turns and bool(solos) and verdict.findings[0].advice == "solo"
        asked |= solos
        if shoots_solos and solos:
            shooting.shoot_solos(
                {name: shooting.dials[name] - shooting.right[name] for name in solos}
            )
        elif sitter == "still" and (verdict.verdict == "on plan" or not turns):
            left = "; ".join(
                f"{one.check} {one.of} {one.measured} {one.cause} {one.explained_by}"
                for one in verdict.findings
                if one.state == "fails"
            )
            break
        turned.append({turn.light: turn.stops for turn in turns})
        for turn in turns:
            shooting.do(turn, how)
        if is_announced and seen is not None:
            gave = {name: one.stops or 0.0 for name, one in seen.readings.items()}
            whole = {name: stops + turned[-1].get(name, 0.0) for name, stops in gave.items()}
            said = Announced(whole, lamps=tuple(turned[-1]))
    shooting.dials = start
    return Played(
        tuple(verdicts),
        tuple(worst),
        tuple(turned),
        off,
        left,
        needless,
        asked=tuple(asked),
        says_what_lacks=says_what_lacks,
    )
