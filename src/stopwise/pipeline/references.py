"""What the plan's own frames give to every other: ambient light, bare paper, the sitter, lamps."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.errors import StopwiseError
from stopwise.grid import combine
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.solos import LampSet, lamp_set
from stopwise.lamps.white_card import WhiteCard, white_card_of
from stopwise.measurement import read
from stopwise.pipeline.marked import marked_files
from stopwise.pipeline.remembered import Remembered
from stopwise.raw import decode_unproven

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.frame import Frame
    from stopwise.grid import LightGrid
    from stopwise.measurement.measurement import Measurement
    from stopwise.pipeline.brief import Brief
    from stopwise.plan.model import Plan
    from stopwise.plan.now import PlanNow

_KEPT = 48
"""Reduced frames that one process keeps: the plan's own frames under a few looks."""


@dataclass(frozen=True, eq=False, slots=True)
class Marked:
    """One of the plan's own frames, reduced.

    Attributes
    ----------
    light
        Its light.
    measurement
        Its figures; None where only its light was kept.
    """

    light: LightGrid
    measurement: Measurement | None = None

    @property
    def grid(self) -> LightGrid | None:
        """Its light where its figures are known too."""
        return None if self.measurement is None else self.light


@dataclass(frozen=True, eq=False, slots=True)
class References:
    """What is known of the set before a frame is judged.

    Attributes
    ----------
    ambient
        The ambient frame's measurement; None where the plan names none that can be read.
    plate, reference
        The clean plate and the frame that patches are followed from, reduced.
    even
        The sum of the solos of the lamps that are meant to be lit, as takes say they are turned:
        what the shutter would leave whole. None without solos, or with other clothes than theirs.
    lamps
        Each lamp's own light; None without solos.
    solos, ambient_light, full
        The light of the solos, of the ambient frame and of a frame under all lamps as they were
        shot; the last only where a solo is awaited.
    white_cards
        Each lamp's spot as its white card shows it.
    notes
        A sentence for each of the plan's frames that could not be used.
    """

    ambient: Measurement | None = None
    plate: LightGrid | None = None
    reference: LightGrid | None = None
    even: LightGrid | None = None
    lamps: LampSet | None = None
    notes: tuple[str, ...] = ()
    solos: Mapping[str, LightGrid] = field(default_factory=dict)
    ambient_light: LightGrid | None = None
    full: LightGrid | None = None
    white_cards: Mapping[str, WhiteCard] = field(default_factory=dict)


def references_for(brief: Brief, frame: Frame | None, targets: PlanNow) -> References:
    """Return what the plan's own frames give to one frame, each decoded once in this process.

    Parameters
    ----------
    brief
        With the plan and its folder.
    frame
        The frame to be judged: one that stands otherwise, or has other dimensions, is no reference.
        None takes all that are as large as the first.
    targets
        What of the plan holds now: its patches are read in the plan's frames too.
    """
    plan, folder = brief.plan, brief.plan_folder
    if plan is None or folder is None:
        return References()
    files = _files(brief, plan, folder)
    reader = _Reader(plan, brief.look, frame, targets)
    shot = {
        lamp: marked
        for lamp in plan.frames.solo
        if (marked := reader.get(files[f"solo of {lamp}"])) is not None
    }
    solos = {lamp: marked.light for lamp, marked in shot.items()}
    ambient = reader.get(files.get("ambient"))
    plate = reader.get(files.get("plate"))
    reference = reader.get(files.get("reference"))
    white_cards = _white_cards(reader, files, None if ambient is None else ambient.light, plan)
    return References(
        ambient=None if ambient is None else ambient.measurement,
        plate=None if plate is None else plate.grid,
        reference=None if reference is None else reference.grid,
        even=_even(shot, ambient, brief),
        lamps=_lamps(solos, None if ambient is None else ambient.light, plan),
        notes=tuple(dict.fromkeys(reader.notes)),
        solos=solos,
        ambient_light=None if ambient is None else ambient.light,
        full=_full(reader, files, brief),
        white_cards=white_cards,
    )


_LAMPS: Remembered[LampSet] = Remembered()
_WHITE_CARDS: Remembered[WhiteCard | None] = Remembered(most=16)


def _white_cards(
    reader: _Reader, files: Mapping[str, Path], ambient: LightGrid | None, plan: Plan
) -> dict[str, WhiteCard]:
    """Return each spot that a white card shows, fitted once in this process."""
    found = {}
    for lamp, name in plan.frames.white_card.items():
        marked = reader.get(files.get(f"white card of {lamp}"))
        if marked is None:
            continue
        card = _WHITE_CARDS.of(
            marked.light, ambient, make=partial(white_card_of, marked.light, ambient)
        )
        if card is not None:
            found[lamp] = card
        else:
            reader.notes.append(f"{name}: {LampNote('no spot', lamp).words}")
    return found


def _lamps(solos: Mapping[str, LightGrid], ambient: LightGrid | None, plan: Plan) -> LampSet | None:
    """Return each lamp's own light, the very same object for the same solos."""
    if not solos:
        return None
    steady = [light.name for light in plan.lights if light.kind == "continuous"]
    return _LAMPS.of(
        solos, ambient, steady, make=lambda: lamp_set(solos, ambient, continuous=steady)
    )


def _full(reader: _Reader, files: Mapping[str, Path], brief: Brief) -> LightGrid | None:
    """Return a frame under all lamps: the newest that is known, else the plan's reference."""
    if (
        brief.plan is None
        or brief.look is not None
        or brief.plan.light(brief.awaited or "") is None
    ):
        return None
    named = brief.plan.frames.reference
    marked = reader.get(brief.full or (files["reference"] if named else None))
    return None if marked is None else marked.light


def _files(brief: Brief, plan: Plan, folder: Path) -> dict[str, Path]:
    """Return the frames that play a part; a look's patches follow from a frame of its own."""
    files = dict(marked_files(plan, folder))
    if brief.look is not None:
        files.pop("reference", None)
    if brief.reference is not None:
        files.setdefault("reference", Path(brief.reference))
    return files


def _even(shot: Mapping[str, Marked], ambient: Marked | None, brief: Brief) -> LightGrid | None:
    """Return the light of all lamps that are meant to be lit, added up from their solos."""
    wanted = [light.name for light in (brief.plan.lights if brief.plan else ())]
    lit = [name for name in wanted if brief.lit is None or name in brief.lit]
    if not lit or brief.is_other_stuff or not set(lit) <= set(shot):
        return None
    factors = [2.0 ** (brief.said or {}).get(name, 0.0) for name in lit]
    terms = [(shot[name].light, factor) for name, factor in zip(lit, factors, strict=True)]
    if ambient is not None:
        terms.append((ambient.light, 1.0 - sum(factors)))
    if not all(grid.fits(terms[0][0]) for grid, _ in terms):
        return None
    return combine(*zip(*terms, strict=True))


class _Reader:
    """Reads the plan's frames for one frame, out of the cache where they are."""

    def __init__(self, plan: Plan, look: str | None, frame: Frame | None, targets: PlanNow) -> None:
        self._plan = plan
        self._look = look
        self._size = None if frame is None else frame.size
        self._first: LightGrid | None = None
        self._targets = targets
        self.notes: list[str] = []

    def get(self, path: Path | None) -> Marked | None:
        """Return a frame reduced; None, with a note, where it can't be used."""
        if path is None or not path.exists():
            return None
        try:
            key = _key(path, self._plan, self._targets)
            marked = _cached(key) or _keep(key, self._read(path))
        except (StopwiseError, OSError) as error:
            self.notes.append(f"{path.name}: not used as the plan's own frame: {error}")
            return None
        told = marked.measurement
        if told is not None and self._size is not None:
            return marked if told.size == self._size else None
        self._first = self._first or marked.light
        return marked if marked.light.fits(self._first) else None

    def _read(self, path: Path) -> Marked:
        unproven = decode_unproven(path)
        frame = unproven.frame
        reading = read(frame, self._plan, look=self._look, tails=True)
        unproven.proven()
        return Marked(reading.grid, reading.measurement)


_Key = tuple[str, int, int, str]
_CACHE: OrderedDict[_Key, Marked] = OrderedDict()


def lay_out(lights: Mapping[Path, LightGrid], plan: Plan, targets: PlanNow) -> None:
    """Have frames whose light is known used without being decoded, in this process.

    Parameters
    ----------
    lights
        By the path as the plan's folder and name make it. Where such a frame's figures are needed
        too, such as a plate's paper, they are missing.
    plan, targets
        By which the light was read.
    """
    for path, light in lights.items():
        _keep(_key(path, plan, targets), Marked(light))


def _key(path: Path, plan: Plan, targets: PlanNow) -> _Key:
    """Return what a reading depends on: the file, camera and places, but no target."""
    status = path.stat()
    patches = ";".join(f"{patch.name}={patch.box}" for patch in targets.measured)
    paper = None if plan.backdrop is None else plan.backdrop.boxes
    return str(path), status.st_mtime_ns, status.st_size, f"{plan.camera!r};{paper!r};{patches}"


def _cached(key: _Key) -> Marked | None:
    if key in _CACHE:
        _CACHE.move_to_end(key)
        return _CACHE[key]
    return None


def _keep(key: _Key, marked: Marked) -> Marked:
    _CACHE[key] = marked
    while len(_CACHE) > _KEPT:
        _CACHE.popitem(last=False)
    return marked
