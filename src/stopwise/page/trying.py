"""Trying powers on the page: each lamp's light for the browser to add up, figures by `dial`."""

from __future__ import annotations

import threading
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
from pydantic import Field, FiniteFloat, TypeAdapter, ValidationError

from stopwise.errors import WrongUse
from stopwise.lamps.superposition import clipped_shares
from stopwise.messages import turn_sentence
from stopwise.page.pictures import SOLOS_S, SpawnedWork
from stopwise.page.views import RulerView, Sign, ruler_view, sign_of
from stopwise.plan.loading import read_bytes
from stopwise.preparing.dialling import prepare_dials
from stopwise.report.drawable import GREY_SHOWN
from stopwise.report.lamp_words import dial_words
from stopwise.report.ruler import ROMAN, Ruler, RulerReading, Share, in_lanes
from stopwise.report.tables import alike_sentences, dial_call, lamp_rows, target_rows
from stopwise.stops import MID_GREY_OF_SATURATION, MIDDLE_ZONE
from stopwise.wording import share_text, shown, signed

if TYPE_CHECKING:
    from collections.abc import Callable, Collection
    from pathlib import Path

    from numpy.typing import NDArray

    from stopwise.grid import LightGrid
    from stopwise.lamps.dial import Dial
    from stopwise.lamps.power_search import Knob
    from stopwise.ledger import Ledger
    from stopwise.plan.model import Plan
    from stopwise.preparing.dialling import Dialling, ReadyDials
    from stopwise.report.drawable import Drawable

_FAILS = "The powers can't be worked out: a solo's decoder failed. Mark it again."

_LEVELS = 65535
"""Levels of light as it is sent: a hundred thousandth of a lamp's brightest block, far under the
eight bits of a screen at any turn."""


@dataclass(frozen=True, slots=True)
class Powers:
    """What dialling came to.

    Attributes
    ----------
    lamps
        Each lamp's name, and what to do there in words.
    zones
        Each patch's zone then.
    unmet, notes
        Sentences.
    has_picture
        Whether the light that they give can be shown.
    """

    lamps: tuple[tuple[str, str], ...]
    zones: tuple[tuple[str, float], ...]
    unmet: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    has_picture: bool = False


@dataclass(frozen=True, slots=True)
class Fader:
    """One lamp under the finger.

    Attributes
    ----------
    name
        The lamp.
    together
        The lamps that its dial turns, itself among them.
    turns
        Stops of each place of its dial from where it stands now, least first.
    words
        What the pack shows at each.
    stands
        Which place it stands at now.
    """

    name: str
    together: tuple[str, ...]
    turns: tuple[float, ...]
    words: tuple[str, ...]
    stands: int


@dataclass(frozen=True, slots=True)
class LightSent:
    """One picture of those that add up: whose it is, None for the ambient.

    It is sent in levels from `least` to `most`, anchor = 1; `gain` is by what the lamp stands now
    over its solo, linear.
    """

    lamp: str | None
    least: float
    most: float
    gain: float


@dataclass(frozen=True, slots=True)
class TrySet:
    """All that the page needs to try powers, but for the light itself.

    Attributes
    ----------
    faders
        The lamps, in the plan's order.
    lights
        What adds up, in the order in which the light is sent.
    columns, rows
        Of each picture, blocks.
    channels
        1 or 3.
    ceiling
        Signal at which each channel clips.
    to_screen
        Rows of the matrix from signals to linear light of a screen.
    doubted
        Share of the picture in which a solo is clipped, in words: there the sum is a lower bound;
        None where there is none.
    """

    faders: tuple[Fader, ...]
    lights: tuple[LightSent, ...]
    columns: int
    rows: int
    channels: int
    ceiling: tuple[float, ...]
    to_screen: tuple[tuple[float, ...], ...]
    doubted: str | None


@dataclass(frozen=True, slots=True)
class TriedTarget:
    """One target then: `place` is how it is named to be held."""

    place: int
    of: str
    gets: str
    planned: str
    off: str
    sign: Sign


@dataclass(frozen=True, slots=True)
class TriedView:
    """What powers that are tried would give, in the words and figures of `dial --try`.

    Attributes
    ----------
    turns
        Stops by lamp from where each stands now: as tried, and of those that hold a target.
    say, do
        The headline.
    asked
        What to turn, a sentence a lamp, with the cautions that belong to it.
    ruler
        The stop ruler.
    targets
        Each target.
    told
        What is missed, what isn't sure, and what is to be said of the solos.
    """

    turns: dict[str, float]
    say: str
    do: str
    asked: tuple[str, ...]
    ruler: RulerView
    targets: tuple[TriedTarget, ...]
    told: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Trial:
    """What a page tries: stops by lamp, places of targets to be held, and lamps that stay then."""

    turns: dict[str, FiniteFloat]
    held: tuple[Annotated[int, Field(ge=0)], ...] = ()
    by: tuple[str, ...] = ()

    @classmethod
    def read(cls, said: str) -> Trial:
        """Return what a page sent as JSON.

        Raises
        ------
        WrongUse
            If it is no trial.
        """
        try:
            return TypeAdapter(cls).validate_json(said or "{}")
        except ValidationError:
            msg = 'That is no trial: {"turns": {"key": -0.5}}, stops by lamp.'
            raise WrongUse(msg) from None


class Trying(SpawnedWork):
    """Tries powers and works them out for all pages, in one process that reads the solos once.

    Parameters
    ----------
    plan_path
        The plan.
    ledger
        Where reduced solos are kept, and takes say what was turned.
    look
        Returns the look that is worn.
    """

    def __init__(self, plan_path: Path, ledger: Ledger, look: Callable[[], str | None]) -> None:
        super().__init__(SOLOS_S)
        self._plan_path, self._look = plan_path, look
        self._place = None if ledger.in_memory else ledger.place
        self._one_at_a_time = threading.Lock()

    def opened(self) -> TrySet:
        """Return what is to be turned, as it stands now."""
        found: TrySet = self._asked(_opened)
        return found

    def light(self) -> bytes:
        """Return the light of every lamp: uint16 (lights, channels, rows, columns), low byte first.

        After it come (rows, columns) of the share of each block in which a solo is clipped.
        """
        found: bytes = self._asked(_light)
        return found

    def tried(self, trial: Trial) -> TriedView:
        """Return what powers would give."""
        found: TriedView = self._asked(_tried, trial)
        return found

    def solved(self) -> tuple[Powers, Drawable]:
        """Return the powers that best meet the plan, as `dial` does, and the light they give."""
        found: tuple[Powers, Drawable] = self._asked(_solved)
        return found

    def _asked(self, work: Callable[..., Any], *rest: object) -> Any:
        with self._one_at_a_time:
            return self.run(work, self._plan_path, self._place, self._look(), *rest, fails=_FAILS)


_ready: dict[object, ReadyDials] = {}
"""In the process that tries: the dials as they stood when they were asked for last."""


def _ready_dials(plan_path: Path, place: str | None, look: str | None) -> ReadyDials:
    """Return the dials; read anew where the plan, the look or what was turned has changed."""
    from stopwise.ledger import Ledger

    with ExitStack() as opened:
        ledger = None if place is None else opened.enter_context(Ledger(place))
        takes = () if ledger is None else tuple(map(repr, ledger.takes.all()))
        state = (read_bytes(plan_path), look, takes)
        if state not in _ready:
            _ready.clear()
            _ready[state] = prepare_dials(plan_path, look=look, ledger=ledger)
    return _ready[state]


def _opened(plan_path: Path, place: str | None, look: str | None) -> TrySet:
    ready = _ready_dials(plan_path, place, look)
    first = next(iter(ready.lamps.nets.values()))
    mid_grey = ready.plan.camera.mid_grey or MID_GREY_OF_SATURATION
    matrix = np.eye(3) if first.to_srgb is None else np.asarray(first.to_srgb)
    clipped = _clipped(ready)
    rows, columns = first.shape
    return TrySet(
        faders=tuple(
            _fader(knob, ready.plan, lamps=ready.lamps.names) for knob in ready.dials.knobs
        ),
        lights=tuple(LightSent(lamp, *_ends(grid), gain) for lamp, grid, gain in _lights(ready)),
        columns=columns,
        rows=rows,
        channels=len(first.mean),
        ceiling=first.ceiling,
        to_screen=tuple(tuple(map(float, row)) for row in matrix * (GREY_SHOWN / mid_grey)),
        doubted=share_text(float(clipped.mean())) if clipped.any() else None,
    )


def _lights(ready: ReadyDials) -> list[tuple[str | None, LightGrid, float]]:
    """Return what adds up: whose light, its picture, and by what it stands over it now, linear."""
    lamps = ready.lamps
    lit: list[tuple[str | None, LightGrid, float]] = [
        (knob.name, lamps.nets[knob.name], float(np.exp2(knob.now))) for knob in ready.dials.knobs
    ]
    return lit if lamps.ambient is None else [*lit, (None, lamps.ambient, 1.0)]


def _fader(knob: Knob, plan: Plan, *, lamps: Collection[str]) -> Fader:
    """Return a lamp's places: every step of its dial from end to end, and where it stands."""
    count = round((knob.high - knob.low) / knob.step)
    places = [round(knob.low - knob.now + step * knob.step, 4) + 0.0 for step in range(count + 1)]
    turns = sorted({0.0, *(turn for turn in places if abs(turn) > knob.step / 4.0)})
    light, power = plan.light(knob.name), knob.power
    words = [
        signed(turn) if light is None or power is None else light.power_shown(power + turn)
        for turn in turns
    ]
    together = tuple(name for name in plan.turned_with(knob.name) if name in lamps)
    return Fader(knob.name, together, tuple(turns), tuple(words), turns.index(0.0))


def _light(plan_path: Path, place: str | None, look: str | None) -> bytes:
    ready = _ready_dials(plan_path, place, look)
    parts = []
    for _, grid, _ in _lights(ready):
        least, most = _ends(grid)
        parts.append((grid.mean - least) / (most - least))
    levels = (np.round(_LEVELS * np.clip(one, 0.0, 1.0)) for one in (*parts, _clipped(ready)))
    return b"".join(one.astype("<u2").tobytes() for one in levels)


def _ends(grid: LightGrid) -> tuple[float, float]:
    """Return the least and the greatest signal of a picture; noise lies below 0."""
    least = float(grid.mean.min())
    return least, max(float(grid.mean.max()), least + 1e-9)


def _clipped(ready: ReadyDials) -> NDArray[np.float32]:
    """Return the share of each block in which a solo is clipped, float32 (rows, columns)."""
    clipped: NDArray[np.float32] = np.maximum.reduce(
        [net.clipped for net in ready.lamps.nets.values()]
    )
    return clipped


def _solved(plan_path: Path, place: str | None, look: str | None) -> tuple[Powers, Drawable]:
    from stopwise.report.dial_slip import light_drawable

    done = _ready_dials(plan_path, place, look).solved()
    answer, mid_grey = done.answer, done.plan.camera.mid_grey
    powers = Powers(
        lamps=tuple(
            (
                name,
                dial_words(done.plan.light(name), lamp.turn, lamp.power, at_limit=lamp.at_limit),
            )
            for name, lamp in answer.lamps.items()
        ),
        zones=tuple((name, one.zone) for name, one in answer.predicted.patches.items()),
        unmet=(*(one.say for one in answer.unmet), *(one.say for one in answer.unsure)),
        notes=done.sentences,
        has_picture=True,
    )
    return powers, light_drawable(answer.picture, mid_grey=mid_grey)


def _tried(plan_path: Path, place: str | None, look: str | None, trial: Trial) -> TriedView:
    ready = _ready_dials(plan_path, place, look)
    done = ready.tried(trial.turns, held=trial.held, by=trial.by)
    answer, plan = done.answer, done.plan
    say, do = dial_call(answer, plan)
    return TriedView(
        turns={name: lamp.turn for name, lamp in answer.lamps.items()},
        say=say,
        do=do,
        asked=tuple(
            turn_sentence(row.turn) for row in lamp_rows(answer, plan) if row.turn is not None
        ),
        ruler=ruler_view(_ruler(answer, plan)),
        targets=tuple(
            TriedTarget(
                row.place, shown(row.of), row.gets, row.planned, row.off, sign_of(row.state)
            )
            for row in target_rows(answer)
        ),
        told=_told(done),
    )


def _told(done: Dialling) -> tuple[str, ...]:
    answer = done.answer
    said = [*(one.say for one in answer.unmet), *(one.say for one in answer.unsure)]
    return tuple(shown(one) for one in (*said, *alike_sentences(answer), *done.sentences))


def _ruler(answer: Dial, plan: Plan) -> Ruler:
    """Return the stop ruler of light that was added up."""
    mid_grey = plan.camera.mid_grey or MID_GREY_OF_SATURATION
    clip = MIDDLE_ZONE - float(np.log2(mid_grey))
    zones = MIDDLE_ZONE + np.log2(np.maximum(answer.picture.luminance, 1e-9) / mid_grey)
    edges = np.arange(len(ROMAN) + 1) - 0.5
    counts, _ = np.histogram(np.clip(zones, 0.0, len(ROMAN) - 1.0), bins=edges)
    shares = [
        Share(zone - 0.5, min(zone + 0.5, clip), float(count) / zones.size)
        for zone, count in enumerate(counts)
    ]
    return Ruler(
        clip=clip,
        shares=tuple(one for one in shares if one.low < clip),
        clipped=float(np.mean(clipped_shares(answer.picture))),
        readings=in_lanes(_readings(answer)),
    )


def _readings(answer: Dial) -> list[RulerReading]:
    """Return each patch, and the paper, with its target where it has one."""
    predicted = answer.predicted
    asked = {aim.of: aim for aim in answer.aims if aim.kind == "zone"}
    patches = [
        (name, read.zone, read.uncertainty, asked.get(name))
        for name, read in predicted.patches.items()
    ]
    paper = predicted.backdrop
    if paper is not None and paper.zone is not None:
        patches.append(("paper", paper.zone, 0.0, asked.get("backdrop zone")))
    return [
        RulerReading(name, zone, doubt or None)
        if aim is None
        else RulerReading(
            name,
            zone,
            doubt or None,
            target=aim.planned,
            low=aim.planned - aim.under,
            high=aim.planned + aim.over,
            off=zone - aim.planned,
            state="fails" if aim.short_by(predicted) else "holds",
        )
        for name, zone, doubt, aim in patches
    ]
