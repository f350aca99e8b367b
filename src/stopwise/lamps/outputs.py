"""What each lamp gave in a frame, against its own solo, and whether it fired."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING, Literal

import numpy as np

from stopwise.frame import Point  # noqa: TC001 - the record is read by it
from stopwise.grid import MAD_FACTOR
from stopwise.lamps.unmixing import (
    FURTHEST,
    Shift,
    design,
    fit_outputs,
    overlap,
    place_sitter,
    stack_of,
    standard_error,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from stopwise.frame import Box
    from stopwise.grid import LightGrid
    from stopwise.lamps.solos import LampSet
    from stopwise.lamps.unmixing import Design, Fit, Stack
    from stopwise.plan.model import Light

    Floats = NDArray[np.float64]

LampState = Literal["fired", "weak", "strong", "out", "not seen"]

OUT_SHARE = 1.0 / 6.0
"""A lamp that gives less than this share of what is expected is out."""

LEAST_OFF = 0.25
"""Stops that a lamp must be off before it counts as weak or strong."""

OFF_SPREADS = 4.0
"""The same in spreads of the take."""

OFF_UNCERTAINTIES = 2.0
"""The same in uncertainties of the reading."""

NOT_SEEN = 0.5
"""Stops of uncertainty above which a lamp isn't seen."""

RUN_FRAMES = 3
"""Frames that a take's own run needs before something is expected of it."""

AMBIENT_ONLY = 0.1
"""A frame within this many stops of the ambient frame was lit by no lamp."""

_UNLIT_ZONES, _UNLIT_STOPS = 3, -3.0
"""Without an ambient frame: how many zones must be seen, and how far under target each."""

_LEADS = 0.4
"""Share of a block's light from which a lamp leads it."""

_FAINT = 0.05
"""Share of a lamp's brightest block under which its light isn't looked at."""

_FEWEST_LED = 12
"""Blocks that a lamp must lead before their median says anything."""

_MOSTLY = 0.5
"""Share from which a lamp is taken to light the sitter."""

_WITNESS_WENT, _WITNESS_MISFIT, _WITNESS_ERROR, _WITNESS_STOPS = 0.5, 0.5, 0.2, 0.3
"""What a lamp must read to bear out where the sitter was found: shares, and stops off."""

_LOST = 0.55
"""Share of what is known of any lamp that fits nothing, from which the sitter is gone."""

_MOVED_ON = 0.5
"""Overlap under which a lamp is called out only where the sitter's place is sure."""

_SURELY = 2.0
"""Times the limit of being out, a third, under which a lamp must surely stay, also by the blocks
that it leads: the others' light, sloped otherwise over a sitter who drifted, is in them. Half of
its energy, the least that a head gives which fires before it is ready (common practice), then lies
three uncertainties off.
"""

_MISFITS = 0.4
"""Share of what a lamp lights that may fit nothing while it is still called out."""

_MISFITS_LOST = 0.15
"""The same where the sitter is gone, and the light that fell on him with him."""

_NOTHING_FITS = 0.5
"""The same where the sitter's place is known: of another finish or in other clothes than in the
solos, or a damaged picture. In half of the portraits that we did not make 129 lamps that were out
left 0.46 at most, sitters up to 5 % of the width off.
"""

_SPREAD, _NARROW = 1.1, 20.0
"""Spreads of cells that an output is unsure by, and cells at which that is doubled.

These and the five below are set on half of the portraits that we did not make: solos up to 2 % of
the width off, sitters up to 6 % off, heads turned by up to 20 degrees.
"""

_MISFIT, _USUAL_MISFIT = 0.9, 0.12
"""Stops for what of a lamp fits nothing, over the share that a still sitter leaves: the rest of its
light may have changed as much unseen, as on a head that turned."""

_SLOPED, _DRIFT = 5.0, 1.0
"""Stops that a lamp lights a sitter otherwise who stands elsewhere: for each picture width, times
how steeply its light was found to slope otherwise; and in any case."""

_PARTED = 0.6
"""Of the stops by which two ways of seeing a lamp part."""

_REPEAT = 0.02
"""Stops that a flash and its reading vary by in any case (common practice: 0.02 to 0.1)."""


SpotState = Literal["steady", "sitter out of the spot", "spot moved", "not seen"]


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
    away
        How far he is to the right of his mark, fraction of the picture; None where nobody knows.
    room
        How far he may go to the left and to the right of his mark, fractions of the picture, before
        a patch that the lamp leads leaves its target; None to a side where it doesn't.
    """

    state: SpotState
    output_stops: float | None = None
    size: float | None = None
    moved: Point | None = None
    uncertainty: float | None = None
    lost_stops: float | None = None
    way_back: Point | None = None
    away: float | None = None
    room: tuple[float | None, float | None] | None = None


@dataclass(frozen=True, slots=True)
class LampReading:
    """One lamp's output in one frame.

    Attributes
    ----------
    stops
        Against its solo; None where the lamp gave nothing that can be told from nothing.
    uncertainty
        Standard uncertainty of `stops`; None with it.
    state
        Fired, weak, strong, out, not seen.
    spot
        What became of its spot, where a white card shows it.
    setting
        Where its dial stands, stops below full; None where that isn't known.
    """

    stops: float | None
    uncertainty: float | None
    state: LampState
    spot: SpotReading | None = None
    setting: float | None = None

    @property
    def fired_stops(self) -> float | None:
        """Its stops where it fired and was seen; None where it was out or wasn't seen."""
        return None if self.state in ("out", "not seen") else self.stops


@dataclass(frozen=True, slots=True)
class Expected:
    """What is expected of a lamp.

    Attributes
    ----------
    stops
        Against its solo.
    spread
        Standard deviation of the take's own readings, stops.
    known
        False where nobody said anything and the take has no run: then only "out" is told.
    """

    stops: float = 0.0
    spread: float = 0.0
    known: bool = False

    def reading(self, stops: float, uncertainty: float) -> LampReading:
        """Return the reading of a lamp that gave so many stops against its solo, and fired."""
        off = stops - self.stops
        limit = max(LEAST_OFF, OFF_SPREADS * self.spread, OFF_UNCERTAINTIES * uncertainty)
        if not self.known or abs(off) <= limit:
            return LampReading(stops, uncertainty, "fired")
        return LampReading(stops, uncertainty, "weak" if off < 0.0 else "strong")


def setting_now(
    reading: LampReading, light: Light | None, said: float | None = None
) -> float | None:
    """Return where a lamp's dial stands: its power at its solo, and what it gives against that.

    Parameters
    ----------
    reading
        What it gave.
    light
        The plan's lamp, with the power at its solo; None where the plan has it no more.
    said
        Stops from its solo as announced in this take; None where nobody announced a turn of it.

    Returns
    -------
    float or None
        Stops below full, on its pack's steps. None where it isn't seen, or where reading and
        announcement, or the end of its range, part by more than the reading is sure to.
    """
    if light is None or light.power is None or reading.fired_stops is None:
        return None
    stops, step = reading.fired_stops, light.step
    sure = max(OFF_UNCERTAINTIES * (reading.uncertainty or 0.0), step / 2.0)
    if said is not None:
        return round(light.power + said, 4) if abs(stops - said) <= sure else None
    stands = light.power + round(stops / step) * step
    low, high = light.range
    if not low - max(sure, step) <= stands <= high + max(sure, step):
        return None
    return round(min(max(stands, low), high), 4)


def read_lamps(
    frame: LightGrid,
    lamps: LampSet,
    *,
    said: Mapping[str, float] | None = None,
    run: Sequence[Mapping[str, LampReading]] | None = None,
    placement: Shift | None = None,
    only: Sequence[Box] | None = None,
) -> dict[str, LampReading]:
    """Return each lamp's output in a frame against its solo.

    Parameters
    ----------
    frame
        The frame, reduced.
    lamps
        The solos, see `lamp_set`.
    said
        Stops of each lamp from its solo as a take says; lamps not named are at 0.
    run
        This take's readings so far, oldest first.
    placement
        Where the sitter is against the solos; None looks for it in the picture. One that isn't
        sure, as patches that were followed from another frame give it, is taken only where the
        picture bears it out.
    only
        Boxes that hold the same things as in the solos, where the sitter wears or is something
        else: a chip, the paper. None for the whole picture.

    Returns
    -------
    dict
        A reading for each lamp. `stops` are relative to the solo, aperture and ISO taken out.

    Raises
    ------
    ValueError
        If the frame's grid isn't the solos'.
    """
    expected = [expect(name, said, run) for name in lamps.names]
    start = np.exp2([one.stops for one in expected])
    stack = stack_of(frame, lamps, only=only)
    if only is not None:
        placement = placement or Shift()
    seen = _see(stack, start, placement, is_still=only is not None)
    if not seen:
        return dict.fromkeys(lamps.names, LampReading(None, None, "not seen"))
    return {
        name: _reading(one, what)
        for name, one, what in zip(lamps.names, seen, expected, strict=True)
    }


def expect(
    name: str,
    said: Mapping[str, float] | None,
    run: Sequence[Mapping[str, LampReading]] | None,
) -> Expected:
    """Return what is expected of a lamp: its take's own median, else what was said, else nothing.

    Parameters
    ----------
    name
        The lamp.
    said
        Stops from the solo by lamp, as announced.
    run
        The take's readings so far; those that didn't fire or weren't seen don't count.
    """
    readings = [frame[name].fired_stops for frame in run or () if name in frame]
    stops = [value for value in readings if value is not None]
    if len(stops) >= RUN_FRAMES:
        middle = median(stops)
        spread = MAD_FACTOR * median(abs(value - middle) for value in stops)
        return Expected(middle, spread, known=True)
    if said is not None:
        return Expected(said.get(name, 0.0), known=True)
    return Expected()


def no_lamp_fired(
    readings: Mapping[str, LampReading] | None = None,
    *,
    over_ambient: float | None = None,
    off_target: Sequence[float] = (),
) -> bool:
    """Tell whether a frame holds no lamp's light at all, which means the trigger.

    Parameters
    ----------
    readings
        Each lamp's reading, where there are solos: all out is enough.
    over_ambient
        Stops by which the frame lies over the ambient frame; None where there is none. Within 0.1
        it holds the room's light alone.
    off_target
        Without an ambient frame: how far each seen zone lies off its target, stops. No lamp fired
        where there are three at least and each is 3 stops under or more.
    """
    if readings and all(reading.state == "out" for reading in readings.values()):
        return True
    if over_ambient is not None:
        return over_ambient <= AMBIENT_ONLY
    return len(off_target) >= _UNLIT_ZONES and max(off_target) <= _UNLIT_STOPS


def over_ambient(frame: LightGrid, ambient: LightGrid | None) -> float | None:
    """Return the stops by which a frame's mean luminance lies over the ambient frame's.

    None without an ambient frame of the same grid, or where that is wholly dark.
    """
    if ambient is None or not frame.fits(ambient):
        return None
    seen, dark = (float(np.mean(picture.luminance)) for picture in (frame, ambient))
    return math.log2(max(seen, 1e-12) / dark) if dark > 0.0 else None


def lit_lamps(readings: Mapping[str, LampReading]) -> tuple[str, ...]:
    """Return the names of the lamps that gave light in a frame."""
    return tuple(name for name, one in readings.items() if one.state not in ("out", "not seen"))


# --- two ways of seeing a lamp: what fits the picture, and the blocks that it leads ---------------


@dataclass(frozen=True, slots=True)
class _Seen:
    """What a frame says of one lamp, linear, 1 = as in its solo.

    Attributes
    ----------
    output, error
        What fits the whole picture, and its standard error.
    led
        Median over the blocks that this lamp leads; None where it leads too few.
    spread, cells
        Half the 16th to 84th percentile of what single cells say, the more light and the better
        their fit, the more say; and how many cells with an equal say that is.
    misfit
        Which share of what is known of it comes from cells that don't fit, 0 to 1.
    overlap
        Which share of its light falls where it fell in the solo.
    went
        Which share of what is known of it comes from cells that went along with the sitter.
    drift
        How far the sitter stands off where he stood in its solo, fractions of the picture.
    sloped
        How much of the output the lamp's light was found to slope otherwise over him by, a longer
        side.
    is_placed
        Whether the sitter's place is sure: somebody says it and the picture bears it out, or
        another lamp that lights him reads as expected where he was found.
    is_lost
        Whether the sitter is neither where he was in the solos nor found elsewhere.
    """

    output: float
    error: float
    led: float | None
    spread: float
    cells: float
    misfit: float
    overlap: float
    went: float
    drift: float
    sloped: float
    is_placed: bool
    is_lost: bool

    @property
    def is_known(self) -> bool:
        """Whether the sitter's place is known, by somebody or because his move was found."""
        return self.is_placed or self.overlap < 1.0


def _see(
    stack: Stack, start: Floats, placement: Shift | None, *, is_still: bool = False
) -> list[_Seen]:
    """Return what a frame says of each lamp; `start` float64 (lamps,) is what is expected.

    Nothing where fewer cells than lamps are left, as where all is blown. Still things turn no face,
    so that few of their cells say as much as many.
    """
    if np.count_nonzero(stack.coarse_good) < len(start):
        return []
    shift, is_placed = place_sitter(stack, start, placement)
    cells = design(stack, shift)
    if len(cells.seen) < len(start):
        return []
    starts = [start] if np.ptp(start) == 0.0 else [start, np.full_like(start, start.mean())]
    fit = min((fit_outputs(cells, start=one) for one in starts), key=lambda one: one.cost)
    known = np.square(fit.used / cells.sigma[:, None])
    total = np.maximum(known.sum(axis=0), 1e-12)
    went, misfit = known[fit.went].sum(axis=0) / total, 1.0 - fit.weight @ known / total
    error = standard_error(fit, cells)
    near = shift is not None and shift.size <= FURTHEST
    sure = is_placed or (near and _is_witnessed(fit.outputs, error, (went, misfit), start))
    lost = shift is None and float(misfit.max()) > _LOST
    shares = overlap(stack, shift)
    sitter = stack.sitter_at(shift)
    moved = stack.lamps if sitter is None else np.nan_to_num(sitter)
    here = np.zeros(2) if shift is None else np.array([shift.dx, shift.dy])
    return [
        _Seen(
            output=float(fit.outputs[index]),
            error=float(error[index]),
            led=_led(stack, moved if went[index] > _MOSTLY else stack.lamps, fit.outputs, index),
            spread=spread,
            cells=math.inf if is_still else count,
            misfit=float(misfit[index]),
            overlap=float(shares[index]),
            went=float(went[index]),
            drift=math.hypot(*(here - place)),
            sloped=float(np.hypot(*fit.tilts[index])) / max(float(fit.outputs[index]), 1e-6),
            is_placed=sure,
            is_lost=lost,
        )
        for index, place in enumerate(stack.places)
        for spread, count in (_spread(fit, cells, index),)
    ]


def _is_witnessed(
    outputs: Floats, error: Floats, shares: tuple[Floats, Floats], start: Floats
) -> bool:
    """Tell whether a lamp that went along with the sitter gives what is expected of it."""
    went, misfit = shares
    off = np.abs(np.log2(np.maximum(outputs, 1e-12) / start))
    return bool(
        np.any(
            (went > _WITNESS_WENT)
            & (misfit < _WITNESS_MISFIT)
            & (error < _WITNESS_ERROR * outputs)
            & (off < _WITNESS_STOPS)
        )
    )


def _led(stack: Stack, light: Floats, outputs: Floats, index: int) -> float | None:
    """Return a lamp's output as the blocks say that it leads, the others as they were fitted.

    Median of (seen - others) / own over blocks where the lamp as in its solo would give more than
    0.4 of the light; None with fewer than 12 of them.
    """
    own = light[index]
    others = np.tensordot(outputs, light, axes=1) - outputs[index] * own
    leads = (own > _LEADS * (own + others)) & (own > _FAINT * own.max()) & stack.good
    if np.count_nonzero(leads) < _FEWEST_LED:
        return None
    return float(np.median((stack.seen - others)[leads] / own[leads]))


def _spread(fit: Fit, cells: Design, index: int) -> tuple[float, float]:
    """Return how far single cells' answers spread, linear, and how many equal ones they are."""
    own = np.maximum(fit.used[:, index], 1e-12)
    says = fit.outputs[index] + fit.residual * cells.sigma / own
    order = np.argsort(says)
    known = (fit.weight * np.square(own / cells.sigma))[order]
    share = np.cumsum(known)
    low, high = np.interp([0.16 * share[-1], 0.84 * share[-1]], share, says[order])
    count = share[-1] ** 2 / max(float(np.square(known).sum()), 1e-300)
    return float(high - low) / 2.0, max(float(count), 1.0)


# --- what is made of it ---------------------------------------------------------------------------


def _reading(seen: _Seen, expected: Expected) -> LampReading:
    uncertainty = _uncertainty(seen)
    stops = math.log2(seen.output) if seen.output > 0.0 else None
    limit = OUT_SHARE * 2.0**expected.stops
    if _is_out(seen, limit):
        told = seen.output > 2.0 * seen.error
        return LampReading(stops if told else None, uncertainty if told else None, "out")
    if stops is None or uncertainty is None or uncertainty > NOT_SEEN or seen.output < limit:
        return LampReading(stops, uncertainty, "not seen")
    return expected.reading(stops, uncertainty)


def _is_out(seen: _Seen, limit: float) -> bool:
    """Tell whether a lamp gave nothing to speak of, by every way of seeing it.

    A lamp whose light the sitter carried off is only called out where somebody says where he is.
    """
    if seen.misfit > _NOTHING_FITS or (seen.overlap < _MOVED_ON and not seen.is_placed):
        return False
    if seen.misfit > (_MISFITS_LOST if seen.is_lost else _MISFITS) and not seen.is_known:
        return False
    led = 0.0 if seen.led is None else seen.led
    if seen.overlap < _MOVED_ON and seen.led is not None and max(seen.output, led) < limit:
        return True  # hardly anything of it is left to err by, and both ways of seeing it agree
    if seen.output >= limit or led >= _SURELY * limit:
        return False
    surely = seen.output + OFF_UNCERTAINTIES * seen.error
    if surely < limit:
        return True
    # what of it fits nothing, more than is usual, may as well have its light as expected
    unfit = max(seen.misfit - _USUAL_MISFIT, 0.0)
    return (1.0 - unfit) * surely + unfit * limit / OUT_SHARE < _SURELY * limit


def _uncertainty(seen: _Seen) -> float | None:
    """Return the standard uncertainty in stops, None where nothing was seen.

    The jackknife's error; what single cells say that differs, which errors of place and form make
    alike over many of them, more where they are few; how much of what the lamp lights fits nothing;
    how far he stands off where he stood in its solo, since a beam that slopes over him gives less
    of itself farther from its middle; and how far the two ways of seeing part.
    """
    if seen.output <= 0.0:
        return None
    scale = 1.0 / (seen.output * math.log(2.0))
    spread = _SPREAD * (1.0 + _NARROW / seen.cells) * scale * seen.spread
    unfit = _MISFIT * max(seen.misfit - _USUAL_MISFIT, 0.0)
    carried = seen.went * seen.drift * (_DRIFT + _SLOPED * seen.sloped)
    misfitting = 0.0
    if not seen.is_known:
        # two fifths of it not fitting leave the lamp unseen; less where the sitter is gone
        misfitting = NOT_SEEN * (seen.misfit / (_MISFITS_LOST if seen.is_lost else _MISFITS)) ** 6
    parted = 0.0
    if seen.led is not None and seen.led > 0.0:
        parted = _PARTED * abs(math.log2(seen.output / seen.led))
    return math.hypot(_REPEAT, scale * seen.error, spread, unfit, carried, misfitting, parted)
