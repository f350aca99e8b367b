"""A lamp's spot on a white card held at the sitter's face: an ellipse of light with a soft edge."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from stopwise.lamps.fieldcells import coarse
from stopwise.lamps.leastsquares import Terms, fit_values
from stopwise.lamps.solo import lamp_set

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.lamps.reduced import LightPicture
    from stopwise.measurement.measurement import Point

    Floats = NDArray[np.float64]

LOGISTIC = 2.0 * math.log(9.0)
"""Widths of a logistic edge's scale between its 10 and 90 %."""

CELLS_ACROSS = 96
"""Coarse cells along the picture's longer side."""

_REST = 0.11
"""RMS of what an ellipse of light leaves, as a share of its plateau, up to which it is a card.

Of made frames, white cards with a nose through them leave 0.08 at most, lone lamps on a sitter 0.14
and more.
"""

_LARGEST, _SMALLEST = 0.6, 0.02
"""The spot's half width, as a share of the picture's width."""

_SEEN_EDGE = 0.4
"""Share of the spot's edge that must lie inside the picture."""

NO_WHITE_CARD = "no spot with its edge is seen on a plain white card in it. Shoot it again."
"""What is said of a frame that is no white card."""

_BLOWN = 0.01
"""Share of the picture in blocks that clip."""

_FEWEST = 30
_LEAPS = np.array([0.05, 0.05, 0.5, 0.5, 0.5, 0.05, 0.2, 0.3, 0.3])
_PLACES = 6
"""Of the fitted values those that say where the light falls; the rest say how much."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A spot, lengths as fractions of the picture's width.

    Attributes
    ----------
    centre
        Its middle, x and y as fractions of the upright picture.
    width
        Diameter where the light is one stop under its plateau: of a circle of the same area.
    edge
        Distance over which the light falls from 90 to 10 % of the plateau.
    """

    centre: Point
    width: float
    edge: float


@dataclass(frozen=True, slots=True)
class WhiteCard:
    """A spot as a white card shows it.

    Attributes
    ----------
    spot
        Its centre, its width at -1 stop and its edge.
    middle
        The centre again, to the right and down, both in picture widths.
    slant
        What takes a place off the middle to radii: right times the first, plus down times the
        second; down times the third.
    softness
        Scale of the logistic edge, radii.
    aspect
        The picture's height over its width.
    level
        Y of the plateau at its middle.
    """

    spot: Spot
    middle: tuple[float, float]
    slant: tuple[float, float, float]
    softness: float
    aspect: float
    level: float

    @property
    def length(self) -> float:
        """How many times its breadth the spot is long: 1 for a round one."""
        long, short = _axes(self.slant)
        return long / short

    def log_light(self, right: Floats, down: Floats) -> Floats:
        """Return the natural log of the spot's light against its plateau, 0 or below.

        Parameters
        ----------
        right, down
            Places on the white card, both in picture widths from the picture's upper left corner.
        """
        return _log_light(np.array([*self.middle, *self.slant, self.softness]), right, down)


def read_white_card(light: NDArray[np.floating]) -> WhiteCard | None:
    """Read the spot of a lamp from a frame of a white card with this lamp alone.

    Parameters
    ----------
    light
        Shape (rows, columns), the lamp's own Y on blocks of equal height and width.

    Returns
    -------
    WhiteCard or None
        None where the light is no single spot on something plain whose edge can be seen.
    """
    factor = max(1, round(max(light.shape) / CELLS_ACROSS))
    seen = coarse(np.asarray(light, dtype=np.float64), factor)
    level = float(np.percentile(seen, 98.0))
    if level <= 0.0:
        return None
    right, down = places(seen.shape)
    share = (seen / level).ravel()
    start = _start(share, right, down)
    if start is None:
        return None

    def model(values: Floats) -> Floats:
        slope = values[7] * (right - start[0]) + values[8] * (down - start[1])
        plateau: Floats = values[6] + slope
        return np.exp(_log_light(values[:_PLACES], right, down)) * plateau

    anywhere = np.full(len(start), np.inf)
    values = fit_values(model, start, share, Terms(_LEAPS, anywhere, 0.01, rounds=40))
    rest = math.sqrt(float(np.mean(np.square(share - model(values))))) / max(abs(values[6]), 1e-9)
    return _white_card(values, seen.shape[0] / seen.shape[1], level) if rest <= _REST else None


def white_card_of(frame: LightPicture, ambient: LightPicture | None = None) -> WhiteCard | None:
    """Read the spot of a lamp from its white card, ambient light taken off.

    Parameters
    ----------
    frame
        The white card with this lamp alone.
    ambient
        A frame with no lamp firing; None where there is none, or of another grid.

    Returns
    -------
    WhiteCard or None
        None where the white card is blown too: a spot is wider where its plateau is cut off.
    """
    if float(np.mean(frame.clipped > 0.0)) > _BLOWN:
        return None
    if ambient is not None and ambient.mean.shape != frame.mean.shape:
        ambient = None
    return read_white_card(lamp_set({"": frame}, ambient).nets[""].luminance)


def places(shape: tuple[int, ...]) -> tuple[Floats, Floats]:
    """Return how far each cell's middle lies to the right and down, in picture widths, (n,)."""
    down, right = np.indices(shape).reshape(2, -1)
    return (right + 0.5) / shape[1], (down + 0.5) / shape[1]


def _start(share: Floats, right: Floats, down: Floats) -> Floats | None:
    """Return where the fit begins: the ellipse that has the moments of what is brightly lit."""
    lit = share > 0.5
    if np.count_nonzero(lit) < _FEWEST:
        return None
    where = np.stack([right[lit], down[lit]])
    # a uniform ellipse's covariance is a quarter of its half axes squared
    spread = 4.0 * np.cov(where) + 1e-9 * np.eye(2)
    slant = np.linalg.cholesky(np.linalg.inv(spread)).T
    middle = where.mean(axis=1)
    return np.array([*middle, slant[0, 0], slant[0, 1], slant[1, 1], 0.15, 1.0, 0.0, 0.0])


def _white_card(values: Floats, aspect: float, level: float) -> WhiteCard | None:
    middle_x, middle_y, *slant = (float(value) for value in values[:5])
    half, softness = math.sqrt(math.prod(_axes(slant))), abs(float(values[5]))
    if not _SMALLEST <= half <= _LARGEST or _edge_seen(values, aspect) < _SEEN_EDGE:
        return None
    spot = Spot((middle_x, middle_y / aspect), 2.0 * half, LOGISTIC * softness * half)
    return WhiteCard(
        spot,
        (middle_x, middle_y),
        (slant[0], slant[1], slant[2]),
        softness,
        aspect,
        level * float(values[6]),
    )


def _matrix(slant: Sequence[float] | Floats) -> Floats:
    return np.array([[slant[0], slant[1]], [0.0, slant[2]]], dtype=np.float64)


def _axes(slant: Sequence[float]) -> tuple[float, float]:
    """Return the ellipse's half length and half breadth, picture widths."""
    short, long = np.linalg.svd(_matrix(slant), compute_uv=False)
    return 1.0 / float(long), 1.0 / float(short)


def _edge_seen(values: Floats, aspect: float) -> float:
    """Return which share of the ellipse's edge lies inside the picture."""
    round_ = np.linspace(0.0, 2.0 * math.pi, 90, endpoint=False)
    off = np.linalg.solve(_matrix(values[2:5]), np.stack([np.cos(round_), np.sin(round_)]))
    right, down = values[0] + off[0], values[1] + off[1]
    return float(np.mean((right > 0.0) & (right < 1.0) & (down > 0.0) & (down < aspect)))


def _log_light(values: Floats, right: Floats, down: Floats) -> Floats:
    off_x, off_y = right - values[0], down - values[1]
    radii = np.hypot(values[2] * off_x + values[3] * off_y, values[4] * off_y)
    profile: Floats = -np.logaddexp(0.0, (radii - 1.0) / max(abs(float(values[5])), 1e-3))
    return profile
