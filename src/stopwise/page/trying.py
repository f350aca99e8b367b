"""Trying light on the page: each lamp's own for the browser to add up, figures by `dial`."""

from __future__ import annotations

import threading
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from pydantic import Field, TypeAdapter, ValidationError

from stopwise.errors import StopwiseError, WrongUse
from stopwise.lamps.sum_doubts import doubts_in
from stopwise.lamps.superposition import clipped_shares
from stopwise.lamps.trial import CAMERA, LightChange, Sets, Trial, change_words
from stopwise.page.pictures import SOLOS_S, SpawnedWork
from stopwise.page.views import RulerView, Sign, ruler_view, sign_of
from stopwise.report.drawable import GREY_SHOWN
from stopwise.report.lamp_words import dial_words
from stopwise.report.ruler import ROMAN, Ruler, RulerReading, Share, in_lanes
from stopwise.report.tables import (
    alike_sentences,
    dial_call,
    doubt_words,
    target_rows,
    walk_sentences,
)
from stopwise.shoot.dialling import KeptTrial, kept_trials, prepare_dials, state_on_set
from stopwise.stops import MID_GREY_OF_SATURATION, MIDDLE_ZONE
from stopwise.wording import shown, signed

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from stopwise.grid import LightGrid
    from stopwise.lamps.dial import Dial
    from stopwise.lamps.power_search import Knob
    from stopwise.lamps.solos import LampSet
    from stopwise.lamps.sum_doubts import Doubt
    from stopwise.lamps.trial import LightChanges
    from stopwise.ledger import Ledger
    from stopwise.plan.model import Plan
    from stopwise.report.drawable import Drawable
    from stopwise.shoot.dialling import Dialling, ReadyDials

_LEISURE_S = 2.0
"""Seconds after a page was opened until the solos are read for it: what it shows goes first."""

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
class FaderPlace:
    """One place of a fader.

    Attributes
    ----------
    value
        What it sets: stops from where a dial stands, metres, a gel, a setting; None for off.
    words
        As it is said.
    stops
        What it does to its lights, by channel; none where they are off.
    """

    value: float | str | None
    words: str
    stops: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Fader:
    """One thing under the finger.

    Attributes
    ----------
    sets
        What of a trial it sets: "turns", "metres", "gels", or a key of the camera.
    of
        The lamp; "" for the camera.
    name
        As it is called.
    lights
        Whose light it changes; None is the ambient.
    together
        The lamps that its dial turns, itself among them.
    places
        From the least to the most, off first.
    stands
        Which place it stands at now.
    """

    sets: Literal["turns", Sets]
    of: str
    name: str
    lights: tuple[str | None, ...]
    together: tuple[str, ...]
    places: tuple[FaderPlace, ...]
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
class KeptShown:
    """A trial that is kept, from where dials stand now."""

    name: str
    trial: Trial


@dataclass(frozen=True, slots=True)
class TrySet:
    """All that the page needs to try light, but for the light itself.

    Attributes
    ----------
    faders
        What may be tried, lamps in the plan's order.
    withheld
        What may not, and why, a sentence each.
    kept
        Trials that are kept by name.
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
    doubts
        Why the sum isn't to be trusted where it is hatched, and of which share of the picture.
    """

    faders: tuple[Fader, ...]
    withheld: tuple[str, ...]
    kept: tuple[KeptShown, ...]
    lights: tuple[LightSent, ...]
    columns: int
    rows: int
    channels: int
    ceiling: tuple[float, ...]
    to_screen: tuple[tuple[float, ...], ...]
    doubts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TriedTarget:
    """One target then: `place` is how it is named to be held, `sure` its standard uncertainty."""

    place: int
    of: str
    gets: str
    planned: str
    off: str
    sure: str
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
        What to do, as a walk round the set does it, with the cautions that belong to it.
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
class TrialAsked:
    """What a page tries, the places of targets to be held, and lamps that stay then."""

    trial: Trial
    held: tuple[Annotated[int, Field(ge=0)], ...] = ()
    by: tuple[str, ...] = ()

    @classmethod
    def read(cls, said: str) -> TrialAsked:
        """Return what a page sent as JSON.

        Raises
        ------
        WrongUse
            If it is no trial.
        """
        try:
            return TypeAdapter(cls).validate_json(said or "{}")
        except ValidationError:
            msg = 'That is no trial: {"trial": {"turns": {"key": -0.5}}}, stops by lamp.'
            raise WrongUse(msg) from None


class Trying(SpawnedWork):
    """Tries light and works powers out for all pages, in one process that reads the solos once.

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
        self._plan_path, self._ledger, self._look = plan_path, ledger, look
        self._place = None if ledger.in_memory else ledger.place
        self._one_at_a_time = threading.Lock()
        self._warming: threading.Timer | None = None
        self._is_open = True

    def warm(self) -> None:
        """Read the solos soon, so that nobody waits for them; again where a plan has changed."""
        if self._is_open and (self._warming is None or not self._warming.is_alive()):
            self._warming = threading.Timer(_LEISURE_S, self._warmed)
            self._warming.daemon = True
            self._warming.start()

    def _warmed(self) -> None:
        with suppress(StopwiseError, RuntimeError, OSError):  # whoever tries is told why
            self._asked(_light)

    def close(self) -> None:
        """End the process, and begin it no more."""
        self._is_open = False
        if self._warming is not None:
            self._warming.cancel()
        super().close()

    def opened(self) -> TrySet:
        """Return what is to be tried, as it stands now."""
        found: TrySet = self._asked(_opened, kept_trials(self._ledger))
        return found

    def light(self) -> bytes:
        """Return the light of every lamp: uint16 (lights, channels, rows, columns), low byte first.

        After it come (rows, columns), above 0 where the sum isn't to be trusted.
        """
        found: bytes = self._asked(_light)
        return found

    def tried(self, asked: TrialAsked) -> TriedView:
        """Return what a trial would give."""
        found: TriedView = self._asked(_tried, asked)
        return found

    def kept(self, name: str, trial: Trial) -> KeptTrial:
        """Return a trial as it is to be kept by a name."""
        found: KeptTrial = self._asked(_as_kept, name, trial)
        return found

    def solved(self) -> tuple[Powers, Drawable]:
        """Return the powers that best meet the plan, as `dial` does, and the light they give."""
        found: tuple[Powers, Drawable] = self._asked(_solved)
        return found

    def _asked(self, work: Callable[..., Any], *rest: object) -> Any:
        with self._one_at_a_time:
            if not self._is_open:
                raise WrongUse(_FAILS)
            return self.run(work, self._plan_path, self._place, self._look(), *rest, fails=_FAILS)


@dataclass(frozen=True, eq=False)
class _Ready:
    """The dials as they stand, the solos as they are shown, and their light as it is sent."""

    dials: ReadyDials
    shown: LampSet

    @cached_property
    def lights(self) -> list[tuple[str | None, LightGrid, float]]:
        """What adds up: whose light, its picture, and by what it stands over it now, linear."""
        nets, ambient = self.shown.nets, self.shown.ambient
        lit: list[tuple[str | None, LightGrid, float]] = [
            (knob.name, nets[knob.name], float(np.exp2(knob.now)))
            for knob in self.dials.dials.knobs
        ]
        return lit if ambient is None else [*lit, (None, ambient, 1.0)]

    @cached_property
    def sent(self) -> bytes:
        """Their light, see :meth:`Trying.light`."""
        parts = []
        for _, grid, _ in self.lights:
            least, most = _ends(grid)
            parts.append((grid.mean - least) * np.float32(_LEVELS / (most - least)))
        hatched = np.any(list(self.doubts.values()), axis=0)
        rows, columns = (
            ((np.arange(fine) + 0.5) * coarse / fine).astype(np.intp)
            for fine, coarse in zip(parts[0].shape[1:], hatched.shape, strict=True)
        )
        levels = (*parts, hatched[np.ix_(rows, columns)])
        return b"".join(np.rint(one).astype("<u2").tobytes() for one in levels)

    @cached_property
    def doubts(self) -> dict[Doubt, NDArray[np.bool_]]:
        """Where the sum isn't to be trusted, in blocks of the measured solos."""
        dials = self.dials
        return doubts_in(dials.lamps, dials.stands, dials.full)


_ready: dict[object, _Ready] = {}
"""In the process that tries: all of it as it was when it was asked for last."""


def _ready_dials(plan_path: Path, place: str | None, look: str | None) -> _Ready:
    """Return the dials; read anew where the plan, the look or what was turned has changed."""
    from stopwise.ledger import Ledger

    with ExitStack() as opened:
        ledger = None if place is None else opened.enter_context(Ledger(place, is_guest=True))
        state = (look, *state_on_set(plan_path, ledger))
        if state not in _ready:
            _ready.clear()
            dials = prepare_dials(plan_path, ledger=ledger, look=look)
            _ready[state] = _Ready(dials, (ledger and dials.drawn(ledger)) or dials.lamps)
    return _ready[state]


def _opened(
    plan_path: Path, place: str | None, look: str | None, kept: tuple[KeptTrial, ...]
) -> TrySet:
    ready = _ready_dials(plan_path, place, look)
    dials, first = ready.dials, next(iter(ready.shown.nets.values()))
    mid_grey = dials.plan.camera.mid_grey or MID_GREY_OF_SATURATION
    matrix = np.eye(3) if first.to_srgb is None else np.asarray(first.to_srgb)
    rows, columns = first.shape
    channels = len(first.mean)
    names, knobs = dials.lamps.names, dials.dials.knobs
    powers = [_power_fader(knob, dials.plan, names, channels) for knob in knobs]
    others: list[Fader] = []
    withheld: dict[str, None] = {}
    for sets, of in _offered(names):
        try:
            others += _fader(dials.changes, sets, of)
        except WrongUse as why:
            withheld[str(why)] = None
    return TrySet(
        faders=(*powers, *others),
        withheld=tuple(map(shown, withheld)),
        kept=tuple(KeptShown(one.name, one.as_dials_stand(knobs)) for one in kept),
        lights=tuple(LightSent(lamp, *_ends(grid), gain) for lamp, grid, gain in ready.lights),
        columns=columns,
        rows=rows,
        channels=channels,
        ceiling=first.ceiling,
        to_screen=tuple(tuple(map(float, row)) for row in matrix * (GREY_SHOWN / mid_grey)),
        doubts=doubt_words(ready.doubts),
    )


def _offered(lamps: Iterable[str]) -> Iterator[tuple[Sets, str]]:
    """Yield what might be tried besides power, and of which lamp."""
    yield from ((sets, "") for sets in ("f_number", "iso", "shutter"))
    for lamp in lamps:
        yield from (("metres", lamp), ("gels", lamp))


def _power_fader(knob: Knob, plan: Plan, lamps: Collection[str], channels: int) -> Fader:
    """Return a lamp's power: off, and every step of its dial from end to end."""
    count = round((knob.high - knob.low) / knob.step)
    places = [round(knob.low - knob.now + step * knob.step, 4) + 0.0 for step in range(count + 1)]
    turns = sorted({0.0, *(turn for turn in places if abs(turn) > knob.step / 4.0)})
    light, power = plan.light(knob.name), knob.power
    words = [
        signed(turn) if light is None or power is None else light.power_shown(power + turn)
        for turn in turns
    ]
    steps = (
        FaderPlace(turn, said, (turn,) * channels) for turn, said in zip(turns, words, strict=True)
    )
    return Fader(
        sets="turns",
        of=knob.name,
        name=knob.name,
        lights=(knob.name,),
        together=tuple(name for name in plan.turned_with(knob.name) if name in lamps),
        places=(FaderPlace(None, "off", ()), *steps),
        stands=1 + turns.index(0.0),
    )


def _fader(changes: LightChanges, sets: Sets, of: str) -> list[Fader]:
    """Return a fader of what else may be tried; none where there is no choice.

    Raises
    ------
    WrongUse
        Where that can't be known, with why.
    """
    values, now = changes.values(sets, of)
    if len(values) <= 1:
        return []
    each = [(one, changes.stops(one)) for one in (LightChange(sets, of, v) for v in values)]
    name = {"metres": f"{of}, from the sitter", "gels": f"{of}, gel"}.get(
        sets, CAMERA.get(sets, "")
    )
    return [
        Fader(
            sets=sets,
            of=of,
            name=name,
            lights=tuple(each[0][1]),
            together=(),
            places=tuple(
                FaderPlace(one.value, change_words(one), next(iter(stops.values())))
                for one, stops in each
            ),
            stands=values.index(now),
        )
    ]


def _light(plan_path: Path, place: str | None, look: str | None) -> bytes:
    return _ready_dials(plan_path, place, look).sent


def _ends(grid: LightGrid) -> tuple[float, float]:
    """Return the least and the greatest signal of a picture; noise lies below 0."""
    least = float(grid.mean.min())
    return least, max(float(grid.mean.max()), least + 1e-9)


def _as_kept(
    plan_path: Path, place: str | None, look: str | None, name: str, trial: Trial
) -> KeptTrial:
    ready = _ready_dials(plan_path, place, look).dials
    return KeptTrial.of(name, trial, ready.tried(trial).answer, ready.dials.knobs)


def _solved(plan_path: Path, place: str | None, look: str | None) -> tuple[Powers, Drawable]:
    from stopwise.report.dial_slip import light_drawable

    done = _ready_dials(plan_path, place, look).dials.solved()
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


def _tried(plan_path: Path, place: str | None, look: str | None, asked: TrialAsked) -> TriedView:
    ready = _ready_dials(plan_path, place, look).dials
    done = ready.tried(asked.trial, held=asked.held, by=asked.by)
    answer, plan = done.answer, done.plan
    say, do = dial_call(answer, plan)
    return TriedView(
        turns={name: one.turn for name, one in answer.lamps.items() if one.turn is not None},
        say=say,
        do=do,
        asked=tuple(walk_sentences(answer, plan)),
        ruler=ruler_view(_ruler(answer, plan)),
        targets=tuple(
            TriedTarget(
                *(row.place, shown(row.of), row.gets, row.planned, row.off, row.sure),
                sign=sign_of(row.state),
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
