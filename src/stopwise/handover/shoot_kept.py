"""A shoot as its ledger and its plan keep it: what a set sheet and a hand-over are made of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from stopwise.comparison.run import TakeRun
    from stopwise.comparison.two_sides import Comparison
    from stopwise.grid import LightGrid
    from stopwise.ledger import Take
    from stopwise.plan.model import Plan
    from stopwise.record import Record
    from stopwise.shoot.standing import DialNow
    from stopwise.shoot.trials import KeptTrial


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
