"""Two frames held against each other on the page: a table by patch and contours in stops."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from stopwise.comparison.changes import KnownSet, patch_changes
from stopwise.comparison.field import difference_field
from stopwise.comparison.settings import settings_change
from stopwise.comparison.sides import side_of
from stopwise.page.pictures import whole
from stopwise.report.contours import difference_contours
from stopwise.wording import shown, signed

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from stopwise.record import Record


def patch_rows(before: Record, after: Record) -> list[dict[str, Any]]:
    """Return what changed in each patch of the later frame, in stops, camera settings taken out."""
    sides = [side_of(record, name="") for record in (before, after)]
    settings = settings_change(sides[0].exposure, sides[1].exposure)
    changes = patch_changes(sides[0], sides[1], settings, KnownSet())
    zones = [{name: one.zone for name, one in side.patches.items()} for side in sides]
    return [
        {
            "name": shown(name),
            "before": zones[0].get(name),
            "after": zones[1].get(name),
            "stops": changes[name].stops,
            "figure": _figure(changes[name].stops),
        }
        for name in sides[1].patches
    ]


def settings_stops(before: Record, after: Record) -> float:
    """Return what aperture and ISO did between two frames, in stops of light recorded."""
    return settings_change(before.exposure, after.exposure).flash_stops


def _figure(stops: float | None) -> str:
    return "not seen" if stops is None else signed(stops)


def contours(
    before: NDArray[np.floating],
    after: NDArray[np.floating],
    *,
    settings_stops: float = 0.0,
) -> list[dict[str, Any]]:
    """Return lines of even difference between two pictures of the same shape.

    Parameters
    ----------
    before, after
        Shape (h, w), linear luminance on one scale.
    settings_stops
        What the camera's settings did between them; it is taken out.

    Returns
    -------
    list of dict
        `level` in stops, after less before, and `points`, x and y in turn, in 1/10 000 of the
        sides. Empty where the shapes differ.
    """
    field = difference_field(before, after, settings_stops=settings_stops)
    if field is None:
        return []
    return [
        {"level": line.level, "points": whole(line.points)} for line in difference_contours(field)
    ]
