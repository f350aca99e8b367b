"""The plan's own frames: each read once, kept by content, and what they give to every other."""

from __future__ import annotations

import time
from collections import OrderedDict, deque
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from stopwise.conditions import condition
from stopwise.errors import (
    LedgerError,
    PathMissing,
    StopwiseError,
    Unreadable,
    WrongUse,
    refusal,
)
from stopwise.frame import held
from stopwise.grid import combine
from stopwise.lamps.blame import Knowledge, know
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.solos import (
    LOST,
    LampSet,
    Sought,
    find_places,
    lamp_set,
    place_in,
    sought_in,
)
from stopwise.lamps.white_card import WhiteCard, white_card_of
from stopwise.measurement import Known, figures_of, reduce
from stopwise.pipeline.brief import FrameNote, Need, UnreadNeedsError
from stopwise.pipeline.references import OwnFrame, References
from stopwise.pipeline.solo_pictures import (
    FORM,
    as_kept,
    from_blob,
    keep_figures,
    keep_picture,
    kept_figures,
    to_blob,
)
from stopwise.plan.model import FramePart, MarkedFrame
from stopwise.plan.now import plan_now
from stopwise.raw import decode_unproven
from stopwise.raw.bounds import FailedOnFileError, in_bounds

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence

    from stopwise.frame import Frame, Held
    from stopwise.grid import LightGrid
    from stopwise.ledger import Ledger
    from stopwise.pipeline.brief import Brief, LevelTable
    from stopwise.plan.model import FrameRole, Plan
    from stopwise.plan.now import PlanNow

T = TypeVar("T")

_KEPT = 48
"""Reduced frames that one process keeps: the plan's own frames under a few looks."""


def levels_of(frame: Frame, learned: LevelTable) -> dict[str, float]:
    """Return the learned level of each of a frame's colours that has one."""
    return {name: learned[key] for name in frame.colours if (key := frame.key_of(name)) in learned}


_UNSEEN: tuple[FrameRole, ...] = ("grey", "clip")
"""Roles of frames whose picture tells nothing of the set: what they came to stands in the plan."""


@dataclass(frozen=True, slots=True)
class _Reading:
    """One of the plan's own frames, and how it is to be read; see :meth:`PlanFrames.read`.

    `variant` tells what its light depends on besides the file.
    """

    path: Path
    targets: PlanNow
    look: str | None
    figures: bool
    anchor: Path | None
    variant: str


class Remembered(Generic[T]):
    """The last results of a costly function by what they were made from, compared by `==`.

    Parameters
    ----------
    most
        How many are kept.
    """

    def __init__(self, *, most: int = 4) -> None:
        self._kept: deque[tuple[tuple[object, ...], T]] = deque(maxlen=most)

    def of(self, *parts: object, make: Callable[[], T]) -> T:
        """Return what was made from equal parts, or make it now."""
        for known, value in self._kept:
            if known == parts:
                return value
        value = make()
        self._kept.append((parts, value))
        return value


class PlanFrames:
    """The service for the plan's own frames, and all that is kept between frames.

    Whoever judges several frames holds one and passes it in; a watch hands one to each worker,
    where it begins empty.

    Parameters
    ----------
    ledger
        Where reduced light is kept by content, unless it is only read, and what it has learned of
        cameras. None keeps in this process only.
    is_supplied
        Whether frames are handed to it that workers read, each like any file: what isn't there yet
        is asked for by an `UnreadNeedsError`.
    kept_in
        File of the ledger in which a worker that reads them keeps their light, so that a watch
        which begins again decodes none of them; None keeps nothing.
    """

    def __init__(
        self, ledger: Ledger | None = None, *, is_supplied: bool = False, kept_in: str | None = None
    ) -> None:
        self._ledger = ledger
        self._kept_in = kept_in
        self._learned: LevelTable = {} if ledger is None else ledger.levels.believed()
        self._held: OrderedDict[Hashable, OwnFrame] = OrderedDict()
        self._supplies: dict[Hashable, OwnFrame | Exception] | None = {} if is_supplied else None
        self._used: set[Hashable] = set()
        self._refused: dict[Hashable, str] = {}
        self._spent_s = 0.0
        self._began: float | None = None
        self._lamps: Remembered[LampSet] = Remembered()
        self._sought: Remembered[Sought | None] = Remembered()
        self._knowledge: Remembered[Knowledge] = Remembered()
        self._cards: Remembered[WhiteCard | None] = Remembered(most=16)
        self._differences: Remembered[OwnFrame] = Remembered(most=16)
        self.hashes: dict[Path, str] = {}

    def __reduce__(self) -> tuple[object, ...]:
        """Cross a process boundary empty, but for what can't be read."""
        is_supplied = self._supplies is not None
        make = partial(PlanFrames, is_supplied=is_supplied, kept_in=self._kept_in)
        return (make, (), {"_refused": self._refused})

    @property
    def spent_s(self) -> float:
        """Seconds spent so far on reading the plan's own frames."""
        now = time.monotonic()
        return self._spent_s + (0.0 if self._began is None else now - self._began)

    def read(
        self,
        path: Path,
        targets: PlanNow,
        *,
        look: str | None = None,
        figures: bool = False,
        anchor: Path | None = None,
    ) -> OwnFrame:
        """Return a frame reduced, out of this process or the ledger where it is kept.

        Parameters
        ----------
        path
            The raw file.
        targets
            What of the plan holds now: its patches are read in it.
        look
            Name of the look that is worn.
        figures
            Whether its figures are needed.
        anchor
            The frame that a solo's sitter is followed from, see `anchor_of`; None reads boxes where
            the plan has them.

        Raises
        ------
        PathMissing
            If it isn't there or can't be read.
        Unreadable
            If it gives no pixels.
        UnreadNeedsError
            If it, or its anchor, isn't supplied yet.
        """
        try:
            status = path.stat()
        except OSError as error:
            msg = f"{path} can't be read: {refusal(error)}. Check that its disk is connected."
            raise PathMissing(msg) from error
        if anchor is not None and (anchor == path or not anchor.is_file()):
            anchor = None
        variant = self._variant(targets, anchor)
        key = (str(path), status.st_mtime_ns, status.st_size, variant, figures)
        reading = _Reading(path, targets, look, figures, anchor, variant)
        if self._supplies is not None:
            self._used.add(key)
            if key in self._supplies:
                return self._supplied(key, path)
            if anchor is not None:
                self.sought(anchor, targets, look)
            raise UnreadNeedsError((Need(key, (reading,), status.st_size),))
        found = self._held.get(key)
        if found is None:
            sought = None if anchor is None else self.sought(anchor, targets, look)
            kept = self._from_ledger(reading, sought)
            found = kept or self._in_bounds(key, reading, sought)
            self._held[key] = found
            while len(self._held) > _KEPT:
                self._held.popitem(last=False)
        self._held.move_to_end(key)
        return found

    def _in_bounds(self, key: Hashable, reading: _Reading, sought: Sought | None) -> OwnFrame:
        """Read a frame in this process; one that can't be read costs its time once."""
        if key in self._refused:
            raise StopwiseError(self._refused[key])
        self._began = time.monotonic()
        try:
            found: OwnFrame = in_bounds(lambda _: self._decoded(reading, sought), reading.path)
        except Unreadable as error:
            self._refused[key] = str(error)
            raise
        finally:
            self._spent_s, self._began = self.spent_s, None
        return found

    def read_needed(self, reading: _Reading) -> OwnFrame | StopwiseError:
        """Read a frame for whoever needs it, or say why it can't be used."""
        anchor, targets = reading.anchor, reading.targets
        sought = None if anchor is None else self.sought(anchor, targets, reading.look)
        try:
            with self._open_ledger():
                return self._from_ledger(reading, sought) or self._decoded(reading, sought)
        except StopwiseError as error:
            return StopwiseError(str(error))

    @contextmanager
    def _open_ledger(self) -> Iterator[None]:
        """Have the ledger open that a worker keeps light in; one that can't be had keeps none."""
        from stopwise.ledger import Ledger

        ledger = None
        if self._kept_in is not None:
            with suppress(StopwiseError):
                ledger = self._ledger = Ledger(self._kept_in, is_guest=True, on_wait=lambda: False)
        try:
            yield
        finally:
            if ledger is not None:
                ledger.close()
                self._ledger = None

    def supply(self, keys: Sequence[Hashable], new: Mapping[Hashable, Any]) -> None:
        """Take in frames that were read, and let go of those that have none of the keys."""
        if self._supplies is not None:
            whole = {**self._supplies, **new}
            self._supplies = {key: whole[key] for key in keys if key in whole}

    def _supplied(self, key: Hashable, path: Path) -> OwnFrame:
        value = (self._supplies or {})[key]
        if isinstance(value, FailedOnFileError):
            raise Unreadable(path, condition("decoder_failed"), str(value))
        if isinstance(value, Exception):
            raise value
        return value

    def light(self, path: Path, targets: PlanNow, *, look: str | None = None) -> LightGrid:
        """Return a frame's light; see :meth:`read`."""
        return self.read(path, targets, look=look).light

    def prepare(self, brief: Brief) -> frozenset[Hashable]:
        """Return the keys of what frames with this brief will need; without a plan there are none.

        Raises
        ------
        UnreadNeedsError
            If some of it isn't supplied yet. A frame that can't be used is left for the first frame
            to tell of.
        """
        self._used.clear()
        if brief.plan is not None:
            self.known(brief, None, plan_now(brief.plan, look=brief.look, lit=brief.lit))
        return frozenset(self._used)

    def knowledge(self, lamps: LampSet, now: PlanNow) -> Knowledge:
        """Return what solos say of the targets, made once for many frames; see `know`."""
        return self._knowledge.of(lamps, now, make=partial(know, lamps, now))

    def known(self, brief: Brief, frame: Frame | None, targets: PlanNow) -> References:
        """Return what the plan's own frames give to one frame.

        Parameters
        ----------
        brief
            With the plan and its folder.
        frame
            The frame to be judged: one of another size or camera is no reference for it. None takes
            all that are as large as the first.
        targets
            What of the plan holds now.
        """
        plan, folder = brief.plan, brief.plan_folder
        if plan is None or folder is None:
            return References()
        marked = {one.part: one for one in plan.frames.marked}
        reference = FramePart("reference")
        if brief.look is not None:
            marked.pop(reference, None)
        if brief.reference is not None:
            marked.setdefault(reference, MarkedFrame(reference, str(brief.reference)))
        files = {part: folder / one.file for part, one in marked.items()}
        found, notes = self._usable(marked.values(), brief, frame, targets)
        solos = {part.lamp: one for part, one in found.items() if part.role == "solo" and part.lamp}
        ambient, plate = found.get(FramePart("ambient")), found.get(FramePart("plate"))
        dark = None if ambient is None else ambient.light
        steady = [light.name for light in plan.lights if light.kind == "continuous"]
        lights = {lamp: one.light for lamp, one in solos.items()}
        lamps = None
        if lights:
            sought = self.sought(anchor_of(plan, folder), targets, brief.look)

            def made() -> LampSet:
                kept = {lamp: one.place for lamp, one in solos.items() if one.place is not None}
                rest = {lamp: one for lamp, one in lights.items() if lamp not in kept}
                places = {**kept, **find_places(rest, sought)}
                return lamp_set(lights, dark, continuous=steady, places=places)

            lamps = self._lamps.of(lights, dark, steady, sought, make=made)
        cards = {}
        for part, one in found.items():
            if part.role == "white card" and part.lamp is not None:
                card = self._cards.of(one.light, dark, make=partial(white_card_of, one.light, dark))
                if card is not None:
                    cards[part.lamp] = card
                else:
                    detail = LampNote("no spot", part.lamp).words
                    notes.append(FrameNote(part, files[part].name, "frame_unusable", detail))
        followed = found.get(reference)
        return References(
            ambient=None if ambient is None else ambient.measurement,
            plate=None if plate is None else plate.light,
            reference=None if followed is None else followed.light,
            even=_even(lights, dark, brief),
            lamps=lamps,
            solos=lights,
            ambient_light=dark,
            full=self._full(files.get(reference), brief, targets, lights),
            white_cards=cards,
            missing=tuple(lamp for lamp in plan.frames.solo if lamp not in solos),
            notes=tuple(notes),
        )

    def held(self, brief: Brief) -> Held | None:
        """Return how the camera was held for the plan's own boxes, where one of its frames tells.

        The reference tells it first, then any frame of the set.
        """
        plan, folder = brief.plan, brief.plan_folder
        if plan is None or folder is None:
            return None
        targets = plan_now(plan, look=brief.look)
        marked = sorted(plan.frames.marked, key=lambda one: one.part.role != "reference")
        if (kept := brief.references.get(None)) is not None:
            marked.append(MarkedFrame(FramePart("reference"), str(kept)))
        for one in marked:
            if one.part.role in _UNSEEN:
                continue
            with suppress(StopwiseError, OSError):
                own = self.own(
                    one, folder, targets, look=brief.look, anchor=anchor_of(plan, folder)
                )
                return held(own.light.size)
        return None

    def sought(self, anchor: Path | None, targets: PlanNow, look: str | None) -> Sought | None:
        """Return the sitter whom solos are searched for; None where the anchor can't be read.

        Parameters
        ----------
        anchor
            The frame that he is followed from, see `anchor_of`.
        targets
            What of the plan holds now: the patches that go with him.
        look
            Name of the look that is worn.
        """
        if anchor is None:
            return None
        try:
            light = self.light(anchor, targets, look=look)
        except (StopwiseError, OSError):
            return None  # whoever needs that frame itself says so
        return self._sought.of(light, targets.measured, make=partial(sought_in, light, targets))

    def own(
        self,
        one: MarkedFrame,
        folder: Path,
        targets: PlanNow,
        *,
        look: str | None = None,
        anchor: Path | None = None,
        ambient: LightGrid | None = None,
    ) -> OwnFrame:
        """Return one of the plan's frames; a solo out of two is what one shows over the other.

        Such two hold the `ambient` light both; those of two sizes are refused by WrongUse. All else
        is as in :meth:`read`.
        """
        if one.part.role != "solo":  # figures only where others are held against them
            figures = one.part.role == "ambient"
            return self.read(folder / one.file, targets, look=look, figures=figures)
        frames = [self.read(folder / file, targets, look=look, anchor=anchor) for file in one.files]
        whole, *less = frames
        if not less:
            return whole
        if not less[0].light.fits(whole.light):
            msg = f"{one.words}: the two are of two sizes. Take both with one body."
            raise WrongUse(msg)
        sought = self.sought(anchor, targets, look)

        def made() -> OwnFrame:
            from stopwise.lamps.build_up import difference

            at, before = (frame.place or place_in(frame.light, sought) for frame in frames)
            light = difference(whole.light, less[0].light, ambient, places=(at, before))
            return OwnFrame(light, place=at)

        return self._differences.of(whole.light, less[0].light, ambient, sought, make=made)

    def _usable(
        self, marked: Iterable[MarkedFrame], brief: Brief, frame: Frame | None, targets: PlanNow
    ) -> tuple[dict[FramePart, OwnFrame], list[FrameNote]]:
        """Read the frames that play a part; those that don't fit are left out, each with a note."""
        found: dict[FramePart, OwnFrame] = {}
        notes: list[FrameNote] = []
        needs: dict[Hashable, Need] = {}
        first: LightGrid | None = None
        plan, folder = brief.plan, brief.plan_folder
        if plan is None or folder is None:
            return found, notes
        anchor = anchor_of(plan, folder)
        for one in marked:
            part, path = one.part, folder / one.file
            if part.role in _UNSEEN:
                continue
            files = (file for file in (one.file, one.less) if file is not None)
            gone = next((file for file in files if not (folder / file).exists()), None)
            if gone is not None:
                notes.append(FrameNote(part, Path(gone).name, "frame_missing"))
                continue
            ambient = found.get(FramePart("ambient"))
            dark = None if ambient is None else ambient.light
            try:
                own = self.own(one, folder, targets, look=brief.look, anchor=anchor, ambient=dark)
            except UnreadNeedsError as error:
                needs |= {need.key: need for need in error.needs}
                continue
            except (StopwiseError, OSError) as error:
                notes.append(FrameNote(part, path.name, "frame_unusable", str(error)))
                continue
            misfit = None if frame is None else _misfit(own.light, frame)
            if frame is None and first is not None and not own.light.fits(first):
                misfit = "frame_of_other_size"
            if misfit is not None:
                notes.append(FrameNote(part, path.name, misfit))
                continue
            first = first or own.light
            found[part] = own
        if needs:
            raise UnreadNeedsError(tuple(needs.values()))
        return found, notes

    def _full(
        self,
        reference: Path | None,
        brief: Brief,
        targets: PlanNow,
        solos: Mapping[str, LightGrid],
    ) -> LightGrid | None:
        """Return a frame under all lamps: the newest that is known, else the plan's reference."""
        asks = brief.plan is not None and brief.plan.light(brief.awaited or "") is not None
        named = brief.plan is not None and brief.plan.frames.reference is not None
        path = brief.full or (reference if named else None)
        if not asks or brief.look is not None or path is None:
            return None
        try:
            light = self.light(path, targets, look=brief.look)
        except (StopwiseError, OSError):
            return None
        return light if all(light.fits(solo) for solo in solos.values()) else None

    def _decoded(self, reading: _Reading, sought: Sought | None) -> OwnFrame:
        path, targets = reading.path, reading.targets
        unproven = decode_unproven(path)
        frame, known = unproven.frame, Known(learned=levels_of(unproven.frame, self._learned))
        reduced = reduce(frame, targets, learned=known.learned, tails=True)
        measured = None
        if reading.figures:
            measured = figures_of(frame, reduced, targets, look=reading.look, known=known)
        unproven.proven()
        light = reduced.grid if self._ledger is None else as_kept(reduced.grid)
        place = None if sought is None else sought.place_in(light) or LOST
        if sought is not None and place is not None:
            boxes = place.carried(sought.boxes, light.cells)
            light = replace(light, boxes=reduced.with_boxes(boxes).boxes) if boxes else light
        if self._ledger is not None and not self._ledger.is_read_only:
            try:
                self._ledger.solos.keep(unproven.sha256, reading.variant, to_blob(light))
                keep_picture(self._ledger, unproven.sha256, targets, reduced)
                if measured is not None:
                    keep_figures(self._ledger, unproven.sha256, reading, measured)
            except LedgerError:  # that it can't be kept is no reason to fail
                self._ledger = None
        return OwnFrame(light, measured, place)

    def _from_ledger(self, reading: _Reading, sought: Sought | None) -> OwnFrame | None:
        """Return a frame's light, with its figures where they are needed; None unless kept."""
        from stopwise.ledger.frames import FileChangedError, content_hash

        if self._ledger is None:
            return None
        try:
            sha256 = self.hashes[reading.path] = content_hash(str(reading.path.resolve()))
            blob = self._ledger.solos.get(sha256, reading.variant)
            light = None if blob is None else from_blob(blob)
            figures = kept_figures(self._ledger, sha256, reading) if reading.figures else None
        except (ValueError, OSError, FileChangedError, LedgerError):
            return None  # whoever decodes it says what is wrong with it
        if light is None or (reading.figures and figures is None):
            return None
        return OwnFrame(light, figures, None if sought is None else sought.place_in(light) or LOST)

    def _variant(self, targets: PlanNow, anchor: Path | None) -> str:
        """Return what a reduced frame depends on besides its file: camera and places, no target."""
        plan = targets.plan
        paper = None if plan.backdrop is None else plan.backdrop.boxes
        parts = [f"form {FORM}", f"{plan.camera!r}", f"{paper!r}"]
        parts += sorted(f"{key} {level}" for key, level in self._learned.items())
        parts += [f"{patch.name} {patch.box}" for patch in targets.measured]
        if anchor is not None:
            stat = anchor.stat()
            goes = [f"{patch.material} {patch.follow}" for patch in targets.measured]
            parts.append(f"from {anchor.name} {stat.st_size} {stat.st_mtime_ns}: {goes}")
        return "; ".join(parts)


def _misfit(light: LightGrid, frame: Frame) -> str | None:
    """Return the condition of a frame of another size or camera than the one that is judged."""
    if light.size != frame.size:
        return "frame_of_other_size"
    theirs, ours = light.camera.model, frame.camera.model
    is_other = theirs is not None and ours is not None and theirs != ours
    return "frame_of_other_camera" if is_other else None


def _even(
    solos: Mapping[str, LightGrid], ambient: LightGrid | None, brief: Brief
) -> LightGrid | None:
    """Return the light of all lamps that are meant to be lit, added up from their solos."""
    wanted = [light.name for light in (brief.plan.lights if brief.plan else ())]
    lit = [name for name in wanted if brief.lit is None or name in brief.lit]
    if not lit or brief.is_other_look or not set(lit) <= set(solos):
        return None
    factors = [2.0 ** (brief.said or {}).get(name, 0.0) for name in lit]
    terms = [(solos[name], factor) for name, factor in zip(lit, factors, strict=True)]
    if ambient is not None:
        terms.append((ambient, 1.0 - sum(factors)))
    if not all(grid.fits(terms[0][0]) for grid, _ in terms):
        return None
    return combine(*zip(*terms, strict=True))


def anchor_of(plan: Plan, folder: Path) -> Path | None:
    """Return the frame that the sitter of every solo is followed from.

    The plan's reference, on which its boxes were set; else the first of its solos; None without.

    Parameters
    ----------
    plan, folder
        The plan, and the folder that its file names are relative to.
    """
    named = plan.frames.reference or next((one.file for one in plan.frames.solos), None)
    return None if named is None else folder / named
