"""Correlate: normalised correlation of the gradient of log luminance, over all shifts at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_FLOOR = 2.0**-9
_STRONG_STOPS = 0.2
_FAINT = 0.02


def tones(luminance: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return log2 of Y plus a floor of 2^-9, so that noise near black makes no gradient, stops."""
    known = np.nan_to_num(luminance, nan=1.0)
    return np.log2(np.maximum(known, 0.0) + np.float32(_FLOOR)).astype(np.float32)


def gradient(stops: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Return the gradient of log luminance, its real part across and its imaginary part down.

    Parameters
    ----------
    stops
        float32 (h, w).

    Returns
    -------
    ndarray
        complex64 (h, w). Its direction is kept and its size g in stops a block is pressed to
        g / (g + 0.2), so that no single hard edge decides and a change of power, which is an
        offset of log luminance, changes nothing.
    """
    down, across = np.gradient(stops)
    field = (across + 1j * down).astype(np.complex64)
    return field / (np.abs(field) + np.float32(_STRONG_STOPS))


@dataclass(frozen=True, eq=False, slots=True)
class Searched:
    """A field that templates are looked for in, with the transforms that every search needs.

    Attributes
    ----------
    field
        complex64 (h, w).
    room
        Rows and columns that the transforms are padded to.
    transform, energy, inside
        Transforms of the field, of its squared size and of ones, over `room`.
    """

    field: NDArray[np.complex64]
    room: tuple[int, int]
    transform: NDArray[np.complex64]
    energy: NDArray[np.complex64]
    inside: NDArray[np.complex64]


def prepare(field: NDArray[np.complex64], template: tuple[int, int]) -> Searched:
    """Make a field ready to be searched for templates of a shape."""
    from scipy.fft import fft2, next_fast_len, rfft2

    room = tuple(next_fast_len(a + b - 1) for a, b in zip(field.shape, template, strict=True))
    energy = (np.abs(field) ** 2).astype(np.float32)
    return Searched(
        field,
        (room[0], room[1]),
        fft2(field, room),
        rfft2(energy, room),
        rfft2(np.ones(field.shape, dtype=np.float32), room),
    )


def correlate(
    searched: Searched,
    template: NDArray[np.complex64],
    weight: NDArray[np.float32],
    *,
    overlap: float,
) -> NDArray[np.float32]:
    """Return the normalised correlation with the template's middle at each place of the field.

    Parameters
    ----------
    searched
        Field (h, w).
    template
        complex64 (a, b), gradients.
    weight
        float32 (a, b), 0 to 1, how much each place of the template counts.
    overlap
        Least share of the template's energy that must lie inside the field.

    Returns
    -------
    ndarray
        float32 (h, w), -1 to 1; 0 where too little of the template lies inside. Its middle is at
        row a // 2, column b // 2. Real part of the weighted inner product over the root of both
        energies, each over the part that lies inside.
    """
    from scipy.fft import fft2, ifft2, irfft2, rfft2

    room = searched.room
    own = (weight * np.abs(template) ** 2).astype(np.float32)
    product = ifft2(searched.transform * np.conj(fft2(weight * template, room))).real
    field = irfft2(searched.energy * np.conj(rfft2(weight, room)), room)
    mine = irfft2(searched.inside * np.conj(rfft2(own, room)), room)
    product, field, mine = (
        _centred(plane, searched, template.shape) for plane in (product, field, mine)
    )
    total = float(own.sum())
    faint = _FAINT**2 * float(weight.sum())
    scores = product / np.sqrt(np.maximum(mine, 1e-9) * np.maximum(field, 0.0) + faint**2 + 1e-12)
    return np.where(mine >= overlap * total, scores, 0.0).astype(np.float32)


def _centred(
    plane: NDArray[np.float32], searched: Searched, template: tuple[int, ...]
) -> NDArray[np.float32]:
    """Shift a circular correlation so that its index is the place of the template's middle."""
    rows, columns = searched.field.shape
    turned = np.roll(plane, (template[0] // 2, template[1] // 2), axis=(0, 1))
    return turned[:rows, :columns]


def peak(
    scores: NDArray[np.float32],
) -> tuple[float, float, float]:
    """Return row, column and height of the greatest score, to a part of a block.

    A parabola through the peak and its neighbours in each direction.
    """
    row, column = np.unravel_index(int(np.argmax(scores)), scores.shape)
    best = float(scores[row, column])
    return (
        row + _vertex(scores[:, column], int(row)),
        column + _vertex(scores[row], int(column)),
        best,
    )


def _vertex(line: NDArray[np.float32], at: int) -> float:
    if not 0 < at < len(line) - 1:
        return 0.0
    before, here, after = (float(value) for value in line[at - 1 : at + 2])
    bend = before - 2.0 * here + after
    return 0.0 if bend >= 0.0 else float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))


def pooled(stops: NDArray[np.float32], step: int) -> NDArray[np.float32]:
    """Return means of `step` by `step` blocks from the first row and column on."""
    rows, columns = (side // step for side in stops.shape)
    cut = stops[: rows * step, : columns * step].reshape(rows, step, columns, step)
    means: NDArray[np.float32] = cut.mean(axis=(1, 3), dtype=np.float32)
    return means
