"""The model's own answers for one frame, worked out from the light before noise.

Written straight from the definitions of the measurements, and on purpose without the package's own
measuring code: tests hold one against the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from scipy import ndimage

from lightmodel.colour import MULTIPLIERS, WEIGHTS
from lightmodel.render import MID_GREY
from lightmodel.scene import Material
from lightmodel.targets import PINPOINT_LARGEST

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from lightmodel.frames import Exposed
    from lightmodel.sensor import Sensor
    from lightmodel.targets import Box, Patch
    from lightmodel.view import View

    Cells = NDArray[np.float32]
    Mask = NDArray[np.bool_]

T = TypeVar("T", bound=np.generic)

_CHANNEL = (0, 1, 2, 1)
"""R, G or B of the four colours of a cell."""


@dataclass(frozen=True, eq=False, slots=True)
class Light:
    """One frame as the sensor could show it without noise, cell by cell, upright.

    Attributes
    ----------
    signals
        For R, G and B the photosites of that colour, (n, rows, columns), at most 1.0 (the white).
    over
        The same for photosites that were clipped, noise and all.
    luminance
        Y, neutral at white = 1.0, (rows, columns).
    paper
        Cells that see nothing but paper.
    """

    signals: tuple[Cells, ...]
    over: tuple[Mask, ...]
    luminance: Cells
    paper: Mask

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of cells."""
        return self.luminance.shape[0], self.luminance.shape[1]

    @property
    def any_clipped(self) -> Mask:
        """Cells with at least one clipped photosite."""
        return np.logical_or.reduce([plane.any(axis=0) for plane in self.over])

    @property
    def all_clipped(self) -> Mask:
        """Cells with every photosite clipped."""
        return np.logical_and.reduce([plane.all(axis=0) for plane in self.over])


def light_of(exposed: Exposed, material: NDArray[np.uint8], sensor: Sensor, view: View) -> Light:
    """Sort one Bayer exposure into cells."""
    due = np.minimum(exposed.due, 1.0)
    signals = tuple(_planes(due, sensor, view, channel) for channel in range(3))
    over = tuple(_planes(exposed.clipped, sensor, view, channel) for channel in range(3))
    shares = [float(WEIGHTS[c] * MULTIPLIERS[c]) for c in range(3)]
    luminance = sum(
        (share * plane.mean(axis=0) for share, plane in zip(shares, signals, strict=True)),
        np.zeros(signals[0].shape[1:], np.float32),
    )
    bare = ndimage.binary_erosion(material == Material.PAPER, iterations=6, border_value=1)
    rows, columns = luminance.shape
    return Light(signals, over, luminance, bare[::2, ::2][:rows, :columns])


def zone(luminance: float) -> float:
    """Return the zone of a luminance: 5 + log2(Y / mid-grey)."""
    return float(5.0 + np.log2(luminance / MID_GREY))


def patch(light: Light, target: Patch, box: Box) -> dict[str, float]:
    """Return what a patch holds: zone, top, headroom, blocked and clipped shares."""
    rows, columns = window(box, light.shape)
    luminance = light.luminance[rows, columns]
    fullest = max(float(np.percentile(plane[:, rows, columns], 99)) for plane in light.signals)
    return {
        "zone": zone(float(np.percentile(luminance, target.allowed.read_at))),
        "top": zone(float(np.percentile(luminance, 99))),
        "headroom": max(float(-np.log2(fullest)), 0.0),
        "blocked": float((luminance < MID_GREY * 2.0**-4).mean()),
        "clipped": float(blown(light)[rows, columns].mean()),
    }


def clipping(light: Light) -> dict[str, object]:
    """Return the true counts of clipped photosites and cells, as fractions, and the headroom."""
    labels, sizes, count = _areas(light)
    small = sizes < PINPOINT_LARGEST * labels.size
    headroom = [max(float(-np.log2(np.percentile(s, 99.9))), 0.0) for s in light.signals]
    return {
        "any": float(light.any_clipped.mean()),
        "all": float(light.all_clipped.mean()),
        "by_colour": _named(float(plane.mean()) for plane in light.over),
        "headroom_stops": _named(headroom),
        "blown_areas": int((~small).sum()),
        "largest_area": float(sizes.max() / labels.size) if count else 0.0,
        "pinpoints": int(small.sum()),
        "pinpoint_fraction": float(sizes[small].sum() / labels.size),
        "blocked": float((light.luminance < MID_GREY * 2.0**-4).mean()),
    }


def blown(light: Light) -> Mask:
    """Return the cells that lie in blown areas, pinpoints left out."""
    labels, sizes, _ = _areas(light)
    large = np.concatenate(([False], sizes >= PINPOINT_LARGEST * labels.size))
    return large[labels]


def largest_outside(light: Light, boxes: tuple[Box, ...]) -> float:
    """Return the share of the largest blown area whose centre lies in none of some boxes."""
    labels, sizes, count = _areas(light)
    rows, columns = labels.shape
    centres = ndimage.center_of_mass(labels > 0, labels, range(1, count + 1))
    outside = [
        size
        for size, (down, right) in zip(sizes, centres, strict=True)
        if not any(_holds(box, (right + 0.5) / columns, (down + 0.5) / rows) for box in boxes)
    ]
    largest = max(outside, default=0.0) / labels.size
    return float(largest) if largest >= PINPOINT_LARGEST else 0.0


def backdrop(light: Light, boxes: tuple[Box, ...]) -> dict[str, float]:
    """Return how the paper lies inside some boxes: zone, left minus right, falloff, the rest."""
    inside = np.zeros(light.shape, np.bool_)
    for box in boxes:
        inside[window(box, light.shape)] = True
    inside &= light.paper & ~light.any_clipped
    stops = np.log2(light.luminance)
    pairs = inside & inside[:, ::-1]
    middle = light.shape[1] // 2
    left, right = stops[:, :middle][pairs[:, :middle]], stops[:, middle:][pairs[:, middle:]]
    surface, residual = _surface(stops, inside)
    return {
        "zone": zone(float(np.median(light.luminance[inside]))),
        "left_right": float(np.median(left) - np.median(right)),
        "falloff": float(np.ptp(surface)),
        "uneven": float(residual.std()),
    }


def window(box: Box, shape: tuple[int, int]) -> tuple[slice, slice]:
    """Return the rows and columns of the cells that a box holds, at least one each."""
    rows, columns = shape
    x0, x1 = round(box[0] * columns), round(box[2] * columns)
    y0, y1 = round(box[1] * rows), round(box[3] * rows)
    return slice(y0, max(y1, y0 + 1)), slice(x0, max(x1, x0 + 1))


def _planes(mosaic: NDArray[T], sensor: Sensor, view: View, channel: int) -> NDArray[T]:
    chosen = [
        mosaic[row::2, column::2]
        for row, colours in enumerate(sensor.pattern)
        for column, colour in enumerate(colours)
        if _CHANNEL[colour] == channel
    ]
    quarters = {6: -1, 8: 1}.get(view.orientation, 0)
    return np.stack([np.rot90(plane, quarters) for plane in chosen])


def _areas(light: Light) -> tuple[NDArray[np.int32], NDArray[np.float64], int]:
    labels, count = ndimage.label(light.any_clipped, structure=np.ones((3, 3)))
    return labels, np.bincount(labels.ravel(), minlength=count + 1)[1:].astype(float), count


def _named(values: Iterable[float]) -> Mapping[str, float]:
    return dict(zip("RGB", values, strict=True))


def _holds(box: Box, x: float, y: float) -> bool:
    return box[0] <= x <= box[2] and box[1] <= y <= box[3]


def _surface(stops: Cells, inside: Mask) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Fit a surface of second order to the cells inside; return it and what it leaves."""
    down, right = np.nonzero(inside)
    y, x = down / inside.shape[0] - 0.5, right / inside.shape[1] - 0.5
    terms = np.stack((np.ones_like(x), x, y, x * x, x * y, y * y), axis=1)
    values = stops[inside].astype(np.float64)
    fitted = terms @ np.linalg.lstsq(terms, values, rcond=None)[0]
    return fitted, values - fitted
