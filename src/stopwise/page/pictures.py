"""Pictures for the page: each is encoded once, in the background, and the last ones are held."""

from __future__ import annotations

import io
import json
import threading
from collections import OrderedDict
from concurrent.futures import Future
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from stopwise.page.newest import NewestFirst
from stopwise.report.contours import (
    MAP_EDGE,
    outlines,
    reduced,
    stipple,
    within_box,
    zone_contours,
)
from stopwise.report.ruler import clip_zone, mid_grey_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from stopwise.record import Record
    from stopwise.report.drawable import Drawable

HELD = 120
"""Pictures that are kept in memory, about a quarter of a megabyte each."""

_QUALITY = 88
_GRID = 10_000
"""Coordinates are sent as whole parts of this."""

_TOLERANCE = 0.0003
_PASSES = 4
_ENOUGH = 3
"""Points of a line of which one can be spared."""

_ROUND = 3
"""Blocks round a blown area in which its outline may run."""

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


@dataclass(frozen=True, slots=True)
class Showing:
    """A picture that is being made.

    Attributes
    ----------
    image
        Its JPEG, there before the rest, since it is looked for first; None where there is none.
    whole
        All of it.
    """

    image: Future[bytes | None]
    whole: Future[Shown | None]


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
        load: Callable[[int, Record], Drawable | None] | None = None,
        *,
        held: int = HELD,
    ) -> None:
        self._load = load
        self._held = held
        self._lock = threading.Lock()
        self._new = NewestFirst("stopwise-pictures")
        self._old = NewestFirst("stopwise-pictures-again")
        self._shown: OrderedDict[int, Showing] = OrderedDict()

    def put(self, number: int, record: Record, make: Callable[[], Drawable]) -> None:
        """Take a picture that need only be rendered; returns at once."""
        self._begin(self._new, number, record, make)

    def get(self, number: int, record: Record) -> Showing:
        """Return a picture that is held, or begin to make it again."""
        with self._lock:
            if number in self._shown:
                self._shown.move_to_end(number)
                return self._shown[number]
        load = self._load
        return self._begin(
            self._old, number, record, lambda: None if load is None else load(number, record)
        )

    def close(self) -> None:
        """Stop encoding."""
        self._new.close()
        self._old.close()

    def _begin(
        self,
        worker: NewestFirst,
        number: int,
        record: Record,
        make: Callable[[], Drawable | None],
    ) -> Showing:
        image: Future[bytes | None] = Future()
        with self._lock:
            whole = worker.submit(lambda: _made(make, record, image))
            whole.add_done_callback(lambda _: image.cancel())
            self._shown[number] = Showing(image, whole)
            while len(self._shown) > self._held:
                self._shown.popitem(last=False)
            return self._shown[number]


def _made(
    make: Callable[[], Drawable | None],
    record: Record,
    image: Future[bytes | None],
) -> Shown | None:
    """Make a picture, and give its JPEG out before what is drawn over it is worked out."""
    try:
        picture = make()
        held = None if picture is None else jpeg(picture.image)
    except Exception as error:
        image.set_exception(error)
        raise
    image.set_result(held)
    return None if picture is None or held is None else encoded(picture, record, image=held)


def encoded(picture: Drawable, record: Record, *, image: bytes) -> Shown:
    """Return a picture's JPEG with what is drawn over it, encoded for the page."""
    return Shown(
        image=image,
        overlay=json.dumps(overlay(picture, record), separators=(",", ":")).encode(),
        luminance=reduced(np.asarray(picture.luminance, float), MAP_EDGE).astype(np.float16),
    )


def jpeg(image: NDArray[np.uint8]) -> bytes:
    """Return an sRGB picture (h, w, 3) as a JPEG file."""
    from PIL import Image

    target = io.BytesIO()
    Image.fromarray(image).save(target, "JPEG", quality=_QUALITY, subsampling=0)
    return target.getvalue()


def overlay(picture: Drawable, record: Record) -> dict[str, Any]:
    """Return what is drawn over a picture; points are x, y in turn, in 1/10 000 of its sides."""
    mid_grey, clip = mid_grey_of(record), clip_zone(record)
    contours = zone_contours(picture.luminance, mid_grey=mid_grey, clip=clip)
    areas = record.clipping.areas if record.clipping else ()
    rows, columns = picture.image.shape[:2]
    return {
        "size": [columns, rows],
        "contours": [{"level": one.level, "points": whole(one.points)} for one in contours],
        "blown": [_blown(picture, area.box) for area in areas],
        "dots": whole(stipple(picture.blocked > 0.5, across=_DOTS), simplify=False),
    }


def _blown(picture: Drawable, box: Sequence[float]) -> list[list[int]]:
    """Return the outlines of one blown area, looked for in its own part of the picture."""
    x0, y0, x1, y1 = box
    rows, columns = picture.clipped.shape
    top, left = max(int(y0 * rows) - _ROUND, 0), max(int(x0 * columns) - _ROUND, 0)
    share = within_box(picture.clipped, (x0, y0, x1, y1))
    part = share[top : int(y1 * rows) + 1 + _ROUND, left : int(x1 * columns) + 1 + _ROUND]
    start = np.array((left / columns, top / rows))
    scale = np.array((part.shape[1] / columns, part.shape[0] / rows))
    lines = [start + line * scale for line in outlines(part)]
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
    kept = sparing(points) if simplify else points
    flat: list[int] = np.round(np.asarray(kept) * _GRID).astype(int).ravel().tolist()
    return flat


def sparing(points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a line, float64 (n, 2), with fewer points, nowhere off by more than 0.0012.

    Every second point goes that lies within 0.0003 of the chord between its neighbours, four times
    over; the ends stay. All points of a pass are weighed at once, which is why it is quick.
    """
    kept = np.asarray(points, float)
    for _ in range(_PASSES):
        if len(kept) < _ENOUGH:
            break
        before, at, after = kept[:-2:2], kept[1:-1:2], kept[2::2]
        before, after = before[: len(at)], after[: len(at)]
        along, off = after - before, at - before
        length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-12)
        away = np.abs(along[:, 0] * off[:, 1] - along[:, 1] * off[:, 0]) / length
        is_between = (off * along).sum(axis=1) >= 0.0
        is_between &= ((after - at) * along).sum(axis=1) >= 0.0
        stays = np.ones(len(kept), bool)
        stays[1 : 1 + 2 * len(at) : 2] = ~(is_between & (away < _TOLERANCE))
        kept = kept[stays]
    return kept
