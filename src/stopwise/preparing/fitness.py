"""Whether a frame that is marked as a lamp's own can be it: its solo, or its white card."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from stopwise.errors import StopwiseError, WrongUse
from stopwise.lamps.build_up import difference, own_light
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.solo_checks import check_solos
from stopwise.lamps.solos import find_places, place_notes, sought_in
from stopwise.lamps.white_card import white_card_of
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan.now import plan_now

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from stopwise.grid import LightGrid
    from stopwise.plan.draft import Draft
    from stopwise.plan.model import FramePart

    Reader = Callable[[Path], LightGrid]


def refuse_misfit(
    frame: Path, part: FramePart, draft: Draft, *, less: Path | None = None
) -> tuple[str, ...]:
    """Refuse a frame that can't be a lamp's solo or its white card.

    Parameters
    ----------
    frame
        The raw file.
    part
        What it is to be; parts that are no lamp's are taken as they are.
    draft
        The plan, whose other frames it is held against as far as they can be read.
    less
        The frame that a solo is taken over; None for a solo of one frame.

    Returns
    -------
    tuple of str
        What is to be said of a solo out of two frames, sentences.

    Raises
    ------
    WrongUse
        If no spot is seen on a white card; if a solo gave more than its lamp gives in the
        reference, a frame under all lamps: then the pack gave it the other heads' energy; or if two
        frames don't show what a lamp alone gives.
    Unreadable, PathMissing
        If it gives no pixels.
    """
    light = _reader(draft)
    if part.role == "white card":
        _refuse_white_card(frame, draft, light)
    elif part.role == "solo" and part.lamp is not None:
        told: tuple[str, ...] = ()
        own = light(frame)
        if less is not None:
            own, told = _over(frame, less, part.lamp, draft, light)
        _refuse_solo(frame, own, part.lamp, draft, light)
        return told
    return ()


def _over(
    frame: Path, less: Path, lamp: str, draft: Draft, light: Reader
) -> tuple[LightGrid, tuple[str, ...]]:
    """Return what a frame shows over the one before, and what is to be said of it."""
    ambient = _named(draft.plan.frames.ambient, draft, light)
    whole, before = light(frame), light(less)
    if not before.fits(whole):
        msg = f"{frame.name} and {less.name} are of two sizes. Take both with one body."
        raise WrongUse(msg)
    full = _named(draft.plan.frames.reference, draft, light)
    sought = sought_in(full or before, plan_now(draft.plan))
    own, notes = own_light(lamp, whole, before, ambient, sought)
    if notes[0].is_refused:
        msg = f"{frame.name} less {less.name}: {notes[0].words}"
        raise WrongUse(msg)
    return own, tuple(note.words for note in notes)


def solo_doubts(frame: Path, draft: Draft) -> tuple[str, ...]:
    """Return what a frame under all lamps shows to be wrong with the plan's solos, sentences.

    Parameters
    ----------
    frame
        The reference.
    draft
        The plan; one without solos has nothing to doubt.
    """
    if not draft.plan.frames.solo:
        return ()
    light = _reader(draft)
    return tuple(_overfed(_solos(draft, light), light(frame), draft, light).values())


def place_doubts(frame: Path, lamp: str, draft: Draft) -> tuple[str, ...]:
    """Return what is to be said of where the sitter stood in a lamp's solo, sentences.

    Parameters
    ----------
    frame
        The solo.
    lamp
        The lamp.
    draft
        The plan; without a reference, or another solo before this one, nothing is said.
    """
    light = _reader(draft)
    solos = {**_solos(draft, light), lamp: light(frame)}
    full = _named(draft.plan.frames.reference, draft, light)
    sought = sought_in(full or next(iter(solos.values())), plan_now(draft.plan))
    places = find_places(solos, sought)
    return tuple(note.words for note in place_notes(solos, places) if note.lamp == lamp)


def _refuse_white_card(frame: Path, draft: Draft, light: Reader) -> None:
    if white_card_of(light(frame), _named(draft.plan.frames.ambient, draft, light)) is None:
        msg = f"{frame.name}: {LampNote('no spot').words}"
        raise WrongUse(msg)


def _refuse_solo(frame: Path, own: LightGrid, lamp: str, draft: Draft, light: Reader) -> None:
    full = _named(draft.plan.frames.reference, draft, light)
    if full is None:
        return
    overfed = _overfed({**_solos(draft, light), lamp: own}, full, draft, light)
    if lamp in overfed:
        msg = f"{frame.name}: {overfed[lamp]} Where {lamp} was turned since, mark a new reference."
        raise WrongUse(msg)


def _solos(draft: Draft, light: Reader) -> dict[str, LightGrid]:
    """Return the light of the solos that can be read."""
    ambient = _named(draft.plan.frames.ambient, draft, light)
    found = {}
    for one in draft.plan.frames.solos:
        solo, less = (_named(file, draft, light) for file in (one.file, one.less))
        if solo is not None and less is not None and less.fits(solo):
            solo = difference(solo, less, ambient)
        if solo is not None and (less is None) == (one.less is None):
            found[str(one.part.lamp)] = solo
    return found


def _overfed(
    solos: Mapping[str, LightGrid], full: LightGrid, draft: Draft, light: Reader
) -> dict[str, str]:
    """Return the lamps that gave more alone than under all lamps, each with what to do."""
    if not solos or any(not solo.fits(full) for solo in solos.values()):
        return {}
    ambient = _named(draft.plan.frames.ambient, draft, light)
    notes = check_solos(solos, ambient, draft.plan, full=full)
    return {note.lamp: note.words for note in notes if note.code == "overfed"}


def _named(name: str | None, draft: Draft, light: Reader) -> LightGrid | None:
    """Return the light of a frame that the plan names; None where it can't be read."""
    if name is None:
        return None
    try:
        return light(draft.file.parent / name)
    except (StopwiseError, OSError):
        return None


def _reader(draft: Draft) -> Reader:
    return partial(PlanFrames().light, targets=plan_now(draft.plan))
