"""A lamp's spot on a white card held at the sitter's face: an ellipse of light with a soft edge."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from stopwise.grid import MAD_FACTOR, pooled
from stopwise.lamps.solos import lamp_set

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from stopwise.frame import Point
    from stopwise.grid import LightGrid

    Floats = NDArray[np.float64]

_SOFT = 2.0
"""Scatters at which a residual's weight is one half (Cauchy)."""

_NEIGHBOURS = 25.0
"""Cells that share one error, so that what is usual of a value counts against many cells."""

_FIT_SCALES, _SETTLED = 4, 1e-4
"""How often the scatter is found anew, and the relative change under which a fit has settled."""

_MOST_STEPS = 20
"""Steps of one fit, each with a model for every value's change and one for the step itself."""


@dataclass(frozen=True, eq=False, slots=True)
class Terms:
    """How a few values are fitted.

    Attributes
    ----------
    scales
        float64 (k,), each in its value's own unit (any unit): changes of this size change the
        model alike.
    usual
        float64 (k,), the same units: how far each is from its start as a rule; infinite for
        anywhere.
    scatter
        Residuals smaller than this are noise, in the unit of what was seen.
    """

    scales: Floats
    usual: Floats
    scatter: float


def fit_values(
    model: Callable[[Floats], Floats], start: Floats, seen: Floats, terms: Terms
) -> Floats:
    """Fit values so that a model gives what was seen, cells that fit nothing counting little.

    Parameters
    ----------
    model
        Returns float64 (n,) for values float64 (k,).
    start
        float64 (k,).
    seen
        float64 (n,).
    terms
        How.

    Returns
    -------
    ndarray
        float64 (k,), the least sum of Cauchy's costs of the cells and of squares of what is held
        near the usual. Their scale is the cells' own scatter, found anew four times.
    """
    from scipy.optimize import least_squares

    held = np.isfinite(terms.usual)
    neighbours = np.sqrt(_NEIGHBOURS)
    soft = _SOFT**2 / _NEIGHBOURS

    values = start.astype(np.float64)
    for _ in range(_FIT_SCALES):
        middle = float(np.median(np.abs(seen - model(values))))
        scatter = neighbours * max(MAD_FACTOR * middle, terms.scatter)

        def residuals(at: Floats, scatter: float = scatter) -> Floats:
            off = (seen - model(at)) / scatter
            # their squares are Cauchy's costs, so that plain least squares does
            robust = np.copysign(np.sqrt(soft * np.log1p(np.square(off) / soft)), off)
            return np.append(robust, ((at - start) / terms.usual)[held])

        found = least_squares(
            residuals,
            values,
            method="lm",  # its QR of many cells by a few values takes a fifteenth of an SVD's time
            x_scale=terms.scales,
            ftol=_SETTLED,
            xtol=_SETTLED,
            max_nfev=_MOST_STEPS * (len(values) + 1),
        )
        values = found.x
    return values


CARD_CELLS = 96
"""Coarse cells along the picture's longer side: a spot of 2 % of the width is two cells wide."""

_LOGISTIC = 2.0 * math.log(9.0)
"""Scales of a logistic edge between its 10 and 90 %: ln(0.9 / 0.1) to either side."""

_REST = 0.11
"""RMS of what an ellipse of light leaves, as a share of its plateau, up to which it is a card.

Set on our own renderer: cards with a nose through them leave 0.08 at most, lone lamps on a sitter
0.14 and more.
"""

_LARGEST, _SMALLEST = 0.6, 0.02
"""The spot's half width, as a share of the picture's width."""

_SEEN_EDGE = 0.4
"""Share of the spot's edge that must lie inside the picture."""

_BLOWN = 0.01
"""Share of the picture in blocks that clip, from which a plateau is cut off."""

_FEWEST = 30
"""Cells that must be lit to half the plateau and more."""

_SCALES = np.array([0.05, 0.05, 0.5, 0.5, 0.5, 0.05, 0.2, 0.3, 0.3])
"""What moves a fit alike: middle, picture widths; slant, 1 / width; softness, radii; plateau and
its slopes, shares a width.
"""

_DIMMEST = 0.05
"""Share of its middle that a plateau's slope leaves at least: light never ends in a line."""

_PLACES = 6
"""Of the fitted values those that say where the light falls; the rest say how much."""


@dataclass(frozen=True, slots=True)
class WhiteCard:
    """A spot as a white card shows it.

    Attributes
    ----------
    middle
        Its middle, to the right and down, both in picture widths.
    slant
        What takes a place off the middle to radii: right times the first, plus down times the
        second; down times the third.
    softness
        Scale of the logistic edge, radii.
    aspect
        The picture's height over its width.
    level
        Y of the plateau at its middle, anchor = 1.
    slope
        What the plateau gains to the right and down, shares of its level a picture width: one side
        is nearer to the lamp.
    seen
        float64 (rows, columns), the card's light on coarse cells.
    """

    middle: tuple[float, float]
    slant: tuple[float, float, float]
    softness: float
    aspect: float
    level: float
    slope: tuple[float, float]
    seen: Floats = field(repr=False, compare=False)

    @property
    def axes(self) -> tuple[float, float]:
        """Half length and half breadth of the ellipse, picture widths."""
        matrix = [[self.slant[0], self.slant[1]], [0.0, self.slant[2]]]
        short, long = np.linalg.svd(np.array(matrix), compute_uv=False)
        return 1.0 / float(long), 1.0 / float(short)

    @property
    def centre(self) -> Point:
        """Its middle, x and y as fractions of the upright picture."""
        return self.middle[0], self.middle[1] / self.aspect

    @property
    def width(self) -> float:
        """Diameter at one stop under the plateau, of a circle of its area, picture widths."""
        return 2.0 * math.sqrt(math.prod(self.axes))

    @property
    def edge(self) -> float:
        """Distance over which the light falls from 90 to 10 % of the plateau, picture widths."""
        return _LOGISTIC * self.softness * self.width / 2.0

    @property
    def length(self) -> float:
        """How many times its breadth the spot is long: 1 for a round one."""
        long, short = self.axes
        return long / short

    def log_light(self, right: Floats, down: Floats) -> Floats:
        """Return the natural log of the spot's light against its plateau, float64 (n,), 0 or below.

        Parameters
        ----------
        right, down
            float64 (n,), places on the card, both in picture widths from the picture's upper left
            corner.
        """
        return _log_light(np.array([*self.middle, *self.slant, self.softness]), right, down)

    def light(self, right: Floats, down: Floats, *, slopes: float = 1.0) -> Floats:
        """Return the light as the card shows it, float64, anchor = 1, of the places' shape.

        Places as in `log_light`; `slopes` is the power of the card's own slope that what is lit has
        there.
        """
        from scipy.ndimage import map_coordinates

        off_x, off_y = right - self.middle[0], down - self.middle[1]
        plateau = np.maximum(1.0 + self.slope[0] * off_x + self.slope[1] * off_y, _DIMMEST)
        wide = self.seen.shape[1]
        at = [down * wide - 0.5, right * wide - 0.5]
        seen = map_coordinates(self.seen, at, order=1, mode="nearest")
        lit: Floats = np.maximum(seen, 0.0) * plateau ** (slopes - 1.0)
        return lit

    @property
    def edge_seen(self) -> float:
        """Which share of the ellipse's edge lies inside the picture."""
        around = np.linspace(0.0, 2.0 * math.pi, 90, endpoint=False)
        down = np.sin(around) / self.slant[2]
        right = (np.cos(around) - self.slant[1] * down) / self.slant[0] + self.middle[0]
        down = down + self.middle[1]
        return float(np.mean((right > 0) & (right < 1) & (down > 0) & (down < self.aspect)))


def white_card_of(frame: LightGrid, ambient: LightGrid | None = None) -> WhiteCard | None:
    """Read the spot of a lamp from its frame on a white card, ambient light taken off.

    Parameters
    ----------
    frame
        The card with this lamp alone.
    ambient
        A frame with no lamp firing; None where there is none, or of another grid.

    Returns
    -------
    WhiteCard or None
        None where the card is blown too: a spot is wider where its plateau is cut off.
    """
    if float(np.mean(frame.clipped > 0.0)) > _BLOWN:
        return None
    if ambient is not None and not ambient.fits(frame):
        ambient = None
    return read_white_card(lamp_set({"": frame}, ambient).nets[""].luminance)


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
    seen = pooled(np.asarray(light), max(1, round(max(light.shape) / CARD_CELLS)))
    level = float(np.percentile(seen, 98.0))
    share = seen.ravel() / level if level > 0.0 else np.zeros(seen.size)
    lit = share > 0.5
    if np.count_nonzero(lit) < _FEWEST:
        return None
    right, down = places(seen.shape)
    # it begins with the ellipse of the lit part's moments: a uniform one's covariance is a quarter
    # of its half axes squared
    spread = 4.0 * np.cov(np.stack([right[lit], down[lit]])) + 1e-9 * np.eye(2)
    slant = np.linalg.cholesky(np.linalg.inv(spread)).T
    middle = (float(right[lit].mean()), float(down[lit].mean()))
    start = np.array([*middle, slant[0, 0], slant[0, 1], slant[1, 1], 0.15, 1.0, 0.0, 0.0])

    def model(values: Floats) -> Floats:
        slope = values[7] * (right - middle[0]) + values[8] * (down - middle[1])
        plateau: Floats = values[6] + slope
        return np.exp(_log_light(values[:_PLACES], right, down)) * plateau

    values = fit_values(model, start, share, Terms(_SCALES, np.full(len(start), np.inf), 0.01))
    rest = math.sqrt(float(np.mean(np.square(share - model(values)))))
    if rest > _REST * abs(values[6]):
        return None
    at = [float(value) for value in values]
    plateau = at[6] + at[7] * (at[0] - middle[0]) + at[8] * (at[1] - middle[1])
    card = WhiteCard(
        middle=(at[0], at[1]),
        slant=(at[2], at[3], at[4]),
        softness=abs(at[5]),
        aspect=seen.shape[0] / seen.shape[1],
        level=level * at[6],
        slope=(at[7] / plateau, at[8] / plateau),
        seen=seen.astype(np.float64),
    )
    fits = _SMALLEST <= card.width / 2.0 <= _LARGEST and card.edge_seen >= _SEEN_EDGE
    return card if fits else None


def places(shape: tuple[int, ...]) -> tuple[Floats, Floats]:
    """Return how far each cell's middle lies to the right and down, in picture widths.

    Two float64 (rows * columns,) for a shape of (rows, columns).
    """
    down, right = np.indices(shape).reshape(2, -1)
    return (right + 0.5) / shape[1], (down + 0.5) / shape[1]


def _log_light(values: Floats, right: Floats, down: Floats) -> Floats:
    off_x, off_y = right - values[0], down - values[1]
    radii = np.hypot(values[2] * off_x + values[3] * off_y, values[4] * off_y)
    profile: Floats = -np.logaddexp(0.0, (radii - 1.0) / max(abs(float(values[5])), 1e-3))
    return profile
