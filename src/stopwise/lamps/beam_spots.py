"""What became of a lamp's spot in a later frame: steady, moved, or the sitter out of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from stopwise.frame import window
from stopwise.grid import pooled
from stopwise.lamps.outputs import SpotReading
from stopwise.lamps.unmixing import CLIPPED, stack_of
from stopwise.lamps.white_card import CARD_CELLS, Terms, fit_values, places

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from stopwise.frame import Box
    from stopwise.grid import LightGrid
    from stopwise.lamps.outputs import Expected, LampReading
    from stopwise.lamps.solos import LampSet
    from stopwise.lamps.unmixing import Shift, Stack
    from stopwise.lamps.white_card import WhiteCard

    Floats = NDArray[np.float64]

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
"""Cells that the lamp must lead."""

_SOFT = 0.06
"""Natural log of light that a cell may be off and still fit."""

_STILL = 0.15
"""Misfit up to which nothing has changed (set on our own renderer: still sitters leave 0.05, a head
turned by 5 degrees 0.4).
"""

_BETTER, _FITS = 0.65, 1.5
"""A spot has moved where that leaves this share of the misfit, and no more than so much.

Set on our own renderer: moves of a spot left 0.17 to 0.81 of it, turned heads 0.99 and more, and
sitters off the mark whom nobody had found 0.71 and more with a misfit of 2 and more.
"""

_NO_BETTER = 0.95
"""A move that leaves more of the misfit than this explains nothing: the spot is steady."""

_ONE_WAY = 1.3
"""A move is told as up or down, or as sideways, where the other fits worse by this factor."""

_SLANTED = 2.0
"""A spot that is longer than this many times its breadth shows no way: its edges run straight."""

_ROUGH = 0.5
"""Share of a move that it is sure to: a card is flat, and a sitter is not."""

_SPOT_DOUBT = 0.05
"""Stops that a lamp's output is sure to once its spot has moved (set on our own renderer, whose
frames lay within 0.09).
"""

_USUAL = np.array([3.0, 0.05, 0.05, 0.08, 0.08, 0.4, 0.4])
"""Usual size of what is fitted: log output; move right and down, and how far the sitter is off the
card's place, picture widths; slopes of log light, a width.
"""

_SCALES = np.array([0.5, 0.02, 0.02, 0.02, 0.02, 0.2, 0.2])
"""Changes of the same that move the light about as much: steps of the fit are weighed by them."""

_LOOKED, _STEPS = 0.25, 101
"""How far to either side room to move is looked for, picture widths, and at how many places: a
sitter who goes farther leaves the picture's middle half.
"""

_SLOPES, _ROOM_SURE = (1.0, 1.0 / 3.0), 0.02
"""Powers of the card's slope of light that a lit surface may have, and how near to each other must
lie the ends that they give: then their middle is sure to a hundredth. At p, from a lamp at L, a
normal n gets n (L - p) / |L - p|^3 (Lambert, distance law): with v aside and d away that slopes by
3 v / d^2 on a card that faces the camera, by 2 v / d^2 on what faces the lamp, and by 1.2 v / d^2
on what faces 25 degrees farther round than a lamp at 30. A spot's own edge is the same to all.
"""

_NOTHING = 1e-9
"""Light, anchor = 1, under which nothing is divided or a logarithm taken."""

_NO, _HARDLY = 1e-4, 1e-3
"""Picture widths: usual size of a move that is held at none, and of a place that is held."""


@dataclass(frozen=True, slots=True)
class Followed:
    """A patch that goes with the sitter and is led by the lamp.

    Attributes
    ----------
    then, now
        Its box at the mark, and now.
    allows
        Stops under and over its target that still hold; None where it has no target.
    """

    then: Box
    now: Box
    allows: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class Sitter:
    """Where the sitter is.

    Attributes
    ----------
    shift
        How far off the mark; None where that isn't known.
    followed
        His patches, by the lamp that leads them.
    """

    shift: Shift | None
    followed: Mapping[str, Sequence[Followed]]


def read_spots(
    light: LightGrid,
    lamps: LampSet,
    cards: Mapping[str, WhiteCard],
    readings: Mapping[str, LampReading],
    expected: Mapping[str, Expected],
    sitter: Sitter,
) -> dict[str, SpotReading]:
    """Read each spot that a white card shows, of lamps that gave light.

    Parameters
    ----------
    light, lamps
        The frame's light, and the solos.
    cards
        Spots of the lamps that are meant to be lit.
    readings, expected
        What each lamp gave, and was expected to.
    sitter
        Where he is, and his patches.
    """
    names = [
        name
        for name in cards
        if name in readings and readings[name].state != "out" and readings[name].stops is not None
    ]
    if not names:
        return {}
    stack = stack_of(light, lamps)
    gave = [readings[name].stops for name in lamps.names]
    outputs = np.array([0.0 if stops is None else 2.0**stops for stops in gave])
    told = {}
    for name in names:
        lit = Lit(stack, lamps.names.index(name), outputs, 2.0 ** expected[name].stops)
        card, followed = cards[name], sitter.followed.get(name, ())
        told[name] = replace(
            read_spot(lit, card, shift=sitter.shift, followed=followed),
            away=None if sitter.shift is None else sitter.shift.dx,
            room=room_to_move(lit, card, followed),
        )
    return told


def with_spots(
    readings: Mapping[str, LampReading],
    spots: Mapping[str, SpotReading],
    expected: Mapping[str, Expected],
) -> dict[str, LampReading]:
    """Return readings in which no spot's move and no sitter out of a spot counts as a weak lamp."""
    told = dict(readings)
    for name, spot in spots.items():
        reading = readings[name]
        if reading.state == "out":
            continue
        if spot.state == "sitter out of the spot" and reading.state in ("weak", "strong"):
            told[name] = replace(reading, state="not seen")
        if spot.state == "spot moved" and spot.output_stops is not None:
            doubt = max(reading.uncertainty or 0.0, _SPOT_DOUBT)
            told[name] = expected[name].reading(spot.output_stops, doubt)
    return told


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

    stack: Stack
    index: int
    outputs: Floats
    expected: float = 1.0

    def others(self, lamps: Floats) -> Floats:
        """Return what the other lamps give where solos give `lamps`, (lamps, ...), anchor = 1."""
        of_all = np.tensordot(self.outputs, lamps, axes=1)
        rest: Floats = of_all - self.outputs[self.index] * lamps[self.index]
        return rest


def read_spot(
    lit: Lit,
    card: WhiteCard,
    *,
    shift: Shift | None = None,
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
    return _at_the_mark(lit, card, least_move)


# --- the sitter off the mark ----------------------------------------------------------------------


def _off_the_mark(lit: Lit, card: WhiteCard, followed: Sequence[Followed]) -> SpotReading:
    told = [one for patch in followed if (one := _patch(lit, card, patch)) is not None]
    if not told:
        return SpotReading("not seen")
    lost, right, down = (median(values) for values in list(zip(*told, strict=True))[1:])
    out = sum(_is_out(due, own) for due, own, _, _ in told)
    if 2 * out <= len(told) or math.hypot(right, card.aspect * down) < _LEFT_MARK:
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
    places = [((box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0) for box in (patch.then, patch.now)]
    (right, right_now), (down, down_now) = zip(*places, strict=True)
    across = np.array([right, right_now])
    mark, here = card.log_light(across, card.aspect * np.array([down, down_now]))
    lamps = np.array([_mean(plane, patch.then) for plane in lit.stack.lamps])
    own, others = float(lamps[lit.index]), float(lit.others(lamps))
    whole = min(_mean(lit.stack.good, box) for box in (patch.then, patch.now))
    if mark < math.log(0.5) or whole < 1.0 or own <= _LED * others:
        return None
    got = (_mean(lit.stack.seen, patch.now) - others) / (lit.expected * own)
    due = float(here - mark) / math.log(2.0)
    return due, math.log2(max(got, 1e-3)), right_now - right, down_now - down


def _mean(plane: NDArray[np.generic], box: Box) -> float:
    """Return the mean of a box's blocks, one at least."""
    rows, columns = plane.shape
    left, top = min(int(box[0] * columns), columns - 1), min(int(box[1] * rows), rows - 1)
    right, bottom = max(left + 1, round(box[2] * columns)), max(top + 1, round(box[3] * rows))
    return float(plane[top:bottom, left:right].mean())


def room_to_move(
    lit: Lit, card: WhiteCard, followed: Sequence[Followed]
) -> tuple[float | None, float | None] | None:
    """Return how far the sitter may go before a patch leaves its target.

    Parameters
    ----------
    lit, card
        The lamp as it is lit now, and its spot.
    followed
        The patches that it leads.

    Returns
    -------
    tuple or None
        To the left and to the right of his mark, fractions of the picture; None to a side where the
        spot's light holds as far as is looked, or where its end isn't sure to a hundredth. None for
        both where no patch has a target. What other lamps give there is taken to stay as it is.
    """
    patches = [one for one in followed if one.allows is not None]
    if not patches:
        return None
    ends = [
        [min(_leaves(lit, card, one, way, slopes) for one in patches) for slopes in _SLOPES]
        for way in (-1.0, 1.0)
    ]
    left, right = (
        sum(side) / len(side) if max(side) < min(side) + _ROOM_SURE < math.inf else None
        for side in ends
    )
    return left, right


def _leaves(lit: Lit, card: WhiteCard, patch: Followed, way: float, slopes: float) -> float:
    """Return how far one way a patch leaves its target; infinite where it doesn't."""
    lamps = lit.stack.lamps
    rows, columns = window(patch.then, lamps.shape[1:])
    part = lamps[:, rows, columns].reshape(len(lamps), -1)
    own, others = lit.outputs[lit.index] * part[lit.index], lit.others(part)
    right, down = (
        place.reshape(lamps.shape[1:])[rows, columns].ravel() for place in places(lamps.shape[1:])
    )
    steps = np.linspace(0.0, _LOOKED, _STEPS)
    across, down = np.broadcast_arrays(right + way * steps[:, None], down)
    there = card.light(across, down, slopes=slopes)
    level = np.median(own * there / np.maximum(there[0], _NOTHING) + others, axis=1)
    moved = np.log2(np.maximum(level, _NOTHING) / max(level[0], _NOTHING))
    under, over = patch.allows or (math.inf, math.inf)
    outside = np.maximum(moved - over, -under - moved)
    first = int(np.argmax(outside > 0.0))
    if outside[first] <= 0.0:
        return math.inf
    before, after = outside[first - 1 : first + 1]
    return float(steps[first - 1] - before / (after - before) * (steps[1] - steps[0]))


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
    factor = max(1, round(max(lit.stack.seen.shape) / CARD_CELLS))
    lamps, seen, good = (
        pooled(plane, factor) for plane in (lit.stack.lamps, lit.stack.seen, lit.stack.good)
    )
    own, others = lamps[lit.index], lit.others(lamps)
    use = (good > 1.0 - CLIPPED) & (own > _FAINT * own.max()) & (own > _LED * others)
    if np.count_nonzero(use) < _FEWEST:
        return None
    right, down = (place[use.ravel()] for place in places(own.shape))
    return _Cells(right, down, (seen - others)[use], own[use], float(own.max()))


@dataclass(frozen=True, eq=False, slots=True)
class _Fitted:
    """What was fitted: output in stops, the spot's move in picture widths, the misfit left."""

    stops: float
    right: float
    down: float
    misfit: float

    @property
    def size(self) -> float:
        """How far it moved, picture widths."""
        return math.hypot(self.right, self.down)


def _at_the_mark(lit: Lit, card: WhiteCard, least_move: float) -> SpotReading:
    cells = _cells(lit)
    if cells is None:
        return SpotReading("not seen")
    still = _fit(cells, card, right=False, down=False)
    if still.misfit <= _STILL:
        return SpotReading("steady", still.stops)
    free = _fit(cells, card, right=True, down=True)
    if free.size < LEAST_MOVE and free.misfit > _NO_BETTER * still.misfit:
        return SpotReading("steady", free.stops)
    if free.size < least_move or free.misfit > min(_FITS, _BETTER * still.misfit):
        return SpotReading("not seen")
    told = _one_way(cells, card, free)
    if told is None:
        return SpotReading("spot moved", free.stops, free.size, None, _ROUGH * free.size)
    sideways = abs(told.right) > abs(told.down)
    moved = (told.right, 0.0) if sideways else (0.0, told.down / card.aspect)
    return SpotReading("spot moved", free.stops, told.size, moved, _ROUGH * told.size)


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
    """Fit log output, the spot's move, how far the sitter is off the card, and a slope of light.

    What lay under the card's place p is lit as p less the move. The slope stands for what a turned
    body does besides.
    """
    off_x, off_y = cells.right - card.middle[0], cells.down - card.middle[1]

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
    values = fit_values(model, start, seen, Terms(_SCALES, usual, 0.02))
    rest = (seen - model(values)) / _SOFT
    output, move_right, move_down = (float(value) for value in values[:3])
    misfit = float(np.mean(np.log1p(np.square(rest))))
    return _Fitted(output / math.log(2.0), move_right, move_down, misfit)
