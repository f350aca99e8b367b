"""Finding room for labels: beside what they name, over nothing else, inside the picture."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from stopwise.report.slip.sheet import Area

if TYPE_CHECKING:
    from collections.abc import Iterator


_GAP = 3.0


@dataclass(slots=True)
class Room:
    """A picture's area and what of it is taken.

    Attributes
    ----------
    area
        The whole.
    taken
        Rectangles that no label may lie over.
    """

    area: Area
    taken: list[Area] = field(default_factory=list)

    def label(self, beside: Area, width: float, height: float) -> Area:
        """Take and return a place for a label of that size beside something.

        Right, left, above and below are tried in turn, then the same further away; where all is
        taken, the first place that lies inside serves.
        """
        tried = list(_places(beside, width, height))
        inside = [place for place in tried if self.area.holds(place)]
        free = (place for place in inside if not any(_near(place, area) for area in self.taken))
        chosen = next(free, None) or (inside[0] if inside else _pushed(tried[0], self.area))
        self.taken.append(chosen)
        return chosen


def _near(place: Area, area: Area) -> bool:
    """Tell whether two areas overlap, or lie so near that they read as one."""
    wide = Area(place.left - _GAP, place.top - _GAP, place.right + _GAP, place.bottom + _GAP)
    return wide.meets(area)


def _places(beside: Area, width: float, height: float) -> Iterator[Area]:
    middle = (beside.top + beside.bottom - height) / 2
    centre = (beside.left + beside.right - width) / 2
    for away in (8.0, 30.0, 60.0, 100.0):
        for left, top in (
            (beside.right + away, middle),
            (beside.left - away - width, middle),
            (centre, beside.top - away - height),
            (centre, beside.bottom + away),
            (beside.right + away, beside.top - away - height),
            (beside.right + away, beside.bottom + away),
            (beside.left - away - width, beside.top - away - height),
            (beside.left - away - width, beside.bottom + away),
        ):
            yield Area(left, top, left + width, top + height)


def _pushed(place: Area, area: Area) -> Area:
    """Return a place moved into an area, its top left corner first."""
    left = max(min(place.left, area.right - place.width), area.left)
    top = max(min(place.top, area.bottom - place.height), area.top)
    return Area(left, top, left + place.width, top + place.height)
