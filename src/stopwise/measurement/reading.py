"""The reading of one frame: cells, levels, grid and figures, put together once."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from stopwise.cells import cells_of, weighted
from stopwise.measurement.backdrop import read_backdrop
from stopwise.measurement.clipping import find_clipped, find_doubt, read_clipping
from stopwise.measurement.figures import CameraMove, Measurement, Ratio, Zones
from stopwise.measurement.follow import LEAST_SCORE, camera_move, find_patches
from stopwise.measurement.levels import find_levels, with_margins
from stopwise.measurement.noise import sensor_noise
from stopwise.measurement.paper import find_parts
from stopwise.measurement.patches import Ground, lost_patch, read_patch
from stopwise.measurement.saturation import ShotStop
from stopwise.measurement.shutter import read_shutter
from stopwise.measurement.split import split_ratio
from stopwise.plan.model import Plan
from stopwise.plan.now import plan_now
from stopwise.reduction import Asked, box_cells, reduce_frame
from stopwise.stops import MID_GREY_OF_SATURATION, is_same_iso

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from stopwise.frame import Box, Frame
    from stopwise.grid import LightGrid
    from stopwise.measurement.figures import PatchReading
    from stopwise.measurement.paper import Parts
    from stopwise.plan.model import BackdropPlan, ClipPlan
    from stopwise.plan.now import PlanNow

DARK_NOISES = 3.0
"""Read noises above black under which a cell is left out of a split."""

MOST_SPLIT = 700_000
"""Cells of the whole frame among which the subject is split."""


@dataclass(frozen=True, eq=False, slots=True)
class Known:
    """What other frames tell of this one.

    Attributes
    ----------
    learned
        Saturation levels by colour, from frames of this camera at this ISO.
    reference
        The frame that patches are followed from.
    plate
        The bare backdrop.
    even
        The set as its lamps light it with nothing cut off by the shutter, where no reference shows
        it: such as the sum of solos.
    """

    learned: Mapping[str, float] | None = None
    reference: LightGrid | None = None
    plate: LightGrid | None = None
    even: LightGrid | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Reduced:
    """A frame's light, before any figure is read.

    Attributes
    ----------
    ground
        Its cells, where photosites stop, and which cells are clipped.
    grid
        Its light, with the cells of the plan's patches where the plan draws them.
    """

    ground: Ground
    grid: LightGrid

    def with_boxes(self, boxes: Mapping[str, Box]) -> LightGrid:
        """Return its light with the cells of some boxes, fractions of the picture, read anew."""
        clipped = None if self.ground.clipped is None else self.ground.clipped.any
        anew = {name: box_cells(self.ground.cells, clipped, box) for name, box in boxes.items()}
        return replace(self.grid, boxes={**self.grid.boxes, **anew})

    def finer(self, across: int, *, mid_grey: float | None = None) -> LightGrid:
        """Return its light on blocks for a screen, so many along the longer side at most."""
        asked = Asked(
            mid_grey=self.grid.mid_grey if mid_grey is None else mid_grey,
            across=across,
            noise=False,
        )
        return _reduced(self.ground, asked)


@dataclass(frozen=True, eq=False, slots=True)
class Reading(Reduced):
    """A frame that was read, with what other rooms need of it.

    Attributes
    ----------
    measurement
        The figures.
    """

    measurement: Measurement


def reduce(
    frame: Frame,
    targets: PlanNow,
    *,
    learned: Mapping[str, float] | None = None,
    tails: bool = False,
) -> Reduced:
    """Reduce a frame to its light: all that most frames of the plan itself are read for.

    Parameters
    ----------
    frame
        The decoded frame.
    targets
        What of the plan holds now: its camera, and the places of its patches.
    learned
        Saturation levels by colour, from frames of this camera at this ISO.
    tails
        Whether clipping is to be predicted from its light.
    """
    ground = ground_of(frame, targets.plan, learned=learned)
    boxes = {patch.name: patch.box for patch in targets.measured}
    mid_grey = MID_GREY_OF_SATURATION if ground.mid_grey is None else ground.mid_grey
    return Reduced(ground, _reduced(ground, Asked(mid_grey=mid_grey, boxes=boxes, tails=tails)))


def read(
    frame: Frame,
    plan: Plan | None = None,
    *,
    look: str | None = None,
    known: Known | None = None,
) -> Reading:
    """Read a frame once, with all that the plan asks for.

    Parameters
    ----------
    frame
        The decoded frame.
    plan
        Its patches, backdrop and limits; None measures what needs no plan.
    look
        Name of the look that is worn.
    known
        What other frames tell of this one.
    """
    known = known or Known()
    targets = plan_now(plan or Plan(), look=look)
    reduced = reduce(frame, targets, learned=known.learned)
    figures = figures_of(frame, reduced, targets, look=look, known=known)
    return Reading(reduced.ground, reduced.grid, figures)


def figures_of(
    frame: Frame, reduced: Reduced, targets: PlanNow, *, look: str | None, known: Known
) -> Measurement:
    """Return all figures of a frame that was reduced.

    Parameters
    ----------
    frame, reduced
        The decoded frame, and its light for these targets.
    targets
        What of the plan holds now.
    look
        Name of the look that is worn.
    known
        What other frames tell of this one.
    """
    ground, grid = reduced.ground, reduced.grid
    moved = _moved(targets, grid, known.reference)
    carried = moved if moved else None
    if carried is not None:  # light of before lies elsewhere in this picture
        known = replace(known, plate=None, even=None)
    backdrop = targets.plan.backdrop
    paper = tuple(carried.carried(box) if carried else box for box in _paper(backdrop))
    parts = find_parts(grid, paper, plate=known.plate)
    patches = _patches(ground, targets, grid, known.reference, carried)
    middle = grid.tones.stops_at(50.0) if grid.tones else None
    places = {name: patch.box for name, patch in patches.items()}
    doubt = find_doubt(
        ground.cells,
        ground.levels,
        places,
        surely=ground.clipped,
        pinpoint_largest=targets.plan.limits.pinpoint_largest,
    )
    return Measurement(
        camera=frame.camera,
        exposure=frame.exposure,
        size=frame.size,
        levels=ground.levels,
        clipping=read_clipping(
            ground.cells,
            ground.levels,
            ground.clipped,
            patches=places,
            blocked=None if ground.mid_grey is None or not grid.tones else grid.tones.blocked,
            doubt=doubt,
        ),
        zones=read_zones(grid, mid_grey=ground.mid_grey),
        patches=patches,
        ratios=_ratios(ground, targets, patches, parts, grid),
        backdrop=None
        if backdrop is None
        else read_backdrop(grid, paper, mid_grey=ground.mid_grey, plate=known.plate, parts=parts),
        shutter=read_shutter(
            grid,
            parts=parts,
            reference=known.even if known.reference is None or carried else known.reference,
        ),
        subject_log2_y=None if middle is None else middle + math.log2(grid.mid_grey),
        look=look,
        doubt=doubt,
        moved=moved,
    )


def ground_of(
    frame: Frame, plan: Plan | None = None, *, learned: Mapping[str, float] | None = None
) -> Ground:
    """Return what a frame's patches are read on.

    Parameters
    ----------
    frame
        The decoded frame.
    plan
        Its camera and limits; None for the defaults.
    learned
        Saturation levels by colour, from frames of this camera at this ISO.
    """
    plan = plan or Plan()
    cells = cells_of(frame, balance=plan.camera.balance)
    noise = sensor_noise(cells, frame.masked)
    known = stops_known(plan.camera.clip, frame)
    levels = find_levels(
        cells,
        noise=noise,
        raw_clip=plan.camera.raw_clip,
        shot=known.stops,
        learned={**(learned or {}), **known.likely},
        iso=frame.exposure.iso,
    )
    clipped = find_clipped(cells, levels, pinpoint_largest=plan.limits.pinpoint_largest)
    return Ground(cells, with_margins(levels, frame), clipped, noise, mid_grey_for(frame, plan))


def _reduced(ground: Ground, asked: Asked) -> LightGrid:
    clipped = None if ground.clipped is None else ground.clipped.any
    levels, is_named = ground.levels, ground.levels.saturation_source == "file"
    return reduce_frame(
        ground.cells, levels.saturation, clipped=clipped, asked=asked, is_stop_named=is_named
    )


def _paper(backdrop: BackdropPlan | None) -> tuple[Box, ...]:
    return () if backdrop is None else backdrop.boxes


def _moved(targets: PlanNow, grid: LightGrid, reference: LightGrid | None) -> CameraMove | None:
    """Return how the plan's still things lie against the reference, where there are any."""
    still = [patch.box for patch in targets.measured if patch.still and not patch.follow]
    if reference is None or not still:
        return None
    return camera_move(reference, grid, still)


def _patches(
    ground: Ground,
    targets: PlanNow,
    grid: LightGrid,
    reference: LightGrid | None,
    carried: CameraMove | None,
) -> dict[str, PatchReading]:
    """Read every patch where it lies now."""
    followed = [patch for patch in targets.measured if patch.follow and reference is not None]
    placed = {}
    if reference is not None and followed:
        places = find_patches(reference, grid, [patch.box for patch in followed])
        placed = {patch.name: place for patch, place in zip(followed, places, strict=True)}
    readings = {}
    for patch in targets.measured:
        place = placed.get(patch.name)
        if place is not None and place.score < LEAST_SCORE:
            readings[patch.name] = lost_patch(place.box, place.score)
            continue
        box = patch.box if place is None else place.box
        if carried is not None and patch.still:
            box = carried.carried(box)
        reading = read_patch(ground, box, read_at=patch.defaults.read_at)
        readings[patch.name] = reading if place is None else replace(reading, score=place.score)
    return readings


def _ratios(
    ground: Ground,
    targets: PlanNow,
    patches: Mapping[str, PatchReading],
    parts: Parts,
    grid: LightGrid,
) -> tuple[Ratio, ...]:
    """Return every ratio of the plan, or with none the split of the subject."""
    if not targets.ratios:
        return (_split(ground, grid.spread(parts.subject)),)
    return tuple(
        _between(target.lit, target.shadow, patches)
        for target in targets.ratios
        if target.lit in patches and target.shadow in patches
    )


def _split(ground: Ground, subject: NDArray[np.bool_]) -> Ratio:
    """Split the subject's unclipped cells, evenly thinned out in a large frame.

    Cells and not blocks: near black the noise of a cell keeps what isn't light from making tones.
    """
    cells, noise, clipped = ground.cells, ground.noise, ground.clipped
    every = max(1, round(math.sqrt(subject.size / MOST_SPLIT)))
    at = (slice(None, None, every), slice(None, None, every))
    held = subject[at] if clipped is None else subject[at] & ~clipped.any[at]
    signals = cells.signals(at)
    colours = None
    if cells.in_colour:
        red, green, blue = (signals[cells.channels.index(name)] for name in "RGB")
        colours = (red, green, blue)
    # about what read noise is in Y, from the colour that weighs most
    dark = 0.0 if noise is None else math.sqrt(max(noise.dark))
    floor = DARK_NOISES * dark / (cells.anchor[0] - cells.black[0])
    light = weighted(signals, cells.channel_weights)
    return split_ratio(light, held, floor=floor, colours=colours)


def _between(lit: str, shadow: str, patches: Mapping[str, PatchReading]) -> Ratio:
    above, below = patches[lit], patches[shadow]
    if above.log2_y is None or below.log2_y is None:
        return Ratio(None, "patches", lit=lit, shadow=shadow, why="patch_not_seen")
    return Ratio(
        stops=above.log2_y - below.log2_y,
        by="patches",
        lit=lit,
        shadow=shadow,
        uncertainty=math.hypot(above.uncertainty or 0.0, below.uncertainty or 0.0),
    )


@dataclass(frozen=True, slots=True)
class KnownStops:
    """What a plan's `[camera.clip]` tells of one frame, raw levels by colour.

    `stops` hold for its body at its ISO; `likely` are those of another ISO, which the frame itself
    may contradict.
    """

    stops: Mapping[str, ShotStop] = field(default_factory=dict)
    likely: Mapping[str, float] = field(default_factory=dict)


def stops_known(clip: ClipPlan | None, frame: Frame) -> KnownStops:
    """Return what a plan's `[camera.clip]` tells of a frame of its body and its named white."""
    model = frame.camera.model
    if clip is None or clip.white != frame.levels.white or clip.body not in (None, model):
        return KnownStops()
    if clip.iso is not None and not is_same_iso(frame.exposure.iso, clip.iso):
        return KnownStops(likely=clip.level)
    stops = {
        name: ShotStop(level, clip.spread.get(name, 0.0)) for name, level in clip.level.items()
    }
    return KnownStops(stops)


def mid_grey_for(frame: Frame, plan: Plan | None) -> float | None:
    """Return mid-grey as a fraction of the anchor, or None where it holds for another camera.

    Parameters
    ----------
    frame
        The frame: its body and ISO.
    plan
        The plan, with what a grey card gave and for which body and ISO. Without a figure in the
        plan mid-grey is 0.18 / sqrt(2) = 0.1273 of saturation (ISO 12232).

    Notes
    -----
    A figure that names no body or ISO holds for every one.
    """
    if plan is None or plan.camera.mid_grey is None:
        return MID_GREY_OF_SATURATION
    model, named = plan.camera.mid_grey_model, plan.camera.mid_grey_iso
    if model is not None and frame.camera.model != model:
        return None
    if named is not None and not is_same_iso(frame.exposure.iso, named):
        return None
    return plan.camera.mid_grey


def read_zones(grid: LightGrid, *, mid_grey: float | None) -> Zones:
    """Return how a frame's cells spread over the zones.

    Parameters
    ----------
    grid
        The frame, with its tones counted.
    mid_grey
        Y of mid-grey; None where it holds for another camera: then `share` is None.

    Returns
    -------
    Zones
        Eleven fractions of all cells, Zone 0 to X: zone k holds k - 0.5 <= zone < k + 0.5, Zone 0
        all that is darker and Zone X all that is lighter. With the clipped share they sum to 1.

    Raises
    ------
    ValueError
        If the grid is a sum, of which no cells were counted.
    """
    if grid.tones is None:
        msg = "zones are counted from a frame's cells, got a sum of grids"
        raise ValueError(msg)
    rows, columns = grid.cells
    held = grid.tones.zones()
    share = None if mid_grey is None else tuple(int(cells) / (rows * columns) for cells in held)
    return Zones(
        share=share,
        clipped=(rows * columns - int(held.sum())) / (rows * columns),
        mid_grey=MID_GREY_OF_SATURATION if mid_grey is None else mid_grey,
    )
