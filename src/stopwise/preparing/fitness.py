"""Whether a frame that is marked as a lamp's own can be it: its solo, or its white card."""

from __future__ import annotations

from typing import TYPE_CHECKING

from stopwise.errors import StopwiseError, WrongUse
from stopwise.lamps.lamp_notes import LampNote
from stopwise.lamps.solo_checks import check_solos
from stopwise.lamps.white_card import white_card_of
from stopwise.pipeline.plan_frames import OWN
from stopwise.plan.now import plan_now

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from stopwise.grid import LightGrid
    from stopwise.plan.draft import Draft
    from stopwise.plan.places import Path as KeyPath


def refuse_misfit(frame: Path, path: KeyPath, draft: Draft) -> None:
    """Refuse a frame that can't be a lamp's solo or its white card.

    Parameters
    ----------
    frame
        The raw file.
    path
        The key that it would be written under; other parts are taken as they are.
    draft
        The plan, whose other frames it is held against as far as they can be read.

    Raises
    ------
    WrongUse
        If no spot is seen on a white card; or if a solo gave more than its lamp gives in the
        reference, a frame under all lamps: then the pack gave it the other heads' energy.
    Unreadable, PathMissing
        If it gives no pixels.
    """
    if path[1] == "white_card":
        _refuse_white_card(frame, draft)
    elif path[1] == "solo":
        _refuse_solo(frame, str(path[2]), draft)


def solo_doubts(frame: Path, draft: Draft) -> tuple[str, ...]:
    """Return what a frame under all lamps shows to be wrong with the plan's solos, sentences.

    Parameters
    ----------
    frame
        The reference.
    draft
        The plan; one without solos has nothing to doubt.
    """
    full = _light(frame, draft) if draft.plan.frames.solo else None
    return () if full is None else tuple(_overfed(_solos(draft), full, draft).values())


def _refuse_white_card(frame: Path, draft: Draft) -> None:
    if white_card_of(_light(frame, draft), _named(draft.plan.frames.ambient, draft)) is None:
        msg = f"{frame.name}: {LampNote('no spot').words}"
        raise WrongUse(msg)


def _refuse_solo(frame: Path, lamp: str, draft: Draft) -> None:
    full = _named(draft.plan.frames.reference, draft)
    if full is None:
        return
    overfed = _overfed({**_solos(draft), lamp: _light(frame, draft)}, full, draft)
    if lamp in overfed:
        msg = f"{frame.name}: {overfed[lamp]} Where {lamp} was turned since, mark a new reference."
        raise WrongUse(msg)


def _solos(draft: Draft) -> dict[str, LightGrid]:
    """Return the light of the solos that can be read."""
    found = {name: _named(file, draft) for name, file in draft.plan.frames.solo.items()}
    return {name: light for name, light in found.items() if light is not None}


def _overfed(solos: Mapping[str, LightGrid], full: LightGrid, draft: Draft) -> dict[str, str]:
    """Return the lamps that gave more alone than under all lamps, each with what to do."""
    if not solos or any(not solo.fits(full) for solo in solos.values()):
        return {}
    notes = check_solos(solos, _named(draft.plan.frames.ambient, draft), draft.plan, full=full)
    return {note.lamp: note.words for note in notes if note.code == "overfed"}


def _named(name: str | None, draft: Draft) -> LightGrid | None:
    """Return the light of a frame that the plan names; None where it can't be read."""
    if name is None:
        return None
    try:
        return _light(draft.file.parent / name, draft)
    except (StopwiseError, OSError):
        return None


def _light(frame: Path, draft: Draft) -> LightGrid:
    return OWN.light(frame, plan_now(draft.plan))
