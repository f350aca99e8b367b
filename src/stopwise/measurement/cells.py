"""Cells: the one reading of the mosaic, into histograms by colour and a picture of luminance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from stopwise.balance import multipliers, weights

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from stopwise.balance import Triple
    from stopwise.frame import Frame

LEVELS = 65536
"""Raw levels that 16 bits tell apart."""

_BAND_PHOTOSITES = 400_000
"""Photosites that are read at a time, so that a band stays in the processor's cache."""

Window = tuple[slice, slice]
T = TypeVar("T", bound=np.generic)


@dataclass(frozen=True, eq=False, slots=True)
class Cells:
    """A frame as cells, one repeat of the colour filter array each, as the picture stands upright.

    Attributes
    ----------
    planes
        For each photosite of a cell a uint16 (h, w) view of the mosaic, raw levels.
    plane_colours
        Index into `colours` of each plane.
    colours
        Names of the colours, see `Frame.colours`.
    black, anchor
        Raw levels, one for each colour.
    histograms
        int64 (colours, 65536), photosites of the whole cells at each raw level.
    luminance
        float32 (h, w), Y of each cell, 1 at the anchor, below 0 where noise is.
    multipliers, weights
        Balance of R, G, B, and their weights in Y.
    shares
        What one raw level of each plane adds to Y.
    offsets
        For each plane a float32 (h, w) view of what black adds place by place; empty where black
        is one level a colour.
    """

    planes: tuple[NDArray[np.uint16], ...]
    plane_colours: tuple[int, ...]
    colours: tuple[str, ...]
    black: tuple[float, ...]
    anchor: tuple[float, ...]
    histograms: NDArray[np.int64]
    luminance: NDArray[np.float32]
    multipliers: Triple
    weights: Triple
    shares: tuple[float, ...]
    offsets: tuple[NDArray[np.float32], ...] = ()

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the upright cell picture."""
        rows, columns = self.luminance.shape
        return rows, columns

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the colours with both greens as one: R, G, B, or M."""
        return tuple(dict.fromkeys(channel(colour) for colour in self.colours))

    def planes_of(self, name: str) -> tuple[int, ...]:
        """Return the numbers of the planes that hold channel `name` (G: both greens)."""
        return tuple(
            number
            for number, colour in enumerate(self.plane_colours)
            if channel(self.colours[colour]) == name
        )

    def signal(self, name: str, window: Window | None = None) -> NDArray[np.float32]:
        """Return the balanced signal of a channel, the mean of its photosites in each cell.

        Parameters
        ----------
        name
            R, G (both greens) or B, or M.
        window
            Rows and columns of the cell picture, with any step; None for all of it.

        Returns
        -------
        ndarray
            float32, 1 at the anchor of a neutral.

        Raises
        ------
        ValueError
            If the frame has no such channel.
        """
        numbers = self.planes_of(name)
        if not numbers:
            msg = f"this frame has no channel {name!r}; it has {', '.join(self.channels)}"
            raise ValueError(msg)
        at = window or (slice(None), slice(None))
        gain = _balance_of(name, self.multipliers) / len(numbers)
        return sum_of_signals(self, dict.fromkeys(numbers, gain), at)


def channel(colour: str) -> str:
    """Return the channel that a colour belongs to: G for either green, else the colour."""
    return "G" if colour == "G2" else colour


def sum_of_signals(cells: Cells, gains: dict[int, float], at: Window) -> NDArray[np.float32]:
    """Return the sum over planes of gain times (level - black) / (anchor - black), float32."""
    total: NDArray[np.float32] | None = None
    for number, gain in gains.items():
        colour = cells.plane_colours[number]
        black = cells.black[colour]
        scale = np.float32(gain / (cells.anchor[colour] - black))
        light = cells.planes[number][at].astype(np.float32)
        light -= np.float32(black)
        if cells.offsets:
            light -= cells.offsets[number][at]
        light *= scale
        total = light if total is None else np.add(total, light, out=total)
    if total is None:
        msg = "a sum needs at least one plane"
        raise ValueError(msg)
    return total


def reduce(frame: Frame, *, balance: str | Triple = "daylight") -> Cells:
    """Read the mosaic once.

    Parameters
    ----------
    frame
        The decoded frame.
    balance
        See `multipliers`.

    Returns
    -------
    Cells
        Rows and columns that make no whole cell are left out.

    Raises
    ------
    ValueError
        If the frame holds no whole cell, or a colour's anchor doesn't lie above its black.
    """
    _check(frame)
    balanced = multipliers(frame, balance=balance)
    part = weights(frame.xyz_to_camera, balanced)
    planes = [_every(frame.mosaic, place, frame) for place in _places(frame)]
    colours = tuple(int(frame.pattern[place]) for place in _places(frame))
    offsets = _offsets(frame)
    shares = _shares(frame, colours, balanced, part)
    histograms = np.zeros((len(frame.colours), LEVELS), dtype=np.int64)
    luminance = np.empty(planes[0].shape, dtype=np.float32)
    black = np.float32(
        sum(s * frame.levels.black[colour] for s, colour in zip(shares, colours, strict=True))
    )
    for rows in _bands(luminance.shape, len(planes)):
        _count(histograms, colours, [plane[rows] for plane in planes])
        _add_up(luminance[rows], [plane[rows] for plane in planes], shares)
        for plane, share in zip(offsets, shares, strict=False):
            luminance[rows] -= plane[rows] * np.float32(share)
        luminance[rows] -= black
    return Cells(
        planes=tuple(frame.upright(plane) for plane in planes),
        plane_colours=colours,
        colours=frame.colours,
        black=frame.levels.black,
        anchor=frame.levels.anchor,
        histograms=histograms,
        luminance=np.ascontiguousarray(frame.upright(luminance)),
        multipliers=balanced,
        weights=part,
        shares=shares,
        offsets=tuple(frame.upright(plane) for plane in offsets),
    )


def _shares(
    frame: Frame, colours: tuple[int, ...], balanced: Triple, part: Triple
) -> tuple[float, ...]:
    """Return what one raw level of each plane adds to Y."""
    channels = [channel(frame.colours[colour]) for colour in colours]
    black, anchor = frame.levels.black, frame.levels.anchor
    return tuple(
        _balance_of(name, part)
        * _balance_of(name, balanced)
        / (channels.count(name) * (anchor[colour] - black[colour]))
        for colour, name in zip(colours, channels, strict=True)
    )


def _balance_of(name: str, factors: Triple) -> float:
    """Return the R, G, B factor of a channel; a sensor of one colour counts whole."""
    return factors["RGB".index(name)] if name in "RGB" else 1.0


def _check(frame: Frame) -> None:
    tall, wide = frame.pattern.shape[:2]
    if frame.mosaic.shape[0] < tall or frame.mosaic.shape[1] < wide:
        msg = f"a frame of {frame.mosaic.shape} photosites holds no cell of {tall} x {wide}"
        raise ValueError(msg)
    for name, black, anchor in zip(
        frame.colours, frame.levels.black, frame.levels.anchor, strict=True
    ):
        if not anchor > black:
            msg = f"white of {name} must lie above its black, got {anchor!r} and {black!r}"
            raise ValueError(msg)


def _places(frame: Frame) -> list[tuple[int, ...]]:
    """Return the places of a cell's photosites, colour by colour."""
    return sorted(np.ndindex(frame.pattern.shape), key=lambda place: int(frame.pattern[place]))


def _every(plane: NDArray[T], place: tuple[int, ...], frame: Frame) -> NDArray[T]:
    """Return a view of the photosites at one place of the whole cells, (h, w)."""
    tall, wide = frame.pattern.shape[:2]
    rows, columns = plane.shape[0] // tall, plane.shape[1] // wide
    cut = plane[: rows * tall, : columns * wide]
    grid = cut[place[0] :: tall, place[1] :: wide]
    return grid[..., place[2]] if len(place) > 2 else grid


def _offsets(frame: Frame) -> list[NDArray[np.float32]]:
    if frame.black_offset is None:
        return []
    whole = np.broadcast_to(frame.black_offset, frame.mosaic.shape)
    return [_every(whole, place, frame) for place in _places(frame)]


def _bands(shape: tuple[int, ...], planes: int) -> Iterator[slice]:
    tall = max(1, _BAND_PHOTOSITES // (shape[1] * planes))
    for start in range(0, shape[0], tall):
        yield slice(start, start + tall)


def _count(
    histograms: NDArray[np.int64], colours: tuple[int, ...], planes: list[NDArray[np.uint16]]
) -> None:
    for colour, plane in zip(colours, planes, strict=True):
        counts = np.bincount(plane.ravel())
        histograms[colour, : len(counts)] += counts


def _add_up(
    out: NDArray[np.float32], planes: list[NDArray[np.uint16]], shares: tuple[float, ...]
) -> None:
    """Fill `out` with the sum of share times level over the planes."""
    np.multiply(planes[0], np.float32(shares[0]), out=out, dtype=np.float32)
    light = np.empty_like(out)
    for plane, share in zip(planes[1:], shares[1:], strict=True):
        np.multiply(plane, np.float32(share), out=light, dtype=np.float32)
        out += light
