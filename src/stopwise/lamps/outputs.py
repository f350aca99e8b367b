"""What each lamp gave in a frame, against its own solo, and whether it fired."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING, Literal

import numpy as np

from stopwise.lamps.fieldcells import Shift, frame_luminance, grids, within
from stopwise.lamps.seeing import see_lamps
from stopwise.lamps.solo import exposure_stops
from stopwise.measurement.quantiles import MAD_FACTOR

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from stopwise.lamps.fieldcells import Grids, Placed
    from stopwise.lamps.reduced import LightPicture
    from stopwise.lamps.seeing import Seen
    from stopwise.lamps.solo import LampSet
    from stopwise.measurement.measurement import Box

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

_MOVED_ON = 0.5
"""Overlap under which a lamp is read from the blocks that it leads."""

_CARRIED = 3.0
"""Times the limit of being out under which all that was found of a lamp whose light the sitter
carried off must stay: half of what is expected. Lamps that were out gave 0.33 at most in made sets,
one that had fired gave 0.78 though next to nothing where it leads.
"""

_MISFITS = 0.4
"""Share of what a lamp lights that may fit nothing while it is still called out."""

_NOTHING_FITS = 0.85
"""The same where the sitter's place is known: other clothes than the solos', or a damaged picture.

Lamps that were out left 0.68 at most in 36 made sets whose sitters had moved or turned.
"""

_MISFITS_LOST = 0.15
"""The same where the sitter is gone, and the light that fell on him with him."""

_REPEAT = 0.02
"""Stops that a flash and its reading vary by in any case."""


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
    """

    stops: float | None
    uncertainty: float | None
    state: LampState


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


def read_lamps(
    frame: LightPicture,
    lamps: LampSet,
    *,
    said: Mapping[str, float] | None = None,
    run: Sequence[Mapping[str, LampReading]] | None = None,
    placement: Placed | None = None,
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
        Where the sitter is against the solos; None looks for it in the picture. A `Hint`, as
        patches that were followed from another frame give it, is taken only where the picture
        bears it out.
    only
        Boxes that hold the same stuff as in the solos, where the sitter wears or is something else:
        a chip, the paper. None for the whole picture.

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
    stack = stack_of(frame, lamps)
    if only is not None:
        stack, placement = within(stack, only, frame), placement or Shift()
    seen = see_lamps(stack, start, placement)
    return {
        name: _reading(one, what)
        for name, one, what in zip(lamps.names, seen, expected, strict=True)
    }


def reading_of(stops: float, uncertainty: float, expected: Expected) -> LampReading:
    """Return a lamp's reading from what it gave by another way of seeing it.

    Parameters
    ----------
    stops, uncertainty
        Against its solo.
    expected
        What was expected of it.
    """
    return LampReading(stops, uncertainty, _state(stops - expected.stops, uncertainty, expected))


def stack_of(frame: LightPicture, lamps: LampSet) -> Grids:
    """Return a frame and its lamps as one stack of luminances, at the lamps' exposure.

    Raises
    ------
    ValueError
        If the frame's grid isn't the solos'.
    """
    if frame.mean.shape != next(iter(lamps.nets.values())).mean.shape:
        msg = f"the frame's picture is {frame.shape} cells, the solos' are of another size"
        raise ValueError(msg)
    flash = 2.0 ** exposure_stops(lamps.exposure, frame.exposure, shutter=False)
    dark = 2.0 ** exposure_stops(lamps.exposure, frame.exposure, shutter=True)
    return grids(frame_luminance(frame, lamps, flash, dark), lamps, frame.clipped)


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
    values = [
        frame[name].stops
        for frame in run or ()
        if name in frame and frame[name].state not in ("out", "not seen")
    ]
    stops = [value for value in values if value is not None]
    if len(stops) >= RUN_FRAMES:
        middle = median(stops)
        spread = MAD_FACTOR * median(abs(value - middle) for value in stops)
        return Expected(middle, spread, known=True)
    if said is not None:
        return Expected(said.get(name, 0.0), known=True)
    return Expected()


def no_lamp_fired(
    frame: LightPicture,
    ambient: LightPicture | None,
    readings: Mapping[str, LampReading] | None = None,
) -> bool:
    """Tell whether a frame holds no lamp's light at all, which means the trigger.

    Parameters
    ----------
    frame
        The frame.
    ambient
        A frame with no lamp firing, at the same settings; None where there is none.
    readings
        Each lamp's reading, where there are solos.

    Returns
    -------
    bool
        True where every lamp is out, or the frame is within 0.1 stop of the ambient frame.
    """
    if readings and all(reading.state == "out" for reading in readings.values()):
        return True
    if ambient is None or frame.mean.shape != ambient.mean.shape:
        return False
    seen, dark = (float(np.mean(picture.luminance)) for picture in (frame, ambient))
    return bool(seen <= 2.0**AMBIENT_ONLY * dark)


def lit_lamps(readings: Mapping[str, LampReading]) -> tuple[str, ...]:
    """Return the names of the lamps that gave light in a frame."""
    return tuple(name for name, one in readings.items() if one.state not in ("out", "not seen"))


def _reading(seen: Seen, expected: Expected) -> LampReading:
    output = _best(seen)
    uncertainty = _uncertainty(seen, output)
    limit = OUT_SHARE * 2.0**expected.stops
    if _is_out(seen, limit):
        told = output > 2.0 * seen.error and output > 0.0
        return LampReading(
            math.log2(output) if told else None, uncertainty if told else None, "out"
        )
    if uncertainty is None or uncertainty > NOT_SEEN or output < limit:
        return LampReading(None if output <= 0.0 else math.log2(output), uncertainty, "not seen")
    stops = math.log2(output)
    return LampReading(stops, uncertainty, _state(stops - expected.stops, uncertainty, expected))


def _state(off: float, uncertainty: float, expected: Expected) -> LampState:
    limit = max(LEAST_OFF, OFF_SPREADS * expected.spread, OFF_UNCERTAINTIES * uncertainty)
    if not expected.known or abs(off) <= limit:
        return "fired"
    return "weak" if off < 0.0 else "strong"


def _best(seen: Seen) -> float:
    """Return the output to report: the fit's, or the led where the sitter carried light off."""
    return seen.led if seen.led is not None and seen.overlap < _MOVED_ON else seen.output


def _is_out(seen: Seen, limit: float) -> bool:
    """Tell whether a lamp gave nothing to speak of, by every way of seeing it.

    A lamp whose light the sitter carried off is only called out where somebody says where he is.
    """
    led_out = seen.led is not None and seen.led < limit
    if seen.misfit > _NOTHING_FITS:
        return False
    if seen.overlap < _MOVED_ON:
        return seen.is_placed and led_out and seen.output < _CARRIED * limit
    if seen.misfit > (_MISFITS_LOST if seen.is_lost else _MISFITS) and not _is_known(seen):
        return False
    fit_out = seen.output + OFF_UNCERTAINTIES * seen.error < limit
    return fit_out and (led_out or seen.led is None)


def _uncertainty(seen: Seen, output: float) -> float | None:
    """Return the standard uncertainty in stops, None where nothing was seen.

    The jackknife's error and a fixed 0.02 for flash and reading; what cells say that differ; how
    far the two ways of reading part; and what light may differ by where the sitter now is.
    """
    if output <= 0.0 or seen.output <= 0.0:
        return None
    scale = 1.0 / (output * math.log(2.0))
    parts = [_REPEAT, scale * seen.error, 0.3 * scale * seen.spread, _carried(seen)]
    parts.append(_misfitting(seen))
    if seen.led is not None and seen.led > 0.0:
        parts.append(0.5 * abs(math.log2(seen.output / seen.led)))
    return math.hypot(*parts)


def _misfitting(seen: Seen) -> float:
    """Return the stops to doubt where much of what a lamp lights fits nothing.

    Where the sitter's place isn't known, two fifths of it not fitting leave the lamp unseen;
    less where he is gone.
    """
    if _is_known(seen):
        return 1.2 * seen.misfit**3
    return NOT_SEEN * (seen.misfit / (_MISFITS_LOST if seen.is_lost else _MISFITS)) ** 6


def _is_known(seen: Seen) -> bool:
    """Tell whether the sitter's place is known, by somebody or because his move was found."""
    return seen.is_placed or seen.overlap < 1.0


def _carried(seen: Seen) -> float:
    """Return the stops that light may differ by where the sitter carried part of it off.

    Fitted to made sets whose sitter is a hand's breadth off the mark.
    """
    away = 1.0 - seen.overlap
    return 0.1 * seen.went + 0.5 * away + 1.0 * away**2
