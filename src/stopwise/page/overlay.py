"""What is drawn over a picture, and the picture itself, encoded for the page."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.comparison.field import difference_field
from stopwise.report.contours import (
    Contour,
    area_outlines,
    difference_contours,
    stipple,
    zone_contours,
)
from stopwise.report.ruler import clip_zone, mid_grey_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from stopwise.record import Record
    from stopwise.report.drawable import Drawable

_QUALITY = 88
"""Of a JPEG, 1 to 100; common practice for pictures that are looked at and not worked on."""

_GRID = 10_000
"""Coordinates are sent as whole parts of this: half a pixel of the largest screen, 4K."""

TOLERANCE = 0.0006
"""Greatest distance of a line as it is sent from the line itself, as a fraction: 2 pixels of 4K."""

_DOTS = 110
"""Dots in a full row over what is blocked: about 8 pixels apart on a laptop, set by eye."""


def jpeg(image: NDArray[np.uint8]) -> bytes:
    """Return an sRGB picture (h, w, 3) as a JPEG file."""
    from PIL import Image

    target = io.BytesIO()
    Image.fromarray(image).save(target, "JPEG", quality=_QUALITY, subsampling=0)
    return target.getvalue()


@dataclass(frozen=True, slots=True)
class LevelLine:
    """A line of one level, zones or stops; points are x, y in turn, in 1/10 000 of the sides."""

    level: float
    points: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Overlay:
    """What is drawn over a picture, points as in :class:`LevelLine`.

    Attributes
    ----------
    size
        Of the picture, pixels.
    contours
        Where tone passes from one zone to the next.
    blown
        The outlines of each blown area, in the record's order.
    dots
        Over what is blocked.
    """

    size: tuple[int, int]
    contours: tuple[LevelLine, ...]
    blown: tuple[tuple[tuple[int, ...], ...], ...]
    dots: tuple[int, ...]


def overlay(picture: Drawable, record: Record) -> Overlay:
    """Return what is drawn over a picture."""
    areas = record.clipping.areas if record.clipping else ()
    rows, columns = picture.image.shape[:2]
    return Overlay(
        size=(columns, rows),
        contours=_lines(
            zone_contours(picture.luminance, mid_grey=mid_grey_of(record), clip=clip_zone(record))
        ),
        blown=tuple(
            tuple(_whole(spared(line)) for line in area_outlines(picture.clipped, area.box))
            for area in areas
        ),
        dots=_whole(stipple(picture.blocked > 0.5, across=_DOTS)),
    )


def difference_lines(
    before: NDArray[np.floating], after: NDArray[np.floating], *, settings_stops: float = 0.0
) -> tuple[LevelLine, ...]:
    """Return lines of even difference between two pictures of the same shape.

    Parameters
    ----------
    before, after
        Shape (h, w), linear luminance on one scale, anchor = 1.
    settings_stops
        What the camera's settings did between them; it is taken out.

    Returns
    -------
    tuple of LevelLine
        Stops, after less before. Empty where the shapes differ.
    """
    field = difference_field(before, after, settings_stops=settings_stops)
    return () if field is None else _lines(difference_contours(field))


def _lines(contours: Iterable[Contour]) -> tuple[LevelLine, ...]:
    return tuple(LevelLine(one.level, _whole(spared(one.points))) for one in contours)


def spared(line: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a line, float64 (n, 2) of fractions, with no more points than its shape needs."""
    from skimage.measure import approximate_polygon

    kept: NDArray[np.float64] = approximate_polygon(line, TOLERANCE)  # type: ignore[no-untyped-call]
    return kept


def _whole(points: NDArray[np.float64]) -> tuple[int, ...]:
    """Return points (n, 2) of fractions as whole parts of the grid, x and y in turn."""
    return tuple(np.round(points * _GRID).astype(int).ravel().tolist())
