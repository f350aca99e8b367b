"""Correlate: normalised correlation of the gradient of log luminance, over all shifts at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_FLOOR = 2.0**-9
_STRONG_STOPS = 0.5
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
        g / (g + 0.5), so that no single hard edge decides and a change of power, which is an
        offset of log luminance, changes nothing.
    """
    down, across = np.gradient(stops)
    field = (across + 1j * down).astype(np.complex64)
    return np.asarray(field / (np.abs(field) + np.float32(_STRONG_STOPS)), dtype=np.complex64)


Template = tuple["NDArray[np.complex64]", "NDArray[np.float32]"]
"""Gradients and the weight of each, 0 to 1; both of one shape with odd sides."""


@dataclass(frozen=True, eq=False, slots=True)
class Searched:
    """A part of a field, with the transforms that every template looked for in it needs.

    Attributes
    ----------
    origin
        Row and column of the field at which the first place looked at lies.
    places
        Rows and columns of places that are looked at.
    template
        Rows and columns of the templates, both odd.
    transform, energy
        Transforms of the part and of its squared size.
    inside
        Transform of ones where the part lies inside the field; None where all of it does.
    """

    origin: tuple[int, int]
    places: tuple[int, int]
    template: tuple[int, int]
    transform: NDArray[np.complex64]
    energy: NDArray[np.complex64]
    inside: NDArray[np.complex64] | None


def prepare(
    field: NDArray[np.complex64],
    middle: tuple[int, int],
    reach: tuple[int, int],
    template: tuple[int, int],
) -> Searched:
    """Make the part of a field ready in which a template may lie.

    Parameters
    ----------
    field
        complex64 (h, w), gradients.
    middle
        Row and column where the template's middle is expected.
    reach
        How many rows and columns to either side of that are looked at.
    template
        Rows and columns of the templates, both odd.

    Returns
    -------
    Searched
        2 reach + 1 places a side, whether inside the field or not.
    """
    from scipy.fft import fft2, next_fast_len, rfft2

    places = (2 * reach[0] + 1, 2 * reach[1] + 1)
    origin = (middle[0] - reach[0], middle[1] - reach[1])
    sides = (places[0] + template[0] - 1, places[1] + template[1] - 1)
    part = np.zeros(sides, dtype=np.complex64)
    inside = np.zeros(sides, dtype=np.float32)
    starts = (origin[0] - template[0] // 2, origin[1] - template[1] // 2)
    theirs, ours = _overlap(starts, sides, field.shape)
    part[ours] = field[theirs]
    inside[ours] = 1.0
    # a circular transform as wide as the part wraps only into places that aren't looked at
    room = (next_fast_len(sides[0], real=True), next_fast_len(sides[1], real=True))
    return Searched(
        origin,
        places,
        template,
        fft2(part, room),
        rfft2(np.abs(part) ** 2, room),
        None if inside.all() else rfft2(inside, room),
    )


def _overlap(
    starts: tuple[int, int], sides: tuple[int, ...], field: tuple[int, ...]
) -> tuple[tuple[slice, ...], tuple[slice, ...]]:
    """Return which of a field, and which of a window laid over it, lie over each other."""
    theirs, ours = [], []
    for start, side, cells in zip(starts, sides, field, strict=True):
        low, high = min(max(start, 0), cells), min(max(start + side, 0), cells)
        theirs.append(slice(low, high))
        ours.append(slice(low - start, high - start))
    return tuple(theirs), tuple(ours)


def correlate(searched: Searched, template: Template, *, overlap: float) -> NDArray[np.float32]:
    """Return the normalised correlation with a template's middle at each place looked at.

    Parameters
    ----------
    searched
        Where to look.
    template
        Gradients and weights.
    overlap
        Least share of the template's energy that must lie inside the field.

    Returns
    -------
    ndarray
        float32, `searched.places`, -1 to 1; 0 where too little of the template lies inside. The
        real part of the weighted inner product over the root of both energies, each over the part
        that lies inside.
    """
    from scipy.fft import fft2, ifft2, irfft2, rfft2

    gradients, weights = template
    room = searched.transform.shape
    own = (weights * np.abs(gradients) ** 2).astype(np.float32)
    total = float(own.sum())
    rows, columns = searched.places
    product = ifft2(searched.transform * np.conj(fft2(weights * gradients, room))).real
    theirs = irfft2(searched.energy * np.conj(rfft2(weights, room)), room)[:rows, :columns]
    ours: NDArray[np.float32] | float = total
    if searched.inside is not None:
        ours = irfft2(searched.inside * np.conj(rfft2(own, room)), room)[:rows, :columns]
    faint = _FAINT**2 * float(weights.sum())
    energy = np.sqrt(np.maximum(ours, 0.0) * np.maximum(theirs, 0.0) + faint**2 + 1e-12)
    held = np.asarray(ours) >= overlap * total
    return np.where(held, product[:rows, :columns] / energy, 0.0).astype(np.float32)


def evidence(
    template: Template, field: NDArray[np.complex64], middle: tuple[int, int]
) -> tuple[float, float]:
    """Return how far a template and the field agree at one place, and by how much they can tell.

    Parameters
    ----------
    template
        Gradients and weights, (a, b) with odd sides.
    field
        complex64 (n, m).
    middle
        Row and column of the field that the template's middle lies at.

    Returns
    -------
    agreement, weight
        The weighted mean inner product of the gradients over what lies inside the field, and the
        root of the product of their mean squares: their ratio is the normalised correlation.
        Both 0 where nothing lies inside.
    """
    gradients, weights = template
    starts = (middle[0] - gradients.shape[0] // 2, middle[1] - gradients.shape[1] // 2)
    theirs, ours = _overlap(starts, gradients.shape, field.shape)
    part, own, share = field[theirs], gradients[ours], weights[ours]
    total = float(share.sum())
    if total <= 0.0:
        return 0.0, 0.0
    agreement = float((share * (np.conj(own) * part).real).sum()) / total
    energies = [float((share * np.abs(plane) ** 2).sum()) / total for plane in (own, part)]
    return agreement, float(np.sqrt(energies[0] * energies[1]))


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
