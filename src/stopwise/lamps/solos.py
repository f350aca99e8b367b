"""Solos: each lamp's own light, where its sitter stood, and how sure both are.

Light is brought to one ISO and aperture and the ambient taken off. A sitter drifts from solo to
solo: he is found in each against the reference, by what its lamp lights.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from stopwise.errors import WrongUse
from stopwise.frame import window
from stopwise.grid import LightGrid, combine
from stopwise.lamps.lamp_notes import LampNote
from stopwise.measurement.follow import around
from stopwise.measurement.motion import (
    OVERLAP,
    Motion,
    correlate,
    gradient,
    peak,
    prepare,
    template_of,
    template_shape,
    tones,
)
from stopwise.plan.now import stays_with_the_set
from stopwise.stops import aperture_stops, iso_stops, shutter_stops, stops_of_distance

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from stopwise.codes import NoteCode
    from stopwise.frame import Box, Exposure
    from stopwise.measurement.motion import Template
    from stopwise.plan.model import Patch
    from stopwise.plan.now import PlanNow

SAME_SETTING_STOPS = 1.0 / 6.0
"""Settings agree within this many stops: half a third of a stop, since files round them."""

CLIPPED_SHARE = 0.01
"""Share of a patch's cells whose clipping makes a solo a bound there."""

ALIKE = 0.985
"""Cosine of the angle between two lamps' shares of the picture from which they count as alike."""

_FLOOR = 0.02
"""Of the brightest hundredth: light under which shares mean nothing."""

_LEAST_SCORE = 0.15
"""Correlation under which nothing of the sitter is taken to be found.

Measured on half of the portraits that we did not make: solos that hardly light him, told by the
paper's light round him alone, scored 0.17 and more and were right within half a block.
"""

USUAL_MISPLACEMENT = 0.01
"""Of the picture's width: how far a sitter drifts between solos (common practice: 1 to 2 %)."""

_REACH = 0.05
"""Of the long edge: how far off the reference he is looked for."""

_RIM = 0.06
"""Of the long edge: how far beyond his patches he reaches, so that his outline tells too."""

_STILL_RIM = 5
"""Blocks across round a still thing that tell nothing of him."""

_PLACE_ERROR = 0.1
"""Blocks over the score: how far a place is off, one sigma in each direction.

Measured on the building half: 0.08 at scores over 0.6, 0.3 to 0.5 under 0.4.
"""

_LIGHTS = 0.1
"""Share of the light of all solos on a patch from which it matters where the sitter stood."""

_TOLD = 0.01
"""Fractions of the picture from which it is said that a sitter stood elsewhere."""

REPEAT = 0.03
"""Stops that a flash and its reading vary by, in the solo and in the frame that is to come: twice
0.02 (common practice), in squares.
"""

_DEPTH_M, _STOPS_A_DIOPTRE = 0.2, 2.0 / math.log(2.0)
"""How much nearer or deeper than what its distance is measured to a lamp finds a sitter's patches,
metres, one sigma: half a grown person's shoulders (about 0.4 m, from memory). Stops that one over
a distance changes light by, a metre of depth.
"""

_DRIFT = 3.0
"""Stops a picture width that a patch is off by for a sitter who stood elsewhere in the solo.

Measured on half of the portraits that we did not make, lit by spots and broad lamps: 0.04 stop at
1.4 % of the width.
"""

_FEWEST_BLOCKS = 3
"""Rows and columns of blocks that show a slope."""

_ALIKE_BLOCKS = 4.0
"""Neighbouring blocks that one piece of texture covers."""


@dataclass(frozen=True, slots=True)
class SoloPlace:
    """How far the sitter stood off the reference in a solo.

    Attributes
    ----------
    right, down
        Fractions of the picture's width and height, whole cells.
    error
        Standard uncertainty of either, fraction of the longer side.
    """

    right: float = 0.0
    down: float = 0.0
    error: float = 0.0

    def carried(self, boxes: Mapping[str, Box], cells: tuple[int, int]) -> dict[str, Box]:
        """Return where boxes of the reference lie in a solo of so many rows and columns of cells.

        They hold as many cells as before; one that stays, or would leave the picture, isn't named.
        """
        high, wide = cells
        right, down = round(self.right * wide), round(self.down * high)
        found: dict[str, Box] = {}
        if not right and not down:
            return found
        for name, box in boxes.items():
            rows, columns = window(box, cells)
            left, top = columns.start + right, rows.start + down
            bottom, end = rows.stop + down, columns.stop + right
            if min(left, top) >= 0 and end <= wide and bottom <= high:
                found[name] = (left / wide, top / high, end / wide, bottom / high)
        return found


LOST = SoloPlace(error=USUAL_MISPLACEMENT)
"""A sitter who isn't found: at the mark, as far as anybody knows."""


@dataclass(frozen=True, eq=False, slots=True)
class LampSet:
    """What each lamp alone gives, and the ambient light, all at one exposure.

    Attributes
    ----------
    nets
        Each lamp's own light at its solo's power, ambient taken off, by the lamp's name.
    ambient
        The frame's light with no lamp firing, None where it isn't known and thus in the nets.
    exposure
        The settings that all of it is normalised to.
    notes
        What was normalised or is missing.
    places
        Where the sitter stood in each solo against the reference; a lamp not named has him there.
    moved
        Metres that a lamp stood from the sitter in its solo and stands now, where it was moved.
    """

    nets: Mapping[str, LightGrid]
    ambient: LightGrid | None
    exposure: Exposure
    notes: tuple[LampNote, ...] = ()
    places: Mapping[str, SoloPlace] = field(default_factory=dict)
    moved: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def names(self) -> tuple[str, ...]:
        """The lamps' names, in the plan's order."""
        return tuple(self.nets)

    def refuse_strangers(self, verb: str, named: Iterable[str]) -> None:
        """Refuse lamps that have no solo.

        Raises
        ------
        WrongUse
            With which there are.
        """
        if strangers := set(named) - set(self.nets):
            listed = ", ".join(sorted(strangers))
            msg = (
                f"Can't {verb} {listed}: no solo of that name. There are: {', '.join(self.nets)}. "
                f"Shoot it alone: stopwise expect {listed}"
            )
            raise WrongUse(msg)


def lamp_set(
    solos: Mapping[str, LightGrid],
    ambient: LightGrid | None = None,
    *,
    exposure: Exposure | None = None,
    continuous: Collection[str] = (),
    places: Mapping[str, SoloPlace] | None = None,
) -> LampSet:
    """Bring solos and ambient to one exposure and take the ambient off each solo.

    Parameters
    ----------
    solos
        Each lamp's reduced solo, by name; at least one.
    ambient
        A frame with no lamp firing.
    exposure
        Settings to bring all to; None takes the first solo's.
    continuous
        Names of lamps that burn all the time, which the shutter dims too.
    places
        Where the sitter stood in each solo, see `find_places`; None for at the mark in all.

    Returns
    -------
    LampSet
        A colour's ceiling is the least among the solos: a frame that clips shows it.

    Raises
    ------
    ValueError
        If there is no solo, or their pictures are of different grids.
    """
    if not solos:
        msg = "at least one solo is needed"
        raise ValueError(msg)
    wanted = exposure or next(iter(solos.values())).exposure
    ceiling = tuple(
        min(levels) for levels in zip(*(one.ceiling for one in solos.values()), strict=True)
    )
    is_named = all(one.is_stop_named for one in solos.values())
    notes = [] if ambient else [LampNote("no ambient")]
    notes += place_notes(solos, places or {})
    nets = {}
    for name, solo in solos.items():
        net = solo
        if ambient is not None:
            room = at_exposure(ambient, solo.exposure, shutter=True)
            net = combine([solo, room], [1.0, -1.0])
        net = at_exposure(net, wanted, shutter=name in continuous)
        nets[name] = replace(net, ceiling=ceiling, is_stop_named=is_named)
        stops = exposure_stops(solo.exposure, wanted, shutter=False)
        if stops:
            taken = (solo.exposure.iso, solo.exposure.f_number)
            code: NoteCode = "settings" if all(taken) else "brought"
            notes.append(LampNote(code, name, stops=stops, settings=taken))
    if ambient is not None:
        ambient = replace(at_exposure(ambient, wanted, shutter=True), ceiling=ceiling)
    return LampSet(nets, ambient, wanted, tuple(notes), places or {})


def at_exposure(picture: LightGrid, wanted: Exposure, *, shutter: bool) -> LightGrid:
    """Return a picture as other settings would have recorded it.

    Parameters
    ----------
    picture
        What was recorded.
    wanted
        Settings to bring it to; those that either doesn't say are taken as equal.
    shutter
        Whether the shutter counts: for ambient and lamps that burn, not for flash.

    Returns
    -------
    LightGrid
        Light scaled; `clipped` stays, since a photosite that clipped stays a bound.
    """
    stops = exposure_stops(picture.exposure, wanted, shutter=shutter)
    scaled = picture if stops == 0.0 else combine([picture], [math.pow(2.0, stops)])
    return replace(scaled, exposure=wanted)


def exposure_stops(was: Exposure, wanted: Exposure, *, shutter: bool) -> float:
    """Return how many stops more light `wanted` records than `was`.

    Doubling ISO or shutter time is +1 stop, doubling the f-number -2 stops (APEX, ISO 12232); a
    mark stands for its exact stop, so that f/11 to f/8 is +1 (ISO 517).
    Settings that either side doesn't name, or that agree within 1/6 stop, count as equal.
    """
    pairs = [
        (iso_stops, was.iso, wanted.iso),
        (aperture_stops, was.f_number, wanted.f_number),
    ]
    if shutter:
        pairs.append((shutter_stops, was.shutter_s, wanted.shutter_s))
    steps = [stops_of(one, other) for stops_of, one, other in pairs if one and other]
    return sum(step for step in steps if abs(step) > SAME_SETTING_STOPS)


def clipped_notes(lamps: LampSet) -> list[LampNote]:
    """Return a note for each solo that clips in patches, where its light is a bound."""
    found = []
    for name, net in lamps.nets.items():
        where = tuple(
            patch for patch, cells in net.boxes.items() if np.mean(cells.clipped) > CLIPPED_SHARE
        )
        if where:
            found.append(LampNote("clipped", name, names=where))
    return found


def alike_lamps(lamps: LampSet) -> tuple[tuple[str, str], ...]:
    """Return the pairs of lamps whose light falls alike over the whole picture, by name.

    No frame can tell such lamps apart. Each lamp's light is weighed by the whole light of its
    place, so that a pale jacket counts no more than a dark one.
    """
    parts = np.stack([net.luminance.ravel() for net in lamps.nets.values()]).astype(np.float64)
    total = np.maximum(parts.sum(axis=0), 0.0)
    shares = parts / (total + _FLOOR * float(np.percentile(total, 99.0)) + 1e-12)
    products = shares @ shares.T
    lengths = np.sqrt(np.diag(products))
    return tuple(
        (lamps.names[i], lamps.names[j])
        for i, j in itertools.combinations(range(len(lamps.names)), 2)
        if products[i, j] > ALIKE * lengths[i] * lengths[j]
    )


# --- where the sitter stood ----------------------------------------------------------------------


@dataclass(frozen=True, eq=False, slots=True)
class Sought:
    """The sitter as the reference shows him, ready to be looked for in any solo.

    Attributes
    ----------
    reference
        The frame that the plan's boxes were set on.
    boxes
        Of what goes with him, by patch.
    template
        Gradients and weights round his patches.
    middle
        Row and column of the reference that the template's middle lies at.
    free
        bool (rows, columns), blocks away from still things, which tell nothing of him.
    """

    reference: LightGrid
    boxes: Mapping[str, Box]
    template: Template
    middle: tuple[int, int]
    free: NDArray[np.bool_]

    def place_in(self, solo: LightGrid) -> SoloPlace | None:
        """Return where he stands in a solo of the same size; None where nothing of him is found.

        Normalised correlation of the gradient of log luminance, its sign left out, over his patches
        with a rim: each block weighs by what the lamp shows of it, so that what isn't lit in both
        goes where the rest went.
        """
        tall, wide = solo.clipped.shape
        if (tall, wide) != self.free.shape:
            return None
        reach = round(_REACH * max(tall, wide))
        field = _unsigned(gradient(_tones(solo))) * self.free
        searched = prepare(field, self.middle, (reach, reach), self.template[1].shape)
        row, column, score = peak(correlate(searched, self.template, overlap=OVERLAP))
        if score < _LEAST_SCORE:
            return None
        high, broad = solo.cells
        return SoloPlace(
            right=round((column - reach) / wide * broad) / broad,
            down=round((row - reach) / tall * high) / high,
            error=_PLACE_ERROR / score / max(tall, wide),
        )


def sought_in(reference: LightGrid, now: PlanNow) -> Sought | None:
    """Return the sitter of a reference, ready to be looked for; None without patches of his.

    Parameters
    ----------
    reference
        The frame that the plan's boxes were set on.
    now
        The patches that go with him, and the still things.
    """
    from scipy.ndimage import minimum_filter

    boxes = {patch.name: patch.box for patch in now.measured if not stays_with_the_set(patch)}
    if not boxes:
        return None
    still = [patch.box for patch in now.measured if patch.name not in boxes]
    free = minimum_filter(~reference.inside(still), _STILL_RIM)
    tall, wide = free.shape
    x0, y0, x1, y1 = np.transpose(list(boxes.values()))
    sitter = around((min(x0), min(y0), max(x1), max(y1)), (tall, wide), _RIM, cut=True)
    shape = template_shape(sitter, [Motion()])
    middle = (round(sitter.row), round(sitter.column))
    off = (sitter.row - middle[0], sitter.column - middle[1])
    gradients, weights = template_of(_tones(reference), sitter, Motion(), shape, off=off)
    rows, columns = (
        np.clip(np.arange(side) + at - side // 2, 0, end - 1)
        for side, at, end in zip(shape, middle, (tall, wide), strict=True)
    )
    template = (_unsigned(gradients), weights * free[np.ix_(rows, columns)])
    return Sought(reference, boxes, template, middle, free)


def _tones(light: LightGrid) -> NDArray[np.float32]:
    return tones(np.where(light.usable, light.luminance, np.float32(1.0)))


def _unsigned(field: NDArray[np.complex64]) -> NDArray[np.complex64]:
    """Return gradients (rows, columns) of the same size at twice their angle.

    An outline that is darker than the paper under one lamp and lighter under another agrees so.
    """
    return np.asarray(field * field / np.maximum(np.abs(field), np.float32(1e-9)), np.complex64)


def find_places(solos: Mapping[str, LightGrid], sought: Sought | None) -> dict[str, SoloPlace]:
    """Return where the sitter stood in each solo; `LOST` where nothing of him is found.

    Parameters
    ----------
    solos
        Each lamp's light alone, by name.
    sought
        Whom to look for; none are found without.
    """
    if sought is None:
        return {}
    return {name: place_in(solo, sought) for name, solo in solos.items()}


def place_in(solo: LightGrid, sought: Sought | None) -> SoloPlace:
    """Return where the sitter stood in one frame; `LOST` where nothing of him is found."""
    if sought is None or solo is sought.reference:
        return SoloPlace()
    return sought.place_in(solo) or LOST


def place_notes(
    solos: Mapping[str, LightGrid], places: Mapping[str, SoloPlace]
) -> Iterator[LampNote]:
    """Yield what is to be said of solos whose sitter stood elsewhere, or wasn't found though lit.

    Parameters
    ----------
    solos
        Each lamp's light alone, by name.
    places
        Where he stood in each.
    """
    for name, place in places.items():
        off = float(np.hypot(place.right, place.down))
        if place == LOST and _is_lit(name, solos):
            yield LampNote("sitter not placed", name)
        elif off >= _TOLD:
            yield LampNote("sitter off", name, share=off)


def _is_lit(name: str, solos: Mapping[str, LightGrid]) -> bool:
    """Tell whether a lamp lights any patch that others light too."""
    for patch in solos[name].boxes:
        if not all(patch in solo.boxes for solo in solos.values()):
            continue
        light = {lamp: float(np.mean(solo.box_luminance(patch))) for lamp, solo in solos.items()}
        if light[name] > _LIGHTS * sum(light.values()):
            return True
    return False


# --- how sure what is added up is ----------------------------------------------------------------


def patch_doubts(lamps: LampSet, patch: Patch) -> NDArray[np.float32]:
    """Return how sure each lamp's light is in a patch, and the ambient's last, stops.

    Parameters
    ----------
    lamps
        The solos.
    patch
        One that all of them hold.

    Returns
    -------
    ndarray
        float32 (lamps + 1,).

    Notes
    -----
    A sitter who stood elsewhere in a solo brings his own tones along, which are followed to within
    the place's error; the lamp's light stays with the set, so that its slope there counts. Where a
    lamp was moved from d1 to d2, what lies deeper by h than what was measured to changes by less:
    2 h |1/d1 - 1/d2| / ln 2 stops, the slope of the inverse square law.
    """
    sure = [REPEAT] * len(lamps.nets)
    for name, (start, end) in lamps.moved.items():
        deeper = _DEPTH_M * _STOPS_A_DIOPTRE * abs(1.0 / start - 1.0 / end)
        sure[lamps.names.index(name)] = math.hypot(REPEAT, deeper)
    if not stays_with_the_set(patch):
        slopes_of = [_slope(net, net.boxes[patch.name].box) for net in lamps.nets.values()]
        for index, (name, net) in enumerate(lamps.nets.items()):
            place, own = lamps.places.get(name, SoloPlace()), slopes_of[index]
            if own is None:
                continue
            others = [one for at, one in enumerate(slopes_of) if at != index and one is not None]
            # tones of the sitter slope alike under every lamp: what differs is light
            light = own.less(others) if others else own
            blocks = np.array([place.down * net.shape[0], place.right * net.shape[1]])
            sure[index] = math.hypot(
                sure[index],
                _DRIFT * math.hypot(place.down, place.right),
                float(np.abs(light.sure) @ np.abs(blocks)),
                float(np.hypot(*own.sure)) * place.error * max(net.shape),
            )
    return np.array([*sure, 0.0], dtype=np.float32)


def paper_doubts(lamps: LampSet) -> NDArray[np.float32]:
    """Return how sure each lamp's light is on the paper, the ambient's last, stops (lamps + 1,).

    How far the paper lies behind the sitter isn't known: of a lamp that was moved anything may have
    reached it, from no change to all of it.
    """
    sure = [REPEAT] * len(lamps.nets)
    for name, way in lamps.moved.items():
        sure[lamps.names.index(name)] = math.hypot(REPEAT, stops_of_distance(*way))
    return np.array([*sure, 0.0], dtype=np.float32)


@dataclass(frozen=True, eq=False, slots=True)
class _Slope:
    """How log2 Y of a box changes down and to the right, stops a block, and its variance: (2,)."""

    stops: NDArray[np.float64]
    variance: NDArray[np.float64]

    @property
    def sure(self) -> NDArray[np.float64]:
        """What of it texture can't have made: 0 where it is under two standard errors."""
        left: NDArray[np.float64] = np.sqrt(
            np.maximum(np.square(self.stops) - 4.0 * self.variance, 0)
        )
        return left

    def less(self, others: Sequence[_Slope]) -> _Slope:
        """Return this slope less the mean of others."""
        count = len(others)
        return _Slope(
            self.stops - np.mean([one.stops for one in others], axis=0),
            self.variance + np.sum([one.variance for one in others], axis=0) / count**2,
        )


def _slope(net: LightGrid, box: Box) -> _Slope | None:
    """Return the slope of a plane through a box's blocks; None where too little of it is lit."""
    held = net.inside([box], whole=True) & net.seen
    rows, columns = np.nonzero(held)
    if min(len(set(rows.tolist())), len(set(columns.tolist()))) < _FEWEST_BLOCKS:
        return None
    at = np.stack([rows - rows.mean(), columns - columns.mean(), np.ones(len(rows))], axis=1)
    stops = net.log2_y[held]
    plane, *_ = np.linalg.lstsq(at, stops, rcond=None)
    scatter = float(np.mean(np.square(stops - at @ plane)))
    return _Slope(plane[:2], _ALIKE_BLOCKS * scatter / np.square(at[:, :2]).sum(axis=0))
