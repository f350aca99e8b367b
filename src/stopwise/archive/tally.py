"""What an archive came to: by verdict, camera and day, and how much of it is blown."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from stopwise.conditions import condition
from stopwise.wording import share_text, shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from stopwise.record import Record

BLOWN = (0.0, 0.001, 0.01, 0.05)
"""Shares of a frame in blown areas over which frames are counted."""

_UNTOLD = "not told"


@dataclass(slots=True)
class ArchiveTally:
    """Frames counted, as they come.

    Attributes
    ----------
    verdicts, cameras, days
        Frames by each.
    blown
        Frames whose blown areas take more than each share of :data:`BLOWN`.
    may_be
        Frames in which some may be blown.
    reasons
        Unreadable files by what is wrong with them.
    """

    verdicts: Counter[str] = field(default_factory=Counter)
    cameras: Counter[str] = field(default_factory=Counter)
    days: Counter[str] = field(default_factory=Counter)
    blown: Counter[float] = field(default_factory=Counter)
    may_be: int = 0
    reasons: Counter[str] = field(default_factory=Counter)

    def add(self, record: Record) -> None:
        """Count one frame in."""
        self.verdicts[record.verdict] += 1
        if record.verdict == "unreadable":
            name = record.reason.condition if record.reason else None
            self.reasons[condition(name).short if name else _UNTOLD] += 1
            return
        camera = record.camera
        names = (camera.make, camera.model) if camera else ()
        self.cameras[" ".join(name for name in names if name) or _UNTOLD] += 1
        taken = record.exposure.taken if record.exposure else None
        self.days[taken[:10] if taken else _UNTOLD] += 1
        if record.clipping is None:
            return
        share = sum(area.fraction for area in record.clipping.areas)
        self.blown.update(least for least in BLOWN if share > least)
        self.may_be += record.clipping.may_be is not None

    @property
    def frames(self) -> int:
        """Frames counted."""
        return self.verdicts.total()

    def tables(self) -> Iterator[tuple[str, Mapping[str, int]]]:
        """Yield what is told, each a heading and counts by name, greatest first; days in order."""
        yield "verdict", dict(self.verdicts.most_common())
        yield "camera", {shown(name): count for name, count in self.cameras.most_common()}
        yield "day", dict(sorted(self.days.items()))
        over = {
            f"over {share_text(least)}" if least else "any": self.blown[least] for least in BLOWN
        }
        yield "blown", over | ({"may be": self.may_be} if self.may_be else {})
        yield "unreadable", dict(self.reasons.most_common())
