"""What a file says of its sensor: which colour each photosite has, levels, balances, matrix.

A DNG's own tags go first, see :mod:`stopwise.raw.dng`; for all others the decoding library speaks.
Matrices and balances are about signals of which each colour's anchor is 1: a neutral's balanced R,
G and B are then equal. Files speak about levels above black on one common scale;
:func:`on_anchors` carries their figures over.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.frame import Masked, NamedLevels
from stopwise.raw.bounds import MOST_FACTOR

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from stopwise.raw.libraw import Decoded, Rectangle

Triple = tuple[float, float, float]

SRGB_TO_XYZ = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
"""Linear sRGB to CIE XYZ under D65, from the primaries of IEC 61966-2-1."""

WHITE_XY = {
    1: (0.3324, 0.3474),
    4: (0.3324, 0.3474),
    9: (0.3324, 0.3474),
    10: (0.3127, 0.3290),
    20: (0.3324, 0.3474),
    21: (0.3127, 0.3290),
    22: (0.2990, 0.3149),
    23: (0.3457, 0.3585),
}
"""Chromaticity of a calibration illuminant by its Exif LightSource code, the daylights and flash.

D50, D55, D65 and D75 as in CIE 015; 'daylight', 'flash' and 'fine weather' are taken as D55,
'cloudy' as D65.
"""

D65 = 21  # Exif LightSource


def white_xyz(illuminant: int) -> NDArray[np.float64]:
    """Return XYZ (3,), Y = 1, of an illuminant by its Exif code; D65 where it isn't daylight."""
    x, y = WHITE_XY.get(illuminant, WHITE_XY[D65])
    return np.array([x / y, 1.0, (1.0 - x - y) / y])


def balance_of_neutral(neutral: ArrayLike) -> Triple | None:
    """Return the multipliers, G = 1, that make a camera's response to a neutral equal."""
    response = np.asarray(neutral, dtype=np.float64)[:3]
    if response.shape != (3,) or not _are_factors(response):
        return None
    red, green, blue = response.tolist()
    return (green / red, 1.0, green / blue)


def balance_of_multipliers(multipliers: Sequence[float]) -> Triple | None:
    """Return R, G, B multipliers with G = 1; None where one is absent (0) or negative."""
    values = np.asarray(multipliers[:3], dtype=np.float64)
    return balance_of_neutral(1.0 / values) if _are_factors(values) else None


def _are_factors(values: NDArray[np.float64]) -> bool:
    return bool(np.all((values >= 1.0 / MOST_FACTOR) & (values <= MOST_FACTOR)))


def matrix_of_decoder(
    rgb_xyz: NDArray[np.float64], color: NDArray[np.float64], daylight: Sequence[float]
) -> NDArray[np.float64] | None:
    """Return XYZ to camera from whichever of the decoder's two matrices is there.

    Parameters
    ----------
    rgb_xyz
        Shape (4, 3), XYZ to camera; all zeros where the decoder has none.
    color
        Shape (3, 4), balanced camera to linear sRGB; all zeros where the decoder has none.
    daylight
        The multipliers by which `color` was balanced.

    Returns
    -------
    ndarray or None
        Shape (3, 3); from `color` it is known up to one common factor.

    Notes
    -----
    The decoder scales the rows of (sRGB to camera) to sum 1, inverts, and keeps the scales as the
    daylight multipliers d: color = (diag(d) M S)^-1, so M = diag(1/d) color^-1 S^-1, with S the
    matrix from sRGB to XYZ.
    """
    if np.any(rgb_xyz[:3]):
        return usable(rgb_xyz[:3])
    balance = balance_of_multipliers(daylight)
    square = usable(color[:, :3])
    if square is None or balance is None:
        return None
    unbalanced = np.linalg.inv(square) / np.array(balance)[:, None]
    return usable(unbalanced @ np.linalg.inv(SRGB_TO_XYZ))


def usable(matrix: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Return a (3, 3) matrix of XYZ; None where it isn't within bounds or can't be inverted."""
    if matrix.shape != (3, 3) or not _are_factors(np.abs(matrix).max()):
        return None
    scale = float(np.abs(matrix).max())
    if abs(float(np.linalg.det(matrix / scale))) < 1e-6:
        return None
    return np.array(matrix, dtype=np.float64)


def on_anchors(
    balance: Triple | None, matrix: NDArray[np.float64] | None, spans: Sequence[float]
) -> tuple[Triple | None, NDArray[np.float64] | None]:
    """Carry a balance and a matrix over to signals of which each colour's anchor is 1.

    Parameters
    ----------
    balance
        Multipliers for levels above black.
    matrix
        (3, 3), XYZ to levels above black.
    spans
        Anchor less black of R, G and B, raw levels.

    Returns
    -------
    tuple
        Both, unchanged where the spans are equal.
    """
    factors = np.asarray(spans[:3], dtype=np.float64) / spans[1]
    if balance is not None:
        red, green, blue = (np.asarray(balance) * factors).tolist()
        balance = (red / green, 1.0, blue / green)
    return balance, None if matrix is None else matrix / factors[:, None]


_RGB = ("R", "G", "B")
_FOUR = ("R", "G", "B", "G2")

_FILLER = (1.0, 1.0, 1.0)
"""The decoder's daylight balance where it knows none."""

_NEAR_BLACK = 0.01
"""Of the range from black to white: farther from black an unnamed margin isn't masked. Our own
choice, just under the 0.011 at which the margin of the one real file at hand repeats picture."""

_FEWEST_MASKED = 64
"""Photosites that can show noise."""

_GUARD = 2
"""Photosites at each edge of an unnamed margin that may hold light."""


class UnknownFiltersError(ValueError):
    """Filters that aren't of red, green and blue; the text is a part of a sentence."""


@dataclass(frozen=True, eq=False, slots=True)
class FilterCell:
    """One repeat of the colour filter array.

    Attributes
    ----------
    pattern
        uint8 indices into `colours`, one a photosite: (rows, columns), or (1, 1, planes) for full
        planes.
    colours
        Their names.
    """

    pattern: NDArray[np.uint8]
    colours: tuple[str, ...]

    def at(self, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> NDArray[np.uint8]:
        """Return uint8 (rows, columns), the index at each place counted from the cell's origin."""
        height, width = self.pattern.shape[:2]
        return self.pattern[np.ix_(rows % height, columns % width)]


@dataclass(frozen=True, eq=False, slots=True)
class Sensor:
    """Filter array and colour of one file, in the terms of :class:`stopwise.frame.Frame`.

    Attributes
    ----------
    cell, levels, bits
        Filters, the levels that the file names, and how many bits its levels have.
    black_offset
        float32, of a shape that is broadcast to the mosaic's, raw levels; None where black is one
        value a colour.
    daylight, as_shot
        Multipliers of R, G, B with G = 1.
    xyz_to_camera
        float64 (3, 3), rows R, G, B: camera response to CIE XYZ.
    """

    cell: FilterCell
    levels: NamedLevels
    black_offset: NDArray[np.float32] | None = None
    daylight: Triple | None = None
    as_shot: Triple | None = None
    xyz_to_camera: NDArray[np.float64] | None = None
    bits: int | None = None


def sensor_by_decoder(decoded: Decoded) -> Sensor:
    """Return what the decoder says, for files that aren't DNG.

    Raises
    ------
    UnknownFiltersError
        If its filters aren't red, green and blue.
    """
    if decoded.pattern is None:
        cell = full_planes(decoded.mosaic.shape[2])
    else:
        cell = _cell_by_decoder(decoded.pattern, decoded.letters)
    colours = len(cell.colours)
    black, per_channel = decoded.black[:colours], (decoded.white_per_channel or ())[:colours]
    if per_channel and all(low < high for low, high in zip(black, per_channel, strict=True)):
        levels = NamedLevels(black, per_channel, "per-channel white", decoded.white)
    else:
        levels = NamedLevels(black, (decoded.white,) * colours, "white", decoded.white)
    matrix = matrix_of_decoder(decoded.rgb_xyz, decoded.color, decoded.daylight)
    daylight = balance_of_multipliers(decoded.daylight)
    if matrix is None and daylight == _FILLER:
        daylight = None
    balances = daylight, balance_of_multipliers(decoded.as_shot)
    return sensor_of(cell, levels, balances, matrix, bits=int(decoded.white).bit_length())


def sensor_of(
    cell: FilterCell,
    levels: NamedLevels,
    balances: tuple[Triple | None, Triple | None],
    matrix: NDArray[np.float64] | None,
    *,
    black_offset: NDArray[np.float32] | None = None,
    bits: int | None = None,
) -> Sensor:
    """Return a sensor, its colour carried over to signals of which each colour's anchor is 1.

    Parameters
    ----------
    cell, levels, black_offset, bits
        As the file names them. One colour has no balance and no matrix.
    balances, matrix
        Daylight and as shot, and XYZ to camera (3, 3), of levels above black on one scale.
    """
    if cell.colours == ("M",):
        return Sensor(cell, levels, black_offset, bits=bits)
    daylight, as_shot = balances
    spans = [high - low for low, high in zip(levels.black, levels.anchor, strict=True)]
    if min(spans) > 0.0:  # else refused later, with the levels named
        daylight, matrix = on_anchors(daylight, matrix, spans)
        as_shot, _ = on_anchors(as_shot, None, spans)
    return Sensor(cell, levels, black_offset, daylight, as_shot, matrix, bits)


# --- filters --------------------------------------------------------------------------------------

MONOCHROME = FilterCell(np.zeros((1, 1), dtype=np.uint8), ("M",))


def full_planes(planes: int) -> FilterCell:
    """Return the cell of a stack of three or four full planes, R, G, B and a second G.

    Raises
    ------
    UnknownFiltersError
        If there are fewer planes or more.
    """
    if planes not in {len(_RGB), len(_FOUR)}:
        msg = f"{planes} full planes"
        raise UnknownFiltersError(msg)
    return FilterCell(np.arange(planes, dtype=np.uint8).reshape(1, 1, planes), _FOUR[:planes])


def cell_by_codes(codes: NDArray[np.uint8]) -> FilterCell:
    """Return the cell of TIFF/EP filter codes (ISO 12234-2: 0 red, 1 green, 2 blue).

    In a 2 x 2 cell with a green in each row, the one in the row of blue becomes the second green.

    Parameters
    ----------
    codes
        uint8 (rows, columns).

    Raises
    ------
    UnknownFiltersError
        If a filter isn't red, green or blue, or one of the three is missing.
    """
    if set(np.unique(codes).tolist()) != {0, 1, 2}:
        msg = f"filters of the codes {sorted(set(np.ravel(codes).tolist()))}"
        raise UnknownFiltersError(msg)
    greens, blues = codes == _RGB.index("G"), codes == _RGB.index("B")
    in_blue_row = np.any(blues, axis=1)[:, None] & greens
    if codes.shape != (2, 2) or np.sum(greens) != 2 or np.sum(in_blue_row) != 1:
        return FilterCell(codes, _RGB)
    return FilterCell(np.where(in_blue_row, _FOUR.index("G2"), codes).astype(np.uint8), _FOUR)


def _cell_by_decoder(pattern: NDArray[np.uint8], letters: str) -> FilterCell:
    """Return the cell of the decoder's own indices, which name the second green 3."""
    if letters == "M":
        return MONOCHROME
    if pattern.size == 0:
        msg = "filters of an unknown repeat"
        raise UnknownFiltersError(msg)
    used = np.unique(pattern).tolist()
    if used not in ([0, 1, 2], [0, 1, 2, 3]) or letters[: len(used)] != "RGBG"[: len(used)]:
        msg = f"filters of the colours {''.join(letters[one : one + 1] for one in used)}"
        raise UnknownFiltersError(msg)
    return FilterCell(pattern, _FOUR[: len(used)])


# --- photosites that no light reaches -------------------------------------------------------------


def masked_of(decoded: Decoded, sensor: Sensor, named: Sequence[Rectangle] = ()) -> Masked | None:
    """Return the masked photosites with their colours, to check black and noise by.

    Parameters
    ----------
    decoded, sensor
        The picture, and its filters and levels; full planes have no masked photosites.
    named
        Areas that the file itself calls masked. Where there are none, margins are taken that lie
        within 1 % of the range round black and carry noise, less two photosites at each edge: many
        files pad them with copies of picture.

    Returns
    -------
    Masked or None
        None where nothing is left.
    """
    if sensor.cell.pattern.ndim != 2:
        return None
    area, guard = decoded.area, 0 if named else _GUARD
    levels, colours = [], []
    for top, left, bottom, right in named or area.margins:
        rows = np.arange(max(top, 0) + guard, min(bottom, area.stored_height) - guard)
        columns = np.arange(max(left, 0) + guard, min(right, area.stored_width) - guard)
        if rows.size and columns.size:
            part = decoded.stored[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
            colour = sensor.cell.at(rows - area.top, columns - area.left)
            if named or _is_dark(part, colour, sensor.levels):
                levels.append(part.ravel())
                colours.append(colour.ravel())
    return Masked(np.concatenate(levels), np.concatenate(colours)) if levels else None


def _is_dark(part: NDArray[np.uint16], colour: NDArray[np.uint8], named: NamedLevels) -> bool:
    if part.size < _FEWEST_MASKED:
        return False
    above = part - np.asarray(named.black, dtype=np.float64)[colour]
    low, middle, high = np.percentile(above, (1.0, 50.0, 99.0)) / (named.white - min(named.black))
    return bool(abs(middle) <= _NEAR_BLACK and -_NEAR_BLACK <= low < high <= _NEAR_BLACK)
