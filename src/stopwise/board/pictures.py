"""Pictures for the page: each is encoded once, in the background, and the last ones are held."""

from __future__ import annotations

import io
import json
import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.board.newest import NewestFirst
from stopwise.report.contours import (
    MAP_EDGE,
    outlines,
    reduced,
    stipple,
    within_box,
    zone_contours,
)
from stopwise.report.ruler import clip_zone
from stopwise.stops import MID_GREY_OF_SATURATION

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from concurrent.futures import Future

    from numpy.typing import NDArray

    from stopwise.report.drawable import Drawable

HELD = 120
"""Pictures that are kept in memory, about a quarter of a megabyte each."""

_QUALITY = 88
_GRID = 10_000
"""Coordinates are sent as whole parts of this."""

_TOLERANCE = 0.0006
_DOTS = 110


@dataclass(frozen=True, eq=False, slots=True)
class Shown:
    """One picture as the page gets it.

    Attributes
    ----------
    image
        JPEG.
    overlay
        JSON: size, contours, outlines of blown areas, dots over blocked parts.
    luminance
        float16 (h, w), reduced, for comparing two frames.
    """

    image: bytes
    overlay: bytes
    luminance: NDArray[np.float16]


class Pictures:
    """Encodes pictures in the background and holds the last of them.

    New ones have a thread to themselves, so that none waits behind an old one that is made again.

    Parameters
    ----------
    load
        Makes a picture again from a frame's number and record, or returns None where its file is
        gone. Called on a thread of its own.
    held
        How many are kept.
    """

    def __init__(
        self,
        load: Callable[[int, Mapping[str, Any]], Drawable | None] | None = None,
        *,
        held: int = HELD,
    ) -> None:
        self._load = load
        self._held = held
        self._lock = threading.Lock()
        self._new = NewestFirst("stopwise-pictures")
        self._old = NewestFirst("stopwise-pictures-again")
        self._shown: OrderedDict[int, Future[Shown | None]] = OrderedDict()

    def put(self, number: int, record: Mapping[str, Any], picture: Drawable) -> None:
        """Take a picture that is there already; returns at once."""
        self._begin(self._new, number, lambda: encoded(picture, record))

    def get(self, number: int, record: Mapping[str, Any]) -> Future[Shown | None]:
        """Return a picture that is held, or begin to make it again."""
        with self._lock:
            if number in self._shown:
                self._shown.move_to_end(number)
                return self._shown[number]
        return self._begin(self._old, number, lambda: self._loaded(number, record))

    def close(self) -> None:
        """Stop encoding."""
        self._new.close()
        self._old.close()

    def _begin(
        self, worker: NewestFirst, number: int, make: Callable[[], Shown | None]
    ) -> Future[Shown | None]:
        with self._lock:
            future = worker.submit(make)
            self._shown[number] = future
            while len(self._shown) > self._held:
                self._shown.popitem(last=False)
        return future

    def _loaded(self, number: int, record: Mapping[str, Any]) -> Shown | None:
        picture = None if self._load is None else self._load(number, record)
        return None if picture is None else encoded(picture, record)


def encoded(picture: Drawable, record: Mapping[str, Any]) -> Shown:
    """Return a picture and what is drawn over it, encoded for the page."""
    return Shown(
        image=jpeg(picture.image),
        overlay=json.dumps(overlay(picture, record), separators=(",", ":")).encode(),
        luminance=reduced(np.asarray(picture.luminance, float), MAP_EDGE).astype(np.float16),
    )


def jpeg(image: NDArray[np.uint8]) -> bytes:
    """Return an sRGB picture (h, w, 3) as a JPEG file."""
    from PIL import Image

    target = io.BytesIO()
    Image.fromarray(image).save(target, "JPEG", quality=_QUALITY, subsampling=0)
    return target.getvalue()


def overlay(picture: Drawable, record: Mapping[str, Any]) -> dict[str, Any]:
    """Return what is drawn over a picture; points are x, y in turn, in 1/10 000 of its sides."""
    mid_grey = (record.get("zones") or {}).get("mid_grey") or MID_GREY_OF_SATURATION
    contours = zone_contours(picture.luminance, mid_grey=mid_grey, clip=clip_zone(record))
    areas = (record.get("clipping") or {}).get("areas") or ()
    rows, columns = picture.image.shape[:2]
    return {
        "size": [columns, rows],
        "contours": [{"level": one.level, "points": whole(one.points)} for one in contours],
        "blown": [_blown(picture, area["box"]) for area in areas],
        "dots": whole(stipple(picture.blocked > 0.5, across=_DOTS), simplify=False),
    }


def _blown(picture: Drawable, box: Iterable[float]) -> list[list[int]]:
    x0, y0, x1, y1 = box
    lines = outlines(within_box(picture.clipped, (x0, y0, x1, y1)))
    corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)])
    return [whole(line) for line in lines or [corners]]


def whole(points: NDArray[np.float64], *, simplify: bool = True) -> list[int]:
    """Return points as whole numbers in one list, those on a line between others left out.

    Parameters
    ----------
    points
        float64 (n, 2), x and y as fractions; they become parts of 10 000.
    simplify
        Whether they are a line, so that some can be spared.
    """
    if simplify and len(points):
        from skimage.measure import approximate_polygon

        points = approximate_polygon(points, _TOLERANCE)  # type: ignore[no-untyped-call]
    flat: list[int] = np.round(np.asarray(points) * _GRID).astype(int).ravel().tolist()
    return flat
