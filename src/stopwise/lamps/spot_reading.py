"""What became of a lamp's spot in a later frame: steady, moved, or the sitter out of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from stopwise.lamps.fieldcells import coarse
from stopwise.lamps.leastsquares import Terms, fit_values
from stopwise.lamps.white_card import CELLS_ACROSS, places

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from stopwise.lamps.fieldcells import Grids, Placed
    from stopwise.lamps.white_card import WhiteCard
    from stopwise.measurement.measurement import Box, Point

    Floats = NDArray[np.float64]

SpotState = Literal["steady", "sitter out of the spot", "spot moved", "not seen"]

LEAST_MOVE = 0.01
"""Fraction of the picture's width from which a spot counts as moved."""

LEAST_LOSS_STOPS = 0.3
"""Stops of the spot's light that the sitter must have lost to be out of it."""

_AT_MARK = 0.01
"""Fraction of the picture's width within which the sitter counts as being at the mark."""

_LEFT_MARK = 0.015
"""The same from which he may have left the spot."""

_AGREE, _AGREE_SHARE = 0.5, 0.75
"""Stops, or share of it, that what he lost may lie off what the spot's edge takes where he is."""

_DARK = -4.0
"""Stops under which dark is dark: other lamps' noise decides how much."""

_FAINT, _LED = 0.02, 0.3
"""Cells count that hold this share of the lamp's brightest, and of what other lamps give there."""

_DIM = 0.1
"""Share of the lamp's brightest cell under which light hardly counts."""

_FEWEST = 30
_SOFT = 0.06
"""Natural log of light that a cell may be off and still fit."""

_STILL = 0.15
"""Misfit up to which nothing has changed: still sitters leave 0.05, a head turned by 5 degrees 0.4.
"""

_BETTER, _FITS = 0.65, 1.5
"""A spot has moved where that leaves this share of the misfit, and no more than so much.

In made frames, moves of a spot left 0.17 to 0.81 of it, turned heads 0.99 and more, and sitters
off the mark whom nobody had found 0.71 and more with a misfit of 2 and more.
"""

_NO_BETTER = 0.95
"""A move that leaves more of the misfit than this explains nothing: the spot is steady."""

_ONE_WAY = 1.3
"""A move is told as up or down, or as sideways, where the other fits worse by this factor."""

_SLANTED = 2.0
"""A spot that is longer than this many times its breadth shows no way: its edges run straight."""

_ROUGH = 0.5
"""Share of a move that it is sure to: a white card is flat, and a sitter is not."""

_USUAL = np.array([3.0, 0.05, 0.05, 0.08, 0.08, 0.4, 0.4])
"""Log output; move right and down; how far the sitter's stuff is off the white card; slopes."""

_LEAPS = np.array([0.5, 0.02, 0.02, 0.02, 0.02, 0.2, 0.2])
_NO, _HARDLY = 1e-4, 1e-3


@dataclass(frozen=True, slots=True)
class Followed:
    """A patch that goes with the sitter and is led by the lamp: its box at the mark, and now."""

    then: Box
    now: Box


@dataclass(frozen=True, slots=True)
class SpotReading:
    """What became of a spot in a later frame.

    Attributes
    ----------
    state
        What changed, if anything did; "not seen" where that can't be told.
    output_stops
        The lamp's output against its solo, the spot's move taken out; None where not seen.
    size
        How far the spot moved, about, fraction of the picture's width; None where it didn't.
    moved
        The same to the right and down as fractions of the picture; None where it didn't, or where
        which way can't be told.
    uncertainty
        Standard uncertainty of both.
    lost_stops
        Light of the lamp on the sitter's patches where he is, against at the mark; below 0 for
        less. None where he is at the mark.
    way_back
        Where the sitter has to go to be in the spot again, to the right and down, as fractions of
        the picture; None where he is in it.
    """

    state: SpotState
    output_stops: float | None = None
    size: float | None = None
    moved: Point | None = None
    uncertainty: float | None = None
    lost_stops: float | None = None
    way_back: Point | None = None

    def to_json(self) -> dict[str, Any]:
        """Return it as the record keeps it."""
        return {
            "state": self.state,
            "output_stops": self.output_stops,
            "size": self.size,
            "moved": None if self.moved is None else list(self.moved),
            "uncertainty": self.uncertainty,
            "lost_stops": self.lost_stops,
            "way_back": None if self.way_back is None else list(self.way_back),
        }


@dataclass(frozen=True, eq=False, slots=True)
class Lit:
    """One lamp in a frame.

    Attributes
    ----------
    stack
        Frame and lamps on blocks.
    index
        Which lamp it is.
    outputs
        float64 (lamps,), what all lamps gave in the frame, linear.
    expected
        What this lamp was meant to give, linear.
    """

    stack: Grids
    index: int
    outputs: Floats
    expected: float = 1.0


def read_spot(
    lit: Lit,
    card: WhiteCard,
    *,
    shift: Placed | None = None,
    followed: Sequence[Followed] = (),
    least_move: float = LEAST_MOVE,
) -> SpotReading:
    """Tell the sitter out of the spot, the lamp's output and the spot's own move apart.

    Parameters
    ----------
    lit
        The lamp in the frame.
    card
        Its spot as a white card at the face shows it.
    shift
        How far the sitter is off the mark; None where nobody knows.
    followed
        Where his patches are that this lamp leads.
    least_move
        Fraction of the picture's width from which a move is told that explains the light; under it
        nothing is seen. 0 where somebody brings a lamp back to its place.

    Returns
    -------
    SpotReading
        Off the mark, a sitter's own move hides that of a spot: then only what he lost is told. It
        is laid to the spot where card and patches agree on more than half of his patches. Where
        nobody knows his place, nothing is seen.
    """
    if shift is None:
        return SpotReading("not seen")
    if math.hypot(shift.dx, card.aspect * shift.dy) > _AT_MARK:
        return _off_the_mark(lit, card, followed)
    cells = _cells(lit)
    return SpotReading("not seen") if cells is None else _at_the_mark(cells, card, least_move)


# --- the sitter off the mark ----------------------------------------------------------------------


def _off_the_mark(lit: Lit, card: WhiteCard, followed: Sequence[Followed]) -> SpotReading:
    told = [one for patch in followed if (one := _patch(lit, card, patch)) is not None]
    if not told:
        return SpotReading("not seen")
    lost, right, down = (median(values) for values in list(zip(*told, strict=True))[1:])
    out = [one for one in told if _is_out(*one[:2])]
    if 2 * len(out) <= len(told) or math.hypot(right, card.aspect * down) < _LEFT_MARK:
        return SpotReading("not seen", lost_stops=lost)
    return SpotReading("sitter out of the spot", lost_stops=lost, way_back=(-right, -down))


def _is_out(due: float, lost: float) -> bool:
    """Tell whether a patch lost what the spot's edge takes from it where it is now, stops."""
    due, lost = max(due, _DARK), max(lost, _DARK)
    agrees = abs(lost - due) <= max(_AGREE, _AGREE_SHARE * abs(due))
    return agrees and max(due, lost) <= -LEAST_LOSS_STOPS


def _patch(lit: Lit, card: WhiteCard, patch: Followed) -> tuple[float, float, float, float] | None:
    """Return the stops that the spot's edge takes from a patch, those that it lost, its move.

    None where the patch was at the spot's edge at the mark already, or can't be read.
    """
    (right, down), (right_now, down_now) = _middle(patch.then), _middle(patch.now)
    across = np.array([right, right_now])
    mark, here = card.log_light(across, card.aspect * np.array([down, down_now]))
    lamps = np.array([_mean(plane, patch.then) for plane in lit.stack.lamps])
    own = float(lamps[lit.index])
    others = float(lit.outputs @ lamps - lit.outputs[lit.index] * own)
    whole = min(_mean(lit.stack.good.astype(np.float64), box) for box in (patch.then, patch.now))
    if mark < math.log(0.5) or whole < 1.0 or own <= _LED * others:
        return None
    got = (_mean(lit.stack.seen, patch.now) - others) / (lit.expected * own)
    due = float(here - mark) / math.log(2.0)
    return due, math.log2(max(got, 1e-3)), right_now - right, down_now - down


def _middle(box: Box) -> tuple[float, float]:
    return (box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0


def _mean(plane: Floats, box: Box) -> float:
    """Return the mean of a box's blocks, one at least."""
    rows, columns = plane.shape
    left, top = min(int(box[0] * columns), columns - 1), min(int(box[1] * rows), rows - 1)
    right, bottom = max(left + 1, round(box[2] * columns)), max(top + 1, round(box[3] * rows))
    return float(np.mean(plane[top:bottom, left:right]))


# --- the sitter at the mark -----------------------------------------------------------------------


@dataclass(frozen=True, eq=False, slots=True)
class _Cells:
    """Cells that the lamp leads: places in picture widths, its light in the frame and its solo."""

    right: Floats
    down: Floats
    seen: Floats
    own: Floats
    brightest: float

    def squeezed(self, light: Floats) -> Floats:
        """Return the log of light over the solo's, near 0 where both are dim."""
        dim = _DIM * self.brightest
        log: Floats = np.log((np.maximum(light, 0.0) + dim) / (self.own + dim))
        return log


def _cells(lit: Lit) -> _Cells | None:
    stack = lit.stack
    factor = max(1, round(max(stack.seen.shape) / CELLS_ACROSS))
    lamps, seen = coarse(stack.lamps, factor), coarse(stack.seen, factor)
    own = lamps[lit.index]
    others = np.tensordot(lit.outputs, lamps, axes=1) - lit.outputs[lit.index] * own
    good = coarse(stack.good.astype(np.float64), factor) > 0.98
    use = good & (own > _FAINT * own.max()) & (own > _LED * others)
    if np.count_nonzero(use) < _FEWEST:
        return None
    right, down = (place[use.ravel()] for place in places(own.shape))
    return _Cells(right, down, (seen - others)[use], own[use], float(own.max()))


@dataclass(frozen=True, eq=False, slots=True)
class _Fitted:
    """Values as fitted, and the misfit that they leave."""

    values: Floats
    misfit: float

    @property
    def right(self) -> float:
        """How far the spot moved to the right, picture widths."""
        return float(self.values[1])

    @property
    def down(self) -> float:
        """How far it moved down, picture widths."""
        return float(self.values[2])

    def one_way(self, aspect: float) -> Point:
        """Return the greater part of the move, fractions of the picture."""
        if abs(self.right) > abs(self.down):
            return self.right, 0.0
        return 0.0, self.down / aspect

    @property
    def size(self) -> float:
        """How far it moved, picture widths."""
        return math.hypot(self.right, self.down)


def _at_the_mark(cells: _Cells, card: WhiteCard, least_move: float) -> SpotReading:
    still = _fit(cells, card, right=False, down=False)
    if still.misfit <= _STILL:
        return SpotReading("steady", _stops(still))
    free = _fit(cells, card, right=True, down=True)
    if free.size < LEAST_MOVE and free.misfit > _NO_BETTER * still.misfit:
        return SpotReading("steady", _stops(free))
    if free.size < least_move or free.misfit > min(_FITS, _BETTER * still.misfit):
        return SpotReading("not seen")
    told = _one_way(cells, card, free)
    size = free.size if told is None else told.size
    moved = None if told is None else told.one_way(card.aspect)
    return SpotReading("spot moved", _stops(free), size, moved, _ROUGH * size)


def _one_way(cells: _Cells, card: WhiteCard, free: _Fitted) -> _Fitted | None:
    """Return the move where it is clearly up or down, or clearly sideways; None where it isn't.

    Of an edge that runs slantwise through the picture, only the move across it can be seen.
    """
    if card.length > _SLANTED:
        return None
    upright = _fit(cells, card, right=False, down=True)
    level = _fit(cells, card, right=True, down=False)
    best, other = (upright, level) if upright.misfit < level.misfit else (level, upright)
    if best.misfit > _ONE_WAY * free.misfit or other.misfit < _ONE_WAY * best.misfit:
        return None
    return best


def _fit(cells: _Cells, card: WhiteCard, *, right: bool, down: bool) -> _Fitted:
    """Fit log output, the spot's move, how far stuff is off the white card, and a slope of light.

    Stuff that lay under the white card's place p is lit as p less the move. The slope stands for
    what a turned body does besides.
    """
    off_x, off_y = (
        place - middle for place, middle in zip((cells.right, cells.down), card.middle, strict=True)
    )

    def model(values: Floats) -> Floats:
        x, y = cells.right - values[3], cells.down - values[4]
        changed = card.log_light(x - values[1], y - values[2]) - card.log_light(x, y)
        changed += values[0] + values[5] * off_x + values[6] * off_y
        return cells.squeezed(cells.own * np.exp(np.clip(changed, -9.0, 9.0)))

    usual = _USUAL.copy()
    usual[1:3] = np.where([right, down], usual[1:3], _NO)
    if not (right or down):
        usual[3:5] = _HARDLY
    seen = cells.squeezed(cells.seen)
    start = np.zeros(len(usual))
    share = np.median(np.maximum(cells.seen, 1e-3 * cells.brightest) / cells.own)
    start[0] = math.log(float(share))
    values = fit_values(model, start, seen, Terms(_LEAPS, usual, 0.02))
    rest = (seen - model(values)) / _SOFT
    return _Fitted(values, float(np.mean(np.log1p(np.square(rest)))))


def _stops(fitted: _Fitted) -> float:
    return float(fitted.values[0]) / math.log(2.0)
