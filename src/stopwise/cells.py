"""Cells: a frame's mosaic as the picture stands upright, balanced, and read window by window."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, TypeVar

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from stopwise.frame import Frame, Window

Triple = tuple[float, float, float]

BT709_WEIGHTS: Triple = (0.2126, 0.7152, 0.0722)
"""Luminance weights of linear R, G, B where the file has no matrix: ITU-R BT.709-6."""

D65_XYZ: Triple = (0.95047, 1.0, 1.08883)
"""White of CIE standard illuminant D65, 2 degree observer, Y = 1."""

SRGB_OF_XYZ = np.array(
    [
        [3.2406, -1.5372, -0.4986],
        [-0.9689, 1.8758, 0.0415],
        [0.0557, -0.2040, 1.0570],
    ]
)
"""Linear sRGB of CIE XYZ with white D65: IEC 61966-2-1."""

SRGB_WHITE: Triple = (0.9505, 1.0, 1.089)
"""CIE XYZ that `SRGB_OF_XYZ` takes for white: IEC 61966-2-1."""


def multipliers(frame: Frame, *, balance: str | Triple = "daylight") -> Triple:
    """Return what R, G and B are multiplied by so that a neutral has R = G = B.

    Parameters
    ----------
    frame
        The frame; a sensor of one colour has no balance and gives (1, 1, 1).
    balance
        "daylight", "as shot", or three numbers. What the file doesn't hold is replaced: daylight
        by what the matrix makes of CIE D65, then the one by the other, then (1, 1, 1).

    Returns
    -------
    tuple
        Three factors above 0 with G = 1.

    Raises
    ------
    ValueError
        If `balance` is neither of the two words nor three numbers above 0.
    """
    if not isinstance(balance, str):
        return _green_is_one(balance)
    if balance not in {"daylight", "as shot"}:
        msg = f'balance must be "daylight", "as shot" or three numbers, got {balance!r}'
        raise ValueError(msg)
    if "R" not in frame.colours:
        return (1.0, 1.0, 1.0)
    daylight = frame.daylight or _of_d65(frame.xyz_to_camera)
    first, second = frame.as_shot, daylight
    if balance == "daylight":
        first, second = second, first
    return _green_is_one(first or second or (1.0, 1.0, 1.0))


def weights(xyz_to_camera: NDArray[np.float64] | None, balance: Triple) -> Triple:
    """Return the weights of balanced R, G, B in Y.

    Parameters
    ----------
    xyz_to_camera
        (3, 3), rows R, G, B: camera response to CIE XYZ; None where unknown.
    balance
        The factors that R, G and B were multiplied by.

    Returns
    -------
    tuple
        Each at least 0, sum 1: BT.709's where there is no matrix that can be inverted.

    Notes
    -----
    Y = row 2 of inverse(diag(balance) M). On real cameras blue's weight comes out negative; it is
    set to 0, so that noise in blue can't darken a tone and Y never falls as light is added. The
    sum is made 1, so that a neutral's Y is its green signal.
    """
    if xyz_to_camera is None:
        return BT709_WEIGHTS
    try:
        row = np.linalg.inv(np.diag(balance) @ xyz_to_camera)[1]
    except np.linalg.LinAlgError:
        return BT709_WEIGHTS
    row = np.clip(row, 0.0, None)
    if not np.isfinite(row).all() or row.sum() <= 0.0:
        return BT709_WEIGHTS
    red, green, blue = (float(part) for part in row / row.sum())
    return red, green, blue


def srgb_matrix(xyz_to_camera: NDArray[np.float64] | None, balance: Triple) -> NDArray[np.float64]:
    """Return what makes linear sRGB of balanced R, G, B.

    Parameters
    ----------
    xyz_to_camera
        (3, 3), rows R, G, B: camera response to CIE XYZ; None where unknown.
    balance
        The factors that R, G and B were multiplied by.

    Returns
    -------
    ndarray
        float64 (3, 3). The camera's matrix is scaled so that the white of D65 gives R = G = B = 1:
        a neutral stays neutral. With no matrix camera colours are shown as they are.
    """
    if xyz_to_camera is None:
        return np.eye(3)
    balanced = np.asarray(balance)[:, None] * xyz_to_camera
    balanced = balanced / (balanced @ np.asarray(SRGB_WHITE))[:, None]
    return np.asarray(SRGB_OF_XYZ @ np.linalg.inv(balanced))


def _of_d65(xyz_to_camera: NDArray[np.float64] | None) -> Triple | None:
    if xyz_to_camera is None:
        return None
    neutral = xyz_to_camera @ np.array(D65_XYZ)
    if not np.isfinite(neutral).all() or (neutral <= 0.0).any():
        return None
    red, green, blue = (float(1.0 / part) for part in neutral)
    return red, green, blue


def _green_is_one(factors: Triple) -> Triple:
    red, green, blue = factors
    if not all(np.isfinite(part) and part > 0.0 for part in factors):
        msg = f"balance must hold three finite numbers above 0, got {factors!r}"
        raise ValueError(msg)
    return red / green, 1.0, blue / green


T = TypeVar("T", bound=np.generic)

RAW_LEVELS = 65536
"""Raw levels that 16 bits tell apart."""

_BAND_CELLS = 100_000
"""Cells that are read at a time, so that a band stays in the processor's cache."""

_ALL = slice(None)


@dataclass(frozen=True, eq=False)
class Cells:
    """A frame as cells, one repeat of the colour filter array each, as the picture stands upright.

    Only views of the mosaic are held; light is worked out where a window asks for it.

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
    multipliers, weights
        Balance of R, G, B, and their weights in Y.
    frame
        The frame they are of.
    offsets
        For each plane a float32 (h, w) view of what black adds place by place; empty where black
        is one level a colour.
    """

    planes: tuple[NDArray[np.uint16], ...]
    plane_colours: tuple[int, ...]
    colours: tuple[str, ...]
    black: tuple[float, ...]
    anchor: tuple[float, ...]
    multipliers: Triple
    weights: Triple
    frame: Frame
    offsets: tuple[NDArray[np.float32], ...] = ()

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns of the upright cell picture."""
        rows, columns = self.planes[0].shape
        return rows, columns

    @property
    def size(self) -> int:
        """Number of cells."""
        return self.planes[0].size

    @cached_property
    def channels(self) -> tuple[str, ...]:
        """Names of the colours with both greens as one: R, G, B, or M."""
        return tuple(dict.fromkeys(channel(colour) for colour in self.colours))

    @property
    def in_colour(self) -> bool:
        """Whether there are R, G and B."""
        return {"R", "G", "B"} <= set(self.channels)

    @property
    def channel_weights(self) -> tuple[float, ...]:
        """Weight of each channel in Y, summing to 1."""
        return tuple(_of_channel(name, self.weights) for name in self.channels)

    @cached_property
    def shares(self) -> tuple[float, ...]:
        """What one raw level of each plane adds to Y."""
        weight = dict(zip(self.channels, self.channel_weights, strict=True))
        return tuple(
            weight[channel(self.colours[colour])] * scale
            for colour, scale in zip(self.plane_colours, self.scales, strict=True)
        )

    @cached_property
    def histograms(self) -> NDArray[np.int64]:
        """Photosites of the whole cells at each raw level, int64 (colours, 65536)."""
        counts = np.zeros((len(self.colours), RAW_LEVELS), dtype=np.int64)
        for colour, plane in zip(self.plane_colours, self.planes, strict=True):
            in_memory = plane.T if self.is_turned else plane
            for rows in bands(in_memory.shape[0], in_memory.shape[1]):
                # as whole numbers of the machine at once: else copied twice
                found = np.bincount(in_memory[rows].astype(np.intp).ravel())
                counts[colour, : len(found)] += found
        return counts

    def planes_of(self, name: str) -> tuple[int, ...]:
        """Return the numbers of the planes that hold channel `name` (G: both greens)."""
        return tuple(
            number
            for number, colour in enumerate(self.plane_colours)
            if channel(self.colours[colour]) == name
        )

    def colours_of(self, name: str) -> tuple[int, ...]:
        """Return the indices of the colours that channel `name` is made of (G: both greens)."""
        return tuple(n for n, colour in enumerate(self.colours) if channel(colour) == name)

    @cached_property
    def scales(self) -> tuple[float, ...]:
        """What one raw level of each plane adds to the balanced signal of its channel."""
        names = [channel(self.colours[colour]) for colour in self.plane_colours]
        return tuple(
            _of_channel(name, self.multipliers)
            / (names.count(name) * (self.anchor[colour] - self.black[colour]))
            for name, colour in zip(names, self.plane_colours, strict=True)
        )

    def signal(self, name: str, at: Window = (_ALL, _ALL)) -> NDArray[np.float32]:
        """Return the balanced signal of a channel, the mean of its photosites in each cell.

        Parameters
        ----------
        name
            R, G (both greens) or B, or M.
        at
            Rows and columns of the cell picture, with any step.

        Returns
        -------
        ndarray
            float32 (rows, columns), 1 at the anchor of a neutral, below 0 where noise is.

        Raises
        ------
        ValueError
            If the frame has no such channel.
        """
        if name not in self.channels:
            msg = f"this frame has no channel {name!r}; it has {', '.join(self.channels)}"
            raise ValueError(msg)
        light = np.empty(self.planes[0][at].shape, dtype=np.float32)
        self._fill(light, name, at)
        return light

    def signals(self, at: Window = (_ALL, _ALL)) -> NDArray[np.float32]:
        """Return a window's balanced signals, float32 (n_channels, rows, columns), anchor = 1."""
        light = np.empty((len(self.channels), *self.planes[0][at].shape), dtype=np.float32)
        for plane, name in zip(light, self.channels, strict=True):
            self._fill(plane, name, at)
        return light

    def signals_and_fullest(
        self, at: Window = (_ALL, _ALL)
    ) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return `signals`, and the same of each cell's fullest photosite, which clips first.

        Each float32 (n_channels, rows, columns), anchor = 1.
        """
        light = np.empty((len(self.channels), *self.planes[0][at].shape), dtype=np.float32)
        for plane, name in zip(light, self.channels, strict=True):
            self._fill(plane, name, at, join=np.maximum)
        photosites = [[[len(self.planes_of(name))]] for name in self.channels]
        return self.signals(at), light * np.asarray(photosites, dtype=np.float32)

    def _fill(
        self, light: NDArray[np.float32], name: str, at: Window, *, join: np.ufunc = np.add
    ) -> None:
        """Write the photosites of a channel, joined, into an array of the window's shape.

        Each is what it adds to the channel's signal.
        """
        for place, number in enumerate(self.planes_of(name)):
            part = light if place == 0 else np.empty_like(light)
            black = np.float32(self.black[self.plane_colours[number]])
            np.subtract(self.planes[number][at], black, out=part, dtype=np.float32)
            if self.offsets:
                part -= self.offsets[number][at]
            part *= np.float32(self.scales[number])
            if place:
                join(light, part, out=light)

    def luminance(self, at: Window = (_ALL, _ALL)) -> NDArray[np.float32]:
        """Return Y in a window, float32 (rows, columns), 1 at the anchor."""
        return weighted(self.signals(at), self.channel_weights)

    @property
    def is_turned(self) -> bool:
        """Whether the upright picture's columns lie together in memory instead of its rows."""
        down, right = self.planes[0].strides
        return abs(down) < abs(right)

    def across(self) -> Cells:
        """Return the same cells with rows and columns changed over."""
        return replace(
            self,
            planes=tuple(plane.T for plane in self.planes),
            offsets=tuple(plane.T for plane in self.offsets),
        )

    def reaching(self, limits: Sequence[int]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return which cells have a photosite at or above its colour's limit, and which have all.

        Parameters
        ----------
        limits
            Raw levels, one for each colour.

        Returns
        -------
        some, every
            bool (h, w) each.
        """
        frame = self.frame
        tall, wide = frame.pattern.shape[:2]
        rows, columns = frame.mosaic.shape[0] // tall, frame.mosaic.shape[1] // wide
        limit = np.asarray(limits)[frame.pattern]
        some, every = np.zeros((2, rows, columns), dtype=bool)
        for band in bands(rows, columns):
            strip = frame.mosaic[band.start * tall : band.stop * tall, : columns * wide]
            fullest = np.stack([strip[row::tall].max(axis=0) for row in range(tall)])
            hit = fullest.reshape(tall, columns, wide, -1) >= limit.reshape(tall, 1, wide, -1)
            reached = hit.any(axis=(0, 2, 3))
            if not reached.any():
                continue
            found = _ALL if reached.all() else np.flatnonzero(reached)
            is_full = np.array(
                [
                    strip[row::tall, column::wide][(..., *layer)][:, found]
                    >= limit[row, column, *layer]
                    for row, column, *layer in np.ndindex(frame.pattern.shape)
                ]
            )
            some[band, found] = is_full.any(axis=0)
            every[band, found] = is_full.all(axis=0)
        return frame.upright(some), frame.upright(every)

    def ceiling(self, saturation: Sequence[float]) -> tuple[float, ...]:
        """Return the balanced signal at which the first photosite of each channel stops.

        Parameters
        ----------
        saturation
            Raw levels, one for each colour.
        """
        return tuple(
            _of_channel(name, self.multipliers)
            * min(
                (saturation[colour] - self.black[colour])
                / (self.anchor[colour] - self.black[colour])
                for colour in self.colours_of(name)
            )
            for name in self.channels
        )


def cells_of(frame: Frame, *, balance: str | Triple = "daylight") -> Cells:
    """Return a frame as cells.

    Parameters
    ----------
    frame
        The decoded frame.
    balance
        "daylight", "as shot" or three numbers, see `stopwise.cells.multipliers`.

    Returns
    -------
    Cells
        Rows and columns that make no whole cell are left out.

    Raises
    ------
    ValueError
        If the frame holds no whole cell, or a colour's anchor doesn't lie above its black.
    """
    tall, wide = frame.pattern.shape[:2]
    rows, columns = frame.mosaic.shape[0] // tall, frame.mosaic.shape[1] // wide
    if not rows or not columns:
        msg = f"a frame of {frame.mosaic.shape} photosites holds no cell of {tall} x {wide}"
        raise ValueError(msg)
    levels = frame.levels
    for name, black, anchor in zip(frame.colours, levels.black, levels.anchor, strict=True):
        if not anchor > black:
            msg = f"white of {name} must lie above its black, got {anchor!r} and {black!r}"
            raise ValueError(msg)
    places = sorted(np.ndindex(frame.pattern.shape), key=lambda place: int(frame.pattern[place]))

    def views(plane: NDArray[T]) -> tuple[NDArray[T], ...]:
        whole = plane[: rows * tall, : columns * wide]
        return tuple(
            frame.upright(whole[place[0] :: tall, place[1] :: wide][(..., *place[2:])])
            for place in places
        )

    balanced = multipliers(frame, balance=balance)
    offset = frame.black_offset
    return Cells(
        planes=views(frame.mosaic),
        plane_colours=tuple(int(frame.pattern[place]) for place in places),
        colours=frame.colours,
        black=levels.black,
        anchor=levels.anchor,
        multipliers=balanced,
        weights=weights(frame.xyz_to_camera, balanced),
        frame=frame,
        offsets=() if offset is None else views(np.broadcast_to(offset, frame.mosaic.shape)),
    )


def channel(colour: str) -> str:
    """Return the channel that a colour belongs to: G for either green, else the colour."""
    return "G" if colour == "G2" else colour


def _of_channel(name: str, factors: Triple) -> float:
    """Return the R, G, B factor of a channel; a sensor of one colour counts whole."""
    return factors["RGB".index(name)] if name in "RGB" else 1.0


def weighted(light: NDArray[np.float32], shares: Sequence[float]) -> NDArray[np.float32]:
    """Return the weighted sum over the first axis: Y (h, w) of channels (n, h, w), anchor = 1.

    Not by a product of matrices, whose library would wake its threads for each band.
    """
    if len(light) == 1 and shares[0] == 1.0:
        return np.asarray(light[0])
    total: NDArray[np.float32] = light[0] * np.float32(shares[0])
    for plane, share in zip(light[1:], shares[1:], strict=True):
        total += plane * np.float32(share)
    return total


def bands(rows: int, row: int, step: int = 1) -> Iterator[slice]:
    """Yield slices of rows of about a hundred thousand cells, given the cells in `step` rows."""
    tall = max(1, _BAND_CELLS // (row * step))
    for top in range(0, rows, tall):
        yield slice(top, min(top + tall, rows))
