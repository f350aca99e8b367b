"""Which colour each photosite has: one cell of indices, and their names in our order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_RGB = ("R", "G", "B")
_FOUR = ("R", "G", "B", "G2")
_LETTERS = "RGB"


@dataclass(frozen=True, eq=False, slots=True)
class Cell:
    """One repeat of the colour filter array.

    Attributes
    ----------
    pattern
        uint8 indices into `colours`: (rows, columns), or (1, 1, planes) for full planes.
    colours
        Their names.
    """

    pattern: NDArray[np.uint8]
    colours: tuple[str, ...]


MONOCHROME = Cell(np.zeros((1, 1), dtype=np.uint8), ("M",))


def full_planes(planes: int) -> Cell:
    """Return the cell of a stack of three or four full planes, R, G, B and a second G.

    Raises
    ------
    ValueError
        If there are fewer planes or more.
    """
    if planes not in {len(_RGB), len(_FOUR)}:
        msg = f"{planes} full planes"
        raise ValueError(msg)
    colours = _FOUR if planes == len(_FOUR) else _RGB
    return Cell(np.arange(planes, dtype=np.uint8).reshape(1, 1, planes), colours)


def named_by_decoder(pattern: NDArray[np.uint8], letters: str) -> Cell:
    """Return the cell of a decoder's own indices, which name the second green 3.

    Raises
    ------
    ValueError
        If a filter isn't red, green or blue, or their repeat isn't known.
    """
    if letters == "M":
        return MONOCHROME
    if pattern.size == 0:
        msg = "filters of an unknown repeat"
        raise ValueError(msg)
    used = int(pattern.max()) + 1
    if letters[:used] != "RGBG"[:used] or used < len(_RGB):
        msg = f"filters of the colours {letters}"
        raise ValueError(msg)
    return Cell(pattern, _FOUR[:used])


def named_by_codes(codes: NDArray[np.uint8]) -> Cell:
    """Return the cell of TIFF/EP filter codes (ISO 12234-2: 0 red, 1 green, 2 blue).

    In a 2 x 2 cell with two greens, the one in the row of blue becomes the second green.

    Raises
    ------
    ValueError
        If a filter isn't red, green or blue, or one of the three is missing.
    """
    if set(np.unique(codes).tolist()) != {0, 1, 2}:
        msg = f"filters of the codes {sorted(set(np.ravel(codes).tolist()))}"
        raise ValueError(msg)
    pattern = codes.astype(np.uint8)
    if pattern.shape == (2, 2):
        blue_row = int(np.argwhere(pattern == _LETTERS.index("B"))[0, 0])
        greens = pattern[blue_row] == _LETTERS.index("G")
        pattern[blue_row, greens] = len(_RGB)
        return Cell(pattern, _FOUR)
    return Cell(pattern, _RGB)


def rolled(cell: NDArray[np.uint8], rows: int, columns: int) -> NDArray[np.uint8]:
    """Return a cell as seen from an origin `rows` further down and `columns` further right."""
    return np.roll(cell, (-rows, -columns), axis=(0, 1))
