"""What the words of `compare`, `run` and `rebuild` mean: a file, or a frame, take or look kept."""

from __future__ import annotations

from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.comparison.run import typical
from stopwise.comparison.sides import Side, side_of, side_of_frames
from stopwise.errors import PathMissing, WrongUse
from stopwise.ledger import Ledger, default_place
from stopwise.pipeline import Brief, assess_in_bounds
from stopwise.pipeline.plan_frames import PlanFrames
from stopwise.plan.now import plan_now
from stopwise.record import refuse_unreadable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from stopwise.grid import LightGrid
    from stopwise.lamps.solos import LampSet
    from stopwise.ledger import Take
    from stopwise.plan.model import Plan
    from stopwise.record import Record

    Records = Sequence[Record]

PICTURE_EDGE = 1024
"""Blocks along the longer side of a picture that is compared."""


@dataclass(frozen=True, slots=True)
class Basis:
    """The plan that a comparison stands on, where its frames lie, and who reads them."""

    plan: Plan | None = None
    path: Path | None = None
    look: str | None = None
    frames: PlanFrames = field(default_factory=PlanFrames)

    @property
    def brief(self) -> Brief:
        """By what files are read; the paper isn't judged here, so no plate is needed."""
        plan, folder = self.plan, None if self.path is None else self.path.parent
        if plan is not None:
            frames = plan.frames.model_copy(update={"plate": None})
            plan = plan.model_copy(update={"frames": frames})
        return Brief(plan=plan, plan_folder=folder, look=self.look, picture_edge=PICTURE_EDGE)

    @contextmanager
    def reading(self, ledger: Ledger | None) -> Iterator[Basis]:
        """Yield a basis that reads the plan's own frames out of a ledger while the block runs.

        Parameters
        ----------
        ledger
            The one that was named; None for that of the plan's folder, where there is one.
        """
        with ExitStack() as stack:
            place = None if self.path is None else default_place(self.path.parent)
            if ledger is None and place is not None and place.exists():
                ledger = stack.enter_context(Ledger(place, is_read_only=True))
            yield replace(self, frames=PlanFrames(ledger))

    @property
    def is_steady(self) -> bool:
        """Whether all lamps burn all the time."""
        return self.plan is not None and self.plan.is_steady


@dataclass(frozen=True, eq=False, slots=True)
class Found:
    """One side, with a picture where a file gave one.

    Attributes
    ----------
    side
        Its figures.
    picture
        Its picture, or that of the frame that is most like all of a take.
    is_file
        Whether it was measured now, by the plan that was named.
    take
        The take that it is, if it is one.
    """

    side: Side
    picture: LightGrid | None = None
    is_file: bool = False
    take: Take | None = None


def find(name: str, basis: Basis, ledger: Ledger | None) -> Found:
    """Return the side that a name means: a file that is there, else what the ledger keeps.

    A file that the ledger keeps too is only measured again where a plan says by what.

    Raises
    ------
    PathMissing
        If neither a file nor anything in the ledger is called so.
    WrongUse
        If no frame of a take or look counts.
    Unreadable
        If its file gives no pixels that can be trusted.
    """
    path = Path(name)
    kept = None if ledger is None else ledger.frames.by_name(name)
    if path.is_file() and (kept is None or basis.plan is not None):
        return _file(path, basis)
    if ledger is None:
        msg = f"{name} isn't there. Name a file, or give --ledger for frames, takes and looks."
        raise PathMissing(msg)
    if kept is not None:
        return _kept([kept.record], name, basis, ledger)
    if take_called(name, ledger) is not None:
        return find_take(name, basis, ledger)
    records = records_of(ledger, worn=name)
    if records:
        return _kept(records, f"look {name}", basis, ledger)
    msg = (
        f"{name}: no file, and no frame, take or look of that name in {ledger.place}. "
        f"{names_there(ledger)}"
    )
    raise PathMissing(msg)


def find_take(name: str, basis: Basis, ledger: Ledger) -> Found:
    """Return the side that a take is.

    Raises
    ------
    PathMissing
        If there is no such take.
    WrongUse
        If none of its frames counts.
    """
    take = take_called(name, ledger)
    if take is None:
        msg = f"{ledger.place} has no take {name!r}. {names_there(ledger)}"
        raise PathMissing(msg)
    records = records_of(ledger, take=take.number, look=basis.look)
    return _kept(records, title_of(take), basis, ledger, take=take)


def take_called(name: str, ledger: Ledger) -> Take | None:
    """Return the take of a name or number ("4", "take 4", "last"), the later of two alike."""
    said = name.strip().lower().removeprefix("take ").strip()
    takes = ledger.takes.all()
    if said == "last":
        return takes[-1] if takes else None
    named = [take for take in takes if (take.name or "").strip().lower() in (said, name.lower())]
    numbered = [take for take in takes if str(take.number) == said]
    found = [take for take in (*numbered, *named) if take.name or said]
    return found[-1] if found else None


def title_of(take: Take) -> str:
    """Return how a take is spoken of."""
    return f"take {take.number}" + (f" ({take.name})" if take.name else "")


def records_of(
    ledger: Ledger, *, take: int | None = None, look: str | None = None, worn: str | None = None
) -> list[Record]:
    """Return records in landing order: a take's, or those of one look whatever the take.

    Parameters
    ----------
    ledger
        Where they are kept.
    take, look
        The take, and a look of it.
    worn
        A look, of any take; then `take` doesn't count.
    """
    return [
        record
        for kept in ledger.frames.all()
        if (kept.row.get("look") == worn if worn is not None else kept.row.get("take") == take)
        and (look is None or kept.row.get("look") == look)
        for record in (kept.record,)
    ]


def names_there(ledger: Ledger) -> str:
    """Return a sentence that names the takes and looks that a ledger has."""
    takes = ", ".join(title_of(take) for take in ledger.takes.all())
    looks = dict.fromkeys(kept.row.get("look") for kept in ledger.frames.all())
    named = ", ".join(look for look in looks if look)
    return f"It has {takes or 'no takes'}; {f'looks {named}' if named else 'no looks'}."


def _file(path: Path, basis: Basis) -> Found:
    assessment = assess_in_bounds(path, basis.brief, basis.frames)
    refuse_unreadable(assessment.record, path)
    return Found(side_of(assessment.record, name=str(path)), assessment.picture, is_file=True)


def _kept(
    records: Records, name: str, basis: Basis, ledger: Ledger, *, take: Take | None = None
) -> Found:
    if len(records) == 1:
        refuse_unreadable(records[0], Path(name))
        side: Side | None = side_of(records[0])
    else:
        side = side_of_frames(records, name=name, is_steady=basis.is_steady)
    if side is None:
        msg = f"{name}: no frame of it counts. Misfires and the plan's own frames never do."
        raise WrongUse(msg)
    return Found(side, kept_picture(typical(records), ledger), take=take)


def kept_picture(record: Record | None, ledger: Ledger) -> LightGrid | None:
    """Return the picture of a kept frame, None where its file is gone or was changed."""
    kept = None if record is None else ledger.frames.by_hash(str(record.sha256))
    if kept is None:
        return None
    path = ledger.frames.file_of(kept.frame)
    if path is None:
        return None
    return assess_in_bounds(path, Brief(picture_edge=PICTURE_EDGE)).picture


def lamps_of(basis: Basis) -> LampSet | None:
    """Return each lamp's own light from the plan's solos; None without a solo that can be read."""
    if basis.plan is None or basis.path is None:
        return None
    targets = plan_now(basis.plan, look=basis.look)
    return basis.frames.known(basis.brief, None, targets).lamps
