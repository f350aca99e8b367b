"""A shoot as its ledger and its plan keep it: frames, takes and adopted light, gathered."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from stopwise.comparison.changes import KnownSet
from stopwise.comparison.run import runs_by_look
from stopwise.comparison.sides import side_of_frames
from stopwise.comparison.two_sides import compare
from stopwise.errors import PathMissing
from stopwise.shoot.dialling import kept_trials
from stopwise.shoot.look_frames import target_of
from stopwise.shoot.standing import dials_now

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence

    from stopwise.comparison.run import TakeRun
    from stopwise.comparison.two_sides import Comparison
    from stopwise.grid import LightGrid
    from stopwise.ledger import Ledger, Take
    from stopwise.plan.model import Plan
    from stopwise.record import Record
    from stopwise.shoot.dialling import KeptTrial
    from stopwise.shoot.standing import DialNow


@dataclass(frozen=True, eq=False, slots=True)
class AdoptedFrame:
    """The frame that shows a look's light: its record, and its picture where its file is there."""

    record: Record
    picture: LightGrid | None


@dataclass(frozen=True, eq=False, slots=True)
class TakeKept:
    """A take.

    Attributes
    ----------
    take
        As it was begun; None for the frames before the first.
    runs
        How it ran, one for each look.
    change
        What it changed against the take before; None where that can't be told.
    """

    take: Take | None
    runs: tuple[TakeRun, ...]
    change: Comparison | None = None


@dataclass(frozen=True, eq=False, slots=True)
class ShootKept:
    """A shoot, or the part of it that was chosen.

    Attributes
    ----------
    plan
        The plan, with the lamps' powers as they were planned.
    dials
        Where the dial of each lamp stands at the end whose power the plan says.
    records
        The frames, in landing order.
    takes
        The takes that these frames are of, in order.
    adopted
        The frame that shows each look's light, the plan's own look first.
    solos_unusable
        Lamps whose solos the plan names and which can't be used.
    trials
        Light that was tried and is kept by name.
    photographs
        Pictures of the set, JPEG, with what each is called.
    """

    plan: Plan
    dials: Mapping[str, DialNow]
    records: tuple[Record, ...]
    takes: tuple[TakeKept, ...] = ()
    adopted: tuple[AdoptedFrame, ...] = ()
    solos_unusable: frozenset[str] = frozenset()
    trials: tuple[KeptTrial, ...] = ()
    photographs: tuple[tuple[str, bytes], ...] = ()

    @property
    def set_now(self) -> Plan:
        """The plan with each lamp at the power at which it stands at the end."""
        return self.plan.at_powers({name: one.stands for name, one in self.dials.items()})


@dataclass(frozen=True, slots=True)
class Chosen:
    """Which frames are meant; None for all.

    Attributes
    ----------
    take, look
        Of this take, and of this look.
    first, last
        From this frame to that one, in landing order.
    """

    take: int | None = None
    look: str | None = None
    first: str | None = None
    last: str | None = None

    def of(self, ledger: Ledger) -> tuple[Record, ...]:
        """Return the frames of a ledger that are meant, in landing order.

        Raises
        ------
        PathMissing
            If it has no frame of that name, or none that is meant.
        """
        records = [kept.record for kept in ledger.frames.all()]
        begin = 0 if self.first is None else _place(self.first, records, ledger)
        end = len(records) if self.last is None else _place(self.last, records, ledger) + 1
        found = tuple(
            record
            for record in records[begin:end]
            if self.take in (None, record.take) and self.look in (None, record.look)
        )
        if not found:
            msg = f"{ledger.place}: none of its {len(records)} frames is meant. Choose others."
            raise PathMissing(msg)
        return found


def _place(name: str, records: Sequence[Record], ledger: Ledger) -> int:
    """Return where a frame stands among the records."""
    kept = ledger.frames.by_name(name)
    hashes = [record.sha256 for record in records]
    if kept is None or kept.sha256 not in hashes:
        msg = f"{ledger.place} has no frame {name}. Name one as the watch printed it."
        raise PathMissing(msg)
    return hashes.index(kept.sha256)


def gather(
    ledger: Ledger,
    plan: Plan,
    chosen: Chosen,
    *,
    picture_of: Callable[[Record], LightGrid | None],
    solos_unusable: Collection[str] = (),
    photographs: Iterable[tuple[str, bytes]] = (),
) -> ShootKept:
    """Return a shoot, or the part of it that is chosen.

    Parameters
    ----------
    ledger, plan
        Where it is kept, and its plan.
    chosen
        Which frames are meant.
    picture_of
        Reads the picture of a frame that is kept; None where its file is gone.
    solos_unusable, photographs
        As in :class:`~stopwise.handover.gathering.ShootKept`.

    Raises
    ------
    PathMissing
        If no frame is meant.
    """
    records = chosen.of(ledger)
    looks = (None, *(look.name for look in plan.looks)) if chosen.look is None else (chosen.look,)
    targets = (target_of(ledger, look, plan) for look in looks)
    shown = {record.sha256: record for record in targets if record is not None}
    return ShootKept(
        plan=plan,
        dials=dials_now(ledger, plan),
        records=records,
        takes=tuple(_takes(records, {take.number: take for take in ledger.takes.all()}, plan)),
        adopted=tuple(AdoptedFrame(record, picture_of(record)) for record in shown.values()),
        solos_unusable=frozenset(solos_unusable),
        trials=kept_trials(ledger),
        photographs=tuple(photographs),
    )


def _takes(records: Sequence[Record], begun: dict[int, Take], plan: Plan) -> Iterator[TakeKept]:
    """Yield each take with how it ran, and with what it changed against the one before."""
    before: list[Record] = []
    steady = plan.is_steady
    for number in dict.fromkeys(record.take for record in records):
        ours = [record for record in records if record.take == number]
        take = None if number is None else begun.get(number)
        sides = [
            side_of_frames(some, name=name, is_steady=steady)
            for some, name in ((before, "before"), (ours, f"take {number}"))
        ]
        turned = {} if take is None else take.turned
        yield TakeKept(
            take=take,
            runs=runs_by_look(ours, limit=plan.limits.drift, is_steady=steady),
            change=None
            if sides[0] is None or sides[1] is None
            else compare(sides[0], sides[1], known=KnownSet(turned=turned)),
        )
        before = ours
