"""Frames that a look keeps: its reference, its adopted frame, whose clothes solos show."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.plan.now import plan_now, stays_with_the_set

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from stopwise.ledger import Ledger
    from stopwise.plan.model import Plan
    from stopwise.record import Record


_REFERENCE = "reference"
_ADOPTED = "adopted frames"
_SOLO_LOOKS = "solo looks"
_FULL = "full set"
_PROVED = "proved solos"
_BUILT = "built up"
_MOST_BUILT = 12
"""Sets of lit lamps that a build-up goes through at most: one a lamp, and some again."""


def reference_of(ledger: Ledger, look: str | None) -> Path | None:
    """Return the frame that a look's patches are followed from, where the plan names none."""
    kept = ledger.settings.get(_setting(look))
    return None if kept is None else Path(kept)


def references_of(ledger: Ledger, plan: Plan | None) -> dict[str | None, Path]:
    """Return the frame that each look is followed from, None for the plan's own patches."""
    looks = (None, *(look.name for look in (() if plan is None else plan.looks)))
    found = {look: reference_of(ledger, look) for look in looks}
    return {look: frame for look, frame in found.items() if frame is not None}


def keep_reference(ledger: Ledger, look: str | None, frame: Path) -> None:
    """Keep a look's first frame on plan."""
    if ledger.settings.get(_setting(look)) is None:
        ledger.settings.set(_setting(look), str(frame))


def keep_adopted(ledger: Ledger, look: str | None, frame: Path) -> None:
    """Keep which frame a look's targets were adopted from; it is also followed from at first."""
    kept = ledger.settings.get(_ADOPTED) or {}
    ledger.settings.set(_ADOPTED, {**kept, look or "": str(frame)})
    keep_reference(ledger, look, frame)


def adopted_frame(ledger: Ledger, look: str | None) -> Path | None:
    """Return the frame that a look's targets were adopted from, or None."""
    kept = (ledger.settings.get(_ADOPTED) or {}).get(look or "")
    return None if kept is None else Path(kept)


def references_now(ledger: Ledger, look: str | None) -> dict[str, str | None]:
    """Return a look's two frames as they are kept, to be put back later."""
    adopted = (ledger.settings.get(_ADOPTED) or {}).get(look or "")
    return {"adopted": adopted, "reference": ledger.settings.get(_setting(look))}


def put_references_back(ledger: Ledger, look: str | None, before: Mapping[str, str | None]) -> None:
    """Keep a look's two frames as :func:`references_now` returned them."""
    kept = {**(ledger.settings.get(_ADOPTED) or {}), look or "": before.get("adopted")}
    ledger.settings.set(_ADOPTED, {name: frame for name, frame in kept.items() if frame})
    ledger.settings.set(_setting(look), before.get("reference"))


def keep_solo(ledger: Ledger, part: str, look: str | None) -> None:
    """Keep in which look a lamp's solo was shot."""
    ledger.settings.set(_SOLO_LOOKS, {**solo_looks(ledger), part: look})


def forget_solo(ledger: Ledger, part: str) -> None:
    """Forget in which look a lamp's solo was shot."""
    looks = solo_looks(ledger)
    looks.pop(part, None)
    ledger.settings.set(_SOLO_LOOKS, looks)


def solo_looks(ledger: Ledger) -> dict[str, str | None]:
    """Return in which look each lamp's solo was shot."""
    return dict(ledger.settings.get(_SOLO_LOOKS) or {})


def solos_are_of(ledger: Ledger, plan: Plan | None, look: str | None) -> bool:
    """Tell whether all solos show the clothes and the sitter of a look."""
    if plan is None:
        return True
    kept = solo_looks(ledger)
    return all(kept.get(lamp) == look for lamp in plan.frames.solo)


def full_frame(ledger: Ledger) -> Path | None:
    """Return the newest frame that shows all lamps lit, or None."""
    kept = ledger.settings.get(_FULL)
    return None if kept is None else Path(kept)


def keep_full(ledger: Ledger, plan: Plan | None, frame: Path) -> None:
    """Keep a frame that shows all lamps lit: the solos so far were held against it."""
    ledger.settings.set(_FULL, str(frame))
    ledger.settings.set(_PROVED, _solos_of(plan))


def keep_built(ledger: Ledger, lit: Collection[str], take: int | None, frame: Path) -> None:
    """Keep the newest frame that these lamps alone light, as they stand in a take."""
    lamps = sorted(lit)
    kept = [one for one in ledger.settings.get(_BUILT) or () if one[0] != lamps]
    ledger.settings.set(_BUILT, [*kept, [lamps, take, str(frame)]][-_MOST_BUILT:])


def built_frame(ledger: Ledger, lit: Collection[str], take: int | None) -> Path | None:
    """Return the newest frame that these lamps alone light; None where something was said since."""
    for lamps, number, frame in ledger.settings.get(_BUILT) or ():
        if lamps == sorted(lit) and number == take:
            return Path(frame)
    return None


def forget_built(ledger: Ledger, lamp: str) -> None:
    """Forget the frames that a lamp lights: it was moved."""
    kept = ledger.settings.get(_BUILT) or ()
    ledger.settings.set(_BUILT, [one for one in kept if lamp not in one[0]])


def unproved_solos(ledger: Ledger, plan: Plan | None) -> tuple[str, ...]:
    """Return the lamps whose solos no frame under all lamps was held against yet."""
    proved = ledger.settings.get(_PROVED) or {}
    return tuple(lamp for lamp, name in _solos_of(plan).items() if proved.get(lamp) != name)


def _solos_of(plan: Plan | None) -> dict[str, str]:
    """Return each lamp's solo as it is told of, by the lamp's name."""
    solos = () if plan is None else plan.frames.solos
    return {str(one.part.lamp): one.words for one in solos}


def read_from(ledger: Ledger, plan: Plan | None, look: str | None) -> str:
    """Return what lamps are read from under a look whose clothes the solos don't show, else ""."""
    if plan is None or not plan.frames.solo or solos_are_of(ledger, plan, look):
        return ""
    measured = plan_now(plan, look=look).measured
    stays = [patch.name for patch in measured if stays_with_the_set(patch)]
    stays += ["paper"] if plan.backdrop is not None else []
    rest = [patch.name for patch in measured if not stays_with_the_set(patch)]
    if not stays:
        return "Nothing of the set is in the plan: lamps can't be read without new solos."
    need = f" {', '.join(rest)} need new solos: say expect." if rest else ""
    return f"Lamps are read from {' and '.join(stays)}.{need}"


def _setting(look: str | None) -> str:
    return _REFERENCE if look is None else f"{_REFERENCE} of {look}"


def target_of(ledger: Ledger, look: str | None, plan: Plan | None = None) -> Record | None:
    """Return the record of the frame that a look is brought level with, None where there is none.

    Parameters
    ----------
    ledger
        Where it is kept.
    look
        The look; None for the plan's own targets.
    plan
        Names the reference of the plan's own targets, where nothing was adopted.
    """
    named = None if plan is None or look is not None else plan.frames.reference
    for frame in (_name(adopted_frame(ledger, look)), named, _name(reference_of(ledger, look))):
        kept = None if frame is None else ledger.frames.by_name(frame)
        if kept is not None and kept.record.verdict != "unreadable":
            return kept.record
    return None


def targets_of(ledger: Ledger, plan: Plan | None = None) -> dict[str | None, Record]:
    """Return each look's frame as it stands at the end of the day; see :func:`target_of`."""
    looks = {kept.record.look for kept in ledger.frames.all()}
    found = {look: target_of(ledger, look, plan) for look in looks}
    return {look: target for look, target in found.items() if target is not None}


def _name(path: Path | None) -> str | None:
    return None if path is None else path.name
